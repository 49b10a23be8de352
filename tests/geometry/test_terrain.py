"""Sheets over the plane."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from moldsmith.geometry import solid
from moldsmith.geometry.terrain import outline_points, run_out, slab, triangulated, with_apron

OUTLINE = shapely.box(-50, -40, 50, 40)


def circle(radius: float, count: int = 90) -> np.ndarray:
    turn = 2 * np.pi * np.arange(count) / count
    return radius * np.stack([np.cos(turn), np.sin(turn)], axis=1)


def plan_area(points: np.ndarray, faces: np.ndarray) -> np.ndarray:
    a, b, c = (points[faces[:, k], :2] for k in range(3))
    return ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]) / 2


def test_outline_runs_anticlockwise_in_short_steps() -> None:
    ring = outline_points(OUTLINE, 6.0)
    assert shapely.Polygon(ring).exterior.is_ccw
    assert np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1).max() <= 6.0 + 1e-9


def test_region_between_two_rings_is_filled_with_short_edges_and_its_rings_kept() -> None:
    outer, hole = outline_points(OUTLINE, 6.0), circle(20)[::-1]
    points, faces = triangulated(outer, hole, 6.0)
    assert np.array_equal(points[: len(outer) + len(hole)], np.concatenate([outer, hole]))
    area = plan_area(points, faces)
    assert (area > -1e-9).all()
    assert area.sum() == pytest.approx(100 * 80 - shapely.Polygon(hole).area)
    edges = points[faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)]
    assert np.linalg.norm(edges[:, 0] - edges[:, 1], axis=1).max() <= 6.0 + 1e-9


def test_heights_run_out_from_the_loop_and_never_beyond_its_own() -> None:
    plan = circle(20)
    loop = np.column_stack([plan, 5 * np.sin(2 * np.arctan2(plan[:, 1], plan[:, 0]))])
    assert run_out(plan + 1e-9, loop) == pytest.approx(loop[:, 2], abs=0.01)
    far = circle(60, 40)
    assert np.abs(run_out(far, loop)).max() < 0.5 * 5  # flatter the farther out
    level = loop * [1, 1, 0] + [0, 0, 7]
    assert run_out(far, level) == pytest.approx(7)


def test_slab_has_the_regions_area_times_its_thickness() -> None:
    points, faces = triangulated(outline_points(OUTLINE, 6.0), circle(20)[::-1], 6.0)
    bent = np.column_stack([points, 0.1 * points[:, 0] + 3 * np.sin(points[:, 1] / 9)])
    body = slab(bent, faces, -1.0, 2.5)
    assert solid.volume_mm3(body) == pytest.approx(3.5 * plan_area(points, faces).sum())


def test_apron_widens_a_sheet_to_all_sides_by_its_width() -> None:
    outer = outline_points(OUTLINE, 6.0)
    points, faces = triangulated(outer, None, 6.0)
    wide, more = with_apron(np.column_stack([points, 0 * points[:, 0]]), faces, len(outer), 2.0)
    area = plan_area(wide, more)
    assert (area > -1e-9).all()
    assert area.sum() == pytest.approx(104 * 84)
