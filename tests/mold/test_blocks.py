"""Cavity, core and lid enclose the pad and nothing else."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely
import trimesh
from hills import belly, padded

import moldsmith as ms
from moldsmith.geometry import solid
from moldsmith.geometry.visibility import grid_over, highest, lowest


def volume_between(one: trimesh.Trimesh, other: trimesh.Trimesh) -> float:
    return solid.volume_mm3(solid.intersection(solid.from_mesh(one), solid.from_mesh(other)))


def outer_block(piece: ms.Workpiece) -> float:
    """Volume of the whole block: its outline times its height."""
    outline = shapely.Polygon(piece.record("block")["figures"]["outline_plan"])
    bounds = [body.bounds for name, body in piece.bodies.items() if name in BODIES]
    return float(outline.area * (np.max(bounds, axis=0)[1, 2] - np.min(bounds, axis=0)[0, 2]))


BODIES = ("cavity", "core", "lid")


@pytest.mark.parametrize("side", ["inward", "outward"])
@pytest.mark.parametrize("outer", ["rectangle", "outline"])
def test_cavity_core_and_pad_fill_the_block_and_do_not_overlap(side: str, outer: str) -> None:
    piece = ms.block(padded(belly(), side), style="cored", outer=outer, relief_mm=0)
    cavity, core, pad = (piece.body(name) for name in ("cavity", "core", "pad"))
    together = cavity.volume + core.volume + pad.volume
    assert together == pytest.approx(outer_block(piece), rel=1e-4)
    for one, other in ((cavity, core), (cavity, pad), (core, pad)):
        assert volume_between(one, other) < 1e-4 * pad.volume


def test_cavity_lid_and_pad_fill_the_block_and_do_not_overlap(lidded: ms.Workpiece) -> None:
    cavity, lid, pad = (lidded.body(name) for name in ("cavity", "lid", "pad"))
    together = cavity.volume + lid.volume + pad.volume
    assert together == pytest.approx(outer_block(lidded), rel=1e-4)
    assert volume_between(cavity, lid) < 1e-3
    assert volume_between(lid, pad) < 1e-3
    assert volume_between(cavity, pad) < 1e-4 * pad.volume


def test_void_of_the_closed_mold_is_the_pad(cored: ms.Workpiece) -> None:
    """Outline times height, less the bodies and less what the relief leaves open."""
    plain = ms.block(padded(belly()), style="cored", relief_mm=0)
    void = outer_block(plain) - plain.body("cavity").volume - plain.body("core").volume
    assert void == pytest.approx(plain.body("pad").volume, rel=0.005)
    assert cored.record("block")["figures"]["void_cm3"] * 1000 == pytest.approx(void, rel=0.005)


def test_back_of_a_lidded_pad_is_flat_and_lies_under_the_lid(lidded: ms.Workpiece) -> None:
    pad, lid = lidded.body("pad"), lidded.body("lid")
    grid = grid_over(pad.bounds[0, :2], pad.bounds[1, :2], 2.0)
    top = highest(pad.vertices, pad.faces, grid)
    assert np.ptp(top[np.isfinite(top)]) < 1e-3
    assert lid.bounds[0, 2] == pytest.approx(pad.bounds[1, 2], abs=1e-3)
    assert "flat-back" in [finding.code for finding in lidded.findings]


def test_bodies_are_closed_and_the_cavity_stands_on_the_bed(
    cored: ms.Workpiece, lidded: ms.Workpiece
) -> None:
    for piece in (cored, lidded):
        for name in set(BODIES) & set(piece.bodies):
            body = piece.body(name)
            assert body.is_watertight, name
            assert body.is_winding_consistent, name
            assert body.body_count == 1, name
        assert piece.body("cavity").bounds[0, 2] == pytest.approx(0, abs=1e-4)
        assert piece.frame.pull == (0, 0, 1)


def test_stops_hold_the_core_exactly_the_relief_off_the_flange(cored: ms.Workpiece) -> None:
    figures = cored.record("block")["figures"]
    cavity, core = cored.body("cavity"), cored.body("core")
    assert len(figures["stops"]) >= 3
    shadow = shapely.union_all(solid.silhouette(solid.from_mesh(cored.body("pad"))))
    outline = shapely.Polygon(figures["outline_plan"])
    grid = grid_over(cavity.bounds[0, :2], cavity.bounds[1, :2], 1.0)
    gap = lowest(core.vertices, core.faces, grid) - highest(cavity.vertices, cavity.faces, grid)
    places = grid.places(np.arange(gap.size))
    gap = gap.ravel()
    spots = shapely.points(places)
    from_stops = np.linalg.norm(places[:, None] - np.array(figures["stops"]), axis=2).min(axis=1)
    off = shapely.distance(shapely.Polygon(figures["trim_plan"]).union(shadow), spots)
    inside = shapely.contains(outline.buffer(-1.5), spots)
    relieved = inside & (off > figures["land_mm"] + 1.5) & (from_stops > 6.5)
    resting = inside & (from_stops < 4)
    assert relieved.sum() > 500
    assert gap[relieved] == pytest.approx(figures["relief_mm"], abs=0.02)
    assert np.abs(gap[resting]).max() < 0.02
    land = inside & (off > 0.5) & (off < figures["land_mm"] - 1.5)
    assert np.abs(gap[land]).max() < 0.02


def test_outline_takes_less_filament_and_keeps_the_flange(pad: ms.Workpiece) -> None:
    square = ms.block(pad, outer="rectangle")
    follows = ms.block(pad, outer="outline")
    assert follows.body("cavity").volume < square.body("cavity").volume
    shadow = shapely.union_all(solid.silhouette(solid.from_mesh(follows.body("pad"))))
    outline = shapely.Polygon(follows.record("block")["figures"]["outline_plan"])
    assert outline.buffer(0.5).contains(shadow.buffer(24))
    low_x, low_y, high_x, high_y = shapely.Polygon(
        square.record("block")["figures"]["outline_plan"]
    ).bounds
    x0, y0, x1, y1 = shapely.union_all(solid.silhouette(solid.from_mesh(square.body("pad")))).bounds
    assert [x0 - low_x, y0 - low_y, high_x - x1, high_y - y1] == pytest.approx([24] * 4, abs=0.01)


def test_floor_and_top_are_as_thick_as_asked(pad: ms.Workpiece) -> None:
    piece = ms.block(pad, floor_mm=9, wall_mm=6)
    cavity, core, void = (piece.body(name) for name in ("cavity", "core", "pad"))
    assert void.bounds[0, 2] == pytest.approx(9, abs=0.01)
    assert core.bounds[1, 2] - max(void.bounds[1, 2], cavity.bounds[1, 2]) > 9 - 0.01


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"style": "folded"}, "style = 'folded'. Choose 'lidded', 'cored' or 'pieces'"),
        ({"outer": "round"}, "outer = 'round'"),
        ({"wall_mm": 0.4}, "wall_mm = 0.4. Choose 1.2"),
        ({"floor_mm": 3}, "floor_mm = 3: the block would be thinner than its wall of 6 mm"),
        ({"flange_mm": 4}, "flange_mm = 4: the block would be thinner than its wall of 6 mm"),
        ({"land_mm": 30}, "land_mm = 30. Choose 2 to 24 mm"),
        ({"relief_mm": 5}, "relief_mm = 5. Choose 0 to 2 mm"),
        ({"pull": (0, 0, 0)}, "not all 0"),
    ],
)
def test_sizes_out_of_range_are_refused(pad: ms.Workpiece, wrong: Any, said: str) -> None:
    with pytest.raises(ms.BadParameter, match=said):
        ms.block(pad, **wrong)
