"""A shallow belly and its mold in both styles."""

from __future__ import annotations

import pytest
from hills import belly, padded

import moldsmith as ms


@pytest.fixture(scope="session")
def pad() -> ms.Workpiece:
    return padded(belly())


@pytest.fixture(scope="session")
def cored(pad: ms.Workpiece) -> ms.Workpiece:
    return ms.block(pad, style="cored")


@pytest.fixture(scope="session")
def lidded(pad: ms.Workpiece) -> ms.Workpiece:
    return ms.block(pad, style="lidded")


@pytest.fixture(scope="session")
def channelled(cored: ms.Workpiece) -> ms.Workpiece:
    return ms.channels(cored)
