"""What cuts cost, and that an objective gets what it is named for."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import trimesh

import moldsmith as ms
from moldsmith.geometry import solid
from moldsmith.mold.parts.cut_costs import FineFace, crossed_length_mm
from moldsmith.mold.parts.cutting import place_cuts
from moldsmith.mold.parts.part_limits import PartLimits, cut_within

SMALL = ms.Printer(volume_mm=(110, 110, 120))
PRINTER = ms.Printer(volume_mm=(120, 120, 120))


def fine(mesh: trimesh.Trimesh) -> FineFace:
    return FineFace(np.asarray(mesh.vertices), np.asarray(mesh.faces))


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_a_plane_crosses_a_ball_along_a_circle(axis: int) -> None:
    ball = fine(trimesh.creation.icosphere(subdivisions=4, radius=50))
    assert crossed_length_mm(ball, axis, 30.0) == pytest.approx(2 * np.pi * 40, rel=2e-3)
    assert crossed_length_mm(ball, axis, 0.0) == pytest.approx(2 * np.pi * 50, rel=2e-3)
    assert crossed_length_mm(ball, axis, 51.0) == 0


def largest(body: solid.Solid, cuts: list[Any]) -> float:
    parts = [body]
    for cut in cuts:
        parts = [
            half
            for part in parts
            for half in solid.split_by_plane(part, np.eye(3)[cut.axis], cut.at)
            if not half.is_empty()
        ]
    return max(solid.volume_mm3(part) for part in parts)


def wedge() -> solid.Solid:
    """Ten times as thick at one end as at the other."""
    corners = [(x, y, z) for x, top in ((0, 10), (200, 100)) for y in (0, 80) for z in (0, top)]
    return solid.hull(np.array(corners, dtype=float))


def test_the_longest_part_is_smaller_when_that_is_the_objective() -> None:
    few = place_cuts(wedge(), PRINTER, [], "parts")
    even = place_cuts(wedge(), PRINTER, [], "longest")
    assert len(even) >= len(few) >= 1
    assert largest(wedge(), even) < 0.7 * largest(wedge(), few)


def test_a_seam_keeps_off_the_fine_face_when_that_is_the_objective() -> None:
    body = solid.box((0, 0, 0), (200, 80, 60))
    # A fine patch about the middle, where an even cut would pass.
    patch = trimesh.creation.box((30, 60, 1)).subdivide().subdivide()
    patch.apply_translation((100, 40, 60))
    (even,) = place_cuts(body, PRINTER, [], "parts")
    moved = place_cuts(body, PRINTER, [], "seam", fine=fine(patch))
    assert abs(even.at - 100) < 5
    assert crossed_length_mm(fine(patch), 0, even.at) > 100
    assert 1 <= len(moved) <= 2
    assert all(crossed_length_mm(fine(patch), cut.axis, cut.at) == 0 for cut in moved)


def takes(piece: ms.Workpiece) -> list[tuple[float, float]]:
    """Grams and hours of each part, as `estimate` reckons them."""
    rows = ms.estimate(piece).record("estimate")["figures"]["parts"]
    return [(row["grams"], row["seconds"] / 3600) for row in rows]


@pytest.mark.parametrize("limit", ["most_grams", "most_hours"])
def test_no_part_takes_more_than_allowed(channelled: ms.Workpiece, limit: str) -> None:
    which = ["most_grams", "most_hours"].index(limit)
    whole = takes(ms.split(channelled))
    most = round(0.5 * max(taken[which] for taken in whole), 2)
    piece = ms.split(channelled, **{limit: most})
    parts = takes(piece)
    assert len(parts) > len(whole)
    assert max(taken[which] for taken in parts) <= most
    assert max(taken[which] for taken in parts) > 0.3 * most  # not far more cut up than needed
    assert not any(finding.code == "part-over-limit" for finding in piece.findings)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"most_grams": 1.0}, "most_grams = 1. Choose 5 to 20000 g"),
        ({"most_hours": 0.0}, "most_hours = 0. Choose 0.1 to 500 h"),
    ],
)
def test_limits_out_of_range_are_refused(channelled: ms.Workpiece, wrong: Any, said: str) -> None:
    with pytest.raises(ms.BadParameter, match=said):
        ms.split(channelled, printer=SMALL, **wrong)


def test_a_limit_out_of_reach_names_the_least_that_can_be_kept() -> None:
    body = solid.box((0, 0, 0), (200, 200, 200))
    limits = PartLimits(ms.Printer(), ms.Filament(), most_grams=5.0)
    said = r"most_grams = 5: a body of 200 x 200 x 200 mm.*more than 64 parts. .* about \d+ g"
    with pytest.raises(ms.BadParameter, match=said):
        cut_within(body, limits, False, lambda most: None)
