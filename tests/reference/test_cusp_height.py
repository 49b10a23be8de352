"""Cusp heights by slope (Dolenc and Mäkelä, Computer-Aided Design 26 (1994) 119-126)."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from moldsmith.errors import BadParameter
from moldsmith.printing.cusps import cusp_heights_mm, layer_for_cusp_mm

# Layer 0.2 mm; a face's lean from level -> c = L |n_z|, worked out by hand.
CUSPS = [(0, 0.2), (30, 0.1732), (45, 0.1414), (60, 0.1), (90, 0.0)]


def leaning(degrees: float) -> trimesh.Trimesh:
    """One face that leans so far from level."""
    run, rise = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return trimesh.Trimesh([[0, 0, 0], [0, -1, 0], [run, 0, rise]], [[0, 1, 2]], process=False)


@pytest.mark.parametrize(("degrees", "cusp"), CUSPS)
def test_cusp_follows_the_slope(degrees: float, cusp: float) -> None:
    assert cusp_heights_mm(leaning(degrees), 0.2)[0] == pytest.approx(cusp, abs=5e-5)


def test_cusp_is_measured_along_the_build_direction() -> None:
    assert cusp_heights_mm(leaning(0), 0.2, (2.0, 0.0, 0.0))[0] == pytest.approx(0)
    assert cusp_heights_mm(leaning(90), 0.2, (2.0, 0.0, 0.0))[0] == pytest.approx(0.2)


def test_layer_for_a_cusp_gives_that_cusp_back() -> None:
    slopes = np.array([0.0, 20.0, 45.0, 70.0])
    layers = layer_for_cusp_mm(slopes, 0.1, most_mm=10)
    found = [cusp_heights_mm(leaning(s), layer)[0] for s, layer in zip(slopes, layers, strict=True)]
    np.testing.assert_allclose(found, 0.1)
    assert layer_for_cusp_mm([90.0], 0.1)[0] == 0.3


def test_a_face_without_area_has_no_cusp() -> None:
    flat = trimesh.Trimesh([[0, 0, 0], [1, 0, 0], [2, 0, 0]], [[0, 1, 2]], process=False)
    assert cusp_heights_mm(flat, 0.2)[0] == 0


def test_no_layer_is_refused() -> None:
    with pytest.raises(BadParameter, match="layer_mm = 0"):
        cusp_heights_mm(leaning(30), 0.0)
    with pytest.raises(BadParameter, match="cusp_mm = -1"):
        layer_for_cusp_mm([30.0], -1.0)
