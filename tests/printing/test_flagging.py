"""Overhangs and bridges of parts whose faces are known."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh

import moldsmith as ms
from moldsmith.geometry import solid
from moldsmith.stage import stage


def figures(mesh: trimesh.Trimesh, body: str = "cavity", **settings: Any) -> dict[str, Any]:
    piece = ms.Workpiece("calf", {body: mesh}).pipe(ms.overhangs, **settings)
    return piece.record("overhangs")["figures"]["parts"][0]


def gate(width_mm: float, turn_deg: float = 0.0) -> trimesh.Trimesh:
    """A block of 60 x 60 x 20 mm with a tunnel of that width and 10 mm height through it."""
    block = solid.box((-30, -30, 0), (30, 30, 20))
    tunnel = solid.box((-width_mm / 2, -50, -1), (width_mm / 2, 50, 10))
    turned = trimesh.transformations.rotation_matrix(np.radians(turn_deg), (0, 0, 1))
    return solid.to_mesh(solid.difference(block, solid.moved(tunnel, turned)))


def pocket(radius_mm: float, bore_mm: float = 0.0) -> trimesh.Trimesh:
    """A block with a round pocket from below and, above it, a narrower bore."""
    holes = [solid.frustum((0, 0, -1), (0, 0, 11), radius_mm, radius_mm, 64)]
    if bore_mm:
        holes.append(solid.frustum((0, 0, -1), (0, 0, 40), bore_mm, bore_mm, 64))
    return solid.to_mesh(solid.difference(solid.box((-30, -30, 0), (30, 30, 20)), *holes))


def ledge(reach_mm: float) -> trimesh.Trimesh:
    """A post with a shelf that stands out to one side, held on that side only."""
    post, shelf = solid.box((0, 0, 0), (10, 40, 20)), solid.box((9, 0, 15), (10 + reach_mm, 40, 20))
    return solid.to_mesh(solid.union(post, shelf))


@pytest.mark.parametrize("turn_deg", [0, 17, 40, 90])
def test_roof_of_a_narrow_tunnel_is_a_bridge_of_its_width(turn_deg: float) -> None:
    part = figures(gate(7, turn_deg))
    assert part["flagged_mm2"] == 0
    assert part["bridged_mm2"] > 7 * 59
    # The lines run along the open ends, slantwise where the tunnel runs slantwise.
    slant = np.radians(min(turn_deg, 90 - turn_deg))
    assert part["patches"][0]["bridge_span_mm"] == pytest.approx(7 / np.cos(slant), abs=0.01)


def test_roof_of_a_wide_tunnel_is_an_overhang_though_bridges_were_told_apart() -> None:
    part = figures(gate(12))
    assert part["flagged_mm2"] == pytest.approx(12 * 60, rel=1e-6)
    assert part["patches"][0]["bridge_span_mm"] is None
    assert figures(gate(12), bridge_mm=15.0)["flagged_mm2"] == 0


def test_a_long_narrow_roof_is_judged_by_its_span_and_not_by_its_area() -> None:
    # 8 x 60 = 480 mm2 is a bridge, 19 x 19 = 361 mm2 is none.
    assert figures(gate(8))["flagged_mm2"] == 0
    block, hole = solid.box((-30, -30, 0), (30, 30, 20)), solid.box((-9.5, -9.5, -1), (9.5, 9.5, 9))
    square = figures(solid.to_mesh(solid.difference(block, hole)))
    assert square["flagged_mm2"] == pytest.approx(361)


def test_a_shelf_held_on_one_side_is_no_bridge_however_short() -> None:
    part = figures(ledge(4))
    assert part["bridged_mm2"] == 0
    assert part["flagged_mm2"] == pytest.approx(4 * 40)
    assert part["patches"][0]["steepest_deg"] == pytest.approx(90)


def test_roof_of_a_round_pocket_is_a_bridge_up_to_its_diameter() -> None:
    assert figures(pocket(4.9))["patches"][0]["bridge_span_mm"] == pytest.approx(9.8, rel=0.01)
    assert figures(pocket(5.2))["patches"][0]["bridge_span_mm"] is None


def test_a_ring_whose_inner_edge_hangs_free_is_no_bridge() -> None:
    part = figures(pocket(4.9, bore_mm=2))
    assert part["bridged_mm2"] == 0
    assert part["flagged_mm2"] == pytest.approx(np.pi * (4.9**2 - 2**2), rel=0.01)


def test_patches_have_area_and_place_and_come_largest_first() -> None:
    post = solid.box((-5, -5, 0), (5, 5, 50))
    low, high = solid.box((-20, -20, 20), (20, 20, 25)), solid.box((-12, -12, 40), (12, 12, 45))
    part = figures(solid.to_mesh(solid.union(post, low, high)))
    areas = [patch["area_mm2"] for patch in part["patches"]]
    assert areas == pytest.approx([40 * 40 - 100, 24 * 24 - 100])
    assert part["patches"][0]["centre_in_print_pose_mm"] == pytest.approx([0, 0, 20], abs=0.01)
    assert part["patches"][1]["centre_in_print_pose_mm"] == pytest.approx([0, 0, 40], abs=0.01)
    assert part["flagged_mm2"] == pytest.approx(sum(areas))


def test_faces_within_a_quarter_layer_of_the_bed_rest_on_it() -> None:
    feet = solid.box((-20, -20, 0), (-10, 20, 10))
    for gap, flagged in ((0.04, 0.0), (0.06, 40.0 * 30)):
        table = solid.union(feet, solid.box((-10.001, -20, gap), (20, 20, 10)))
        assert figures(solid.to_mesh(table))["flagged_mm2"] == pytest.approx(flagged, abs=0.1)


def test_without_split_a_core_is_judged_upside_down_and_on_the_bed() -> None:
    mushroom = solid.union(
        solid.frustum((0, 0, 100), (0, 0, 20), 8, 8, 32), solid.box((-30, -30, 120), (30, 30, 126))
    )
    mesh = solid.to_mesh(mushroom)
    assert figures(mesh, "core")["flagged_mm2"] == 0
    assert figures(mesh, "cavity")["flagged_mm2"] > 3000


def test_after_split_each_part_is_judged_in_its_own_print_pose() -> None:
    shelf = ledge(20)
    laid = np.array([[1, 0, 0, 0], [0, 0, -1, 0], [0, 1, 0, 0], [0, 0, 0, 1.0]])
    upright = np.eye(4)

    @stage
    def split(piece: ms.Workpiece) -> ms.Workpiece:
        parts = [("cavity-1", upright), ("cavity-2", laid)]
        return piece.note({"parts": [{"body": b, "pose": pose.tolist()} for b, pose in parts]})

    piece = ms.Workpiece("calf", {"cavity-1": shelf, "cavity-2": shelf}).pipe(split)
    first, second = piece.pipe(ms.overhangs).record("overhangs")["figures"]["parts"]
    assert (first["body"], second["body"]) == ("cavity-1", "cavity-2")
    assert first["flagged_mm2"] == pytest.approx(20 * 40)
    assert second["flagged_mm2"] == 0  # lying on its side it needs nothing


def test_findings_name_the_part_say_where_and_what_to_do() -> None:
    mesh = ledge(20)
    mesh.apply_translation((0, 0, 300))  # bodies are not on the bed before split
    piece = ms.Workpiece("calf", {"lid": mesh}).pipe(ms.overhangs)
    (finding,) = piece.findings
    assert (finding.code, finding.severity, finding.body) == ("overhang", "warning", "lid")
    assert finding.where == pytest.approx((20, 20, 315), abs=0.01)  # where the body is
    assert "z 15 mm in the print pose" in finding.message
    assert "Print support under it" in finding.message


def test_many_patches_make_few_findings_and_the_rest_are_summed_up() -> None:
    post = solid.box((0, 0, 0), (10, 10, 200))
    shelves = [solid.box((0, 0, z), (12 + z / 8, 10, z + 3)) for z in range(8, 190, 8)]
    piece = ms.Workpiece("calf", {"cavity": solid.to_mesh(solid.union(post, *shelves))})
    found = piece.pipe(ms.overhangs).findings
    assert [finding.code for finding in found] == ["overhang"] * 5 + ["more-overhangs"]
    assert found[-1].severity == "note"
    assert f"{len(shelves) - 5} more, smaller patches hang over air" in found[-1].message


def test_small_patches_count_in_the_total_but_are_no_warning() -> None:
    piece = ms.Workpiece("calf", {"cavity": ledge(0.4)}).pipe(ms.overhangs)  # 16 mm2
    part = piece.record("overhangs")["figures"]["parts"][0]
    assert part["flagged_mm2"] == pytest.approx(16, rel=1e-4)
    assert piece.findings == ()


def test_small_patches_that_add_up_are_summed_in_one_note() -> None:
    post = solid.box((0, 0, 0), (10, 40, 50))
    shelves = [solid.box((0, 0, z), (10.4, 40, z + 3)) for z in (10, 20, 30)]  # 16 mm2 each
    mesh = solid.to_mesh(solid.union(post, *shelves))
    (finding,) = ms.Workpiece("calf", {"cavity": mesh}).pipe(ms.overhangs).findings
    assert (finding.code, finding.severity) == ("more-overhangs", "note")
    assert "3 small patches hang over air, 48 mm2 in all" in finding.message


def test_coloured_ply_shows_the_lean_in_print_pose(tmp_path: Path) -> None:
    piece = ms.Workpiece("calf", {"core": ledge(20)}, folder=tmp_path).pipe(ms.overhangs)
    data = (tmp_path / "01-overhangs" / "core-overhangs.ply").read_bytes()
    read = trimesh.load_mesh(io.BytesIO(data), file_type="ply", process=False)
    assert len(read.faces) == len(piece.body("core").faces)
    assert read.bounds[0, 2] == pytest.approx(0, abs=1e-4)
    paint = read.visual.face_colors[:, :3].astype(int)
    resting = (read.triangles[:, :, 2].max(axis=1) < 0.05) & (read.face_normals[:, 2] < -0.9)
    level = (read.face_normals[:, 2] < -0.9) & ~resting
    rest = (read.face_normals[:, 2] > -0.1) | resting
    assert len(np.unique(paint[rest], axis=0)) == 1
    assert np.ptp(paint[rest][0]) < 12  # grey
    assert not level.any() or paint[level].sum(axis=1).min() > 500  # pale yellow


def test_bodies_stay_and_two_runs_are_equal() -> None:
    piece = ms.Workpiece("calf", {"cavity": gate(14, 20)})
    one, two = piece.pipe(ms.overhangs), piece.pipe(ms.overhangs)
    assert one.body("cavity") is piece.body("cavity")
    assert one.record("overhangs")["figures"] == two.record("overhangs")["figures"]
    assert one.record("overhangs")["attachments"] == two.record("overhangs")["attachments"]


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"limit_deg": 0}, r"limit_deg = 0.*20 to 80"),
        ({"limit_deg": float("nan")}, r"limit_deg = nan.*20 to 80"),
        ({"bridge_mm": -1}, r"bridge_mm = -1.*0 to 50"),
    ],
)
def test_values_out_of_range_are_refused(settings: dict[str, float], message: str) -> None:
    with pytest.raises(ms.BadParameter, match=message):
        figures(gate(8), **settings)


def test_a_piece_without_mold_bodies_is_told_what_makes_them() -> None:
    with pytest.raises(ms.BadParameter, match=r"no body 'cavity'.*Run block first"):
        ms.Workpiece("calf", {"pad": gate(8)}).pipe(ms.overhangs)


def test_no_bridges_are_told_apart_at_zero_span() -> None:
    assert figures(gate(8), bridge_mm=0)["bridged_mm2"] == 0
