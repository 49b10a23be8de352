"""Small molds to pour into."""

from __future__ import annotations

import numpy as np
import pytest

import moldsmith as ms
from shapes import heightfield, patched
from sleeves import barrel


def _hill(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return np.asarray(14 * np.exp(-(x**2 + y**2) / 700))


@pytest.fixture(scope="session")
def pad() -> ms.Workpiece:
    hill = patched(heightfield(_hill, (90, 70), 2))
    return ms.shell(hill, thickness_mm=5, side="inward", taper_mm=12, edge_mm=1, cell_mm=1.5)


@pytest.fixture(scope="session")
def cored(pad: ms.Workpiece) -> ms.Workpiece:
    """Cavity and core with channels, whole."""
    return ms.channels(ms.block(pad, style="cored"))


@pytest.fixture(scope="session")
def lidded(pad: ms.Workpiece) -> ms.Workpiece:
    return ms.channels(ms.block(pad, style="lidded"))


@pytest.fixture(scope="session")
def split_up(cored: ms.Workpiece) -> ms.Workpiece:
    """The same mold for a printer so small that it comes in parts."""
    small = ms.Printer(volume_mm=(110, 110, 120))
    return ms.split(cored, printer=small)


@pytest.fixture(scope="session")
def jacket(pad: ms.Workpiece) -> ms.Workpiece:
    """A thin-walled mold on ribs: there is air under it that is no void."""
    return ms.channels(ms.block(pad, style="cored", outer="jacket"))


@pytest.fixture(scope="session")
def sleeve() -> ms.Workpiece:
    """Side pieces round a core."""
    tube = ms.shell(
        patched(barrel(6.0), "calf"),
        thickness_mm=7,
        side="inward",
        taper_mm=12,
        edge_mm=1.5,
        cell_mm=3,
    )
    return ms.channels(ms.block(tube, style="pieces"))
