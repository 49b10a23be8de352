"""Summits of heightfields whose bumps are known."""

from __future__ import annotations

import numpy as np
import pytest

from moldsmith.geometry.peaks import peaks
from shapes import heightfield

BUMPS = ((-25.0, -10.0, 9.0), (20.0, 12.0, 6.0), (5.0, -18.0, 4.0))


def bumps(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return sum(h * np.exp(-((x - a) ** 2 + (y - b) ** 2) / 60) for a, b, h in BUMPS)


@pytest.mark.parametrize("ripple", [0.0, 0.15])
def test_every_bump_is_a_peak_and_no_ripple_is_one(ripple: float) -> None:
    mesh = heightfield(lambda x, y: bumps(x, y) + ripple * np.sin(2 * x) * np.sin(2 * y), step=1)
    height = mesh.vertices[:, 2]
    found = peaks(height, mesh.faces, 1.0, 0.3)
    assert len(found) == 3
    for peak, (x, y, top) in zip(found, BUMPS, strict=True):
        assert mesh.vertices[peak.vertex, :2] == pytest.approx([x, y], abs=1.5)
        assert peak.height == pytest.approx(top, abs=0.3 + ripple)
        assert (height[peak.crown] >= peak.height - 0.3).all()
        assert peak.vertex in peak.crown


def test_prominence_is_the_height_over_the_saddle() -> None:
    """Along y = 0 two parabolas meet at x = 0, 3 mm under the lower summit."""

    def ground(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        left, right = 8 - 6 * (x / 20 + 1) ** 2, 5 - 3 * (x / 20 - 1) ** 2
        return np.asarray(np.where(x < 0, left, right) - 0.01 * y**2)

    mesh = heightfield(ground, (80, 40), 2)
    high, low = peaks(mesh.vertices[:, 2], mesh.faces, 1.0, 0.3)
    assert (high.height, low.height) == pytest.approx((8.0, 5.0))
    assert low.prominence == pytest.approx(3.0)
    assert high.prominence == pytest.approx(8.0 - mesh.vertices[:, 2].min())


def test_the_limit_decides_which_peaks_count() -> None:
    mesh = heightfield(bumps, step=1)
    height, faces = mesh.vertices[:, 2], mesh.faces
    assert [len(peaks(height, faces, least, 0.3)) for least in (0.5, 5.0, 7.0, 20.0)] == [
        3,
        2,
        1,
        1,
    ]


def test_level_ground_has_one_peak() -> None:
    mesh = heightfield(lambda x, y: 0 * x)
    (only,) = peaks(mesh.vertices[:, 2], mesh.faces, 1.0, 0.3)
    assert only.prominence == 0
    assert len(only.crown) == len(mesh.vertices)
