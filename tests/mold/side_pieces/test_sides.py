"""Molds of side pieces round a core, on made sleeves and caps, measured on their files."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import manifold3d
import numpy as np
import pytest
import shapely
import trimesh

import moldsmith as ms
import sleeves
from checks import directed_edge_faults, distance_to, solid
from moldsmith.errors import BadParameter, CannotBuild
from moldsmith.geometry.topology import border_loops
from shapes import patched
from side_checks import SideRun

MADE: dict[str, tuple[trimesh.Trimesh, dict[str, Any]]] = {
    "barrel": (sleeves.barrel(6.0), {}),
    "calf": (sleeves.calf(6.0), {"side": "outward"}),
    "bent-tube": (sleeves.bent_tube(6.0), {}),
    "deep-cap": (sleeves.deep_cap(), {"side": "outward"}),
    "five-lobes": (sleeves.lobed(5, 11.0, 4.0), {"thickness_mm": 4}),
}


@cache
def padded(name: str, folder: Path | None = None) -> ms.Workpiece:
    mesh, settings = MADE[name]
    piece = ms.Workpiece(name, {"scan": mesh}, folder=folder)
    wanted = {"thickness_mm": 6, "taper_mm": 15, "cell_mm": 3.5, **settings}
    return ms.shell(piece, **wanted)


@pytest.fixture(scope="module", params=list(MADE))
def run(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> SideRun:
    folder = tmp_path_factory.mktemp(request.param) / request.param
    ms.block(padded(request.param, folder), style="pieces")
    return SideRun(folder)


def test_sleeve_is_shelled_into_a_closed_tube_with_two_trim_lines() -> None:
    piece = padded("barrel")
    pad = piece.body("pad")
    assert directed_edge_faults(pad) == 0
    assert pad.euler_number == 0  # a tube
    scanned = piece.record("shell")["figures"]["scanned_face_triangles"]
    assert len(border_loops(np.asarray(pad.faces[:scanned]))) == 2


def test_bodies_are_closed_oriented_and_of_one_part(run: SideRun) -> None:
    assert run.faulty_bodies() == []


def test_bodies_share_nothing(run: SideRun) -> None:
    assert run.overlaps() == []


def test_bodies_and_void_fill_the_block(run: SideRun) -> None:
    """But for the clearance of the keys, and what was relieved."""
    assert abs(run.lost_mm3()) < 5e-4 * run.pad.volume()


def test_void_holds_as_much_as_the_pad(run: SideRun) -> None:
    assert run.void_mm3 == pytest.approx(run.pad.volume(), rel=5e-3)


def test_bodies_leave_one_after_another_without_touching(run: SideRun) -> None:
    assert [step["body"] for step in run.opening][-1] == "core"
    assert max(step["penetration_mm"] for step in run.opening) <= 0.01
    assert run.stuck() == []


def test_casting_gives_way_by_no_more_than_permitted(run: SideRun) -> None:
    permitted = run.log("block")["parameters"]["permitted_undercut_mm"]
    assert run.casting_held_mm() <= permitted
    assert run.figures("block")["held_mm"] <= permitted


def test_every_key_is_the_clearance_away_from_its_socket(run: SideRun) -> None:
    joints = run.figures("block")["joints"]
    assert {joint["kind"] for joint in joints} == {"curtain", "print"}
    assert run.badly_keyed() == []


def test_every_body_stands_flat(run: SideRun) -> None:
    for body in run.closed.values():
        foot = body.slice(0.01).area()
        assert body.bounding_box()[2] == pytest.approx(0, abs=1e-3)
        assert foot > 500


def test_round_sleeves_take_two_sides_and_lobed_ones_more(run: SideRun) -> None:
    wanted = 3 if run.folder.name == "five-lobes" else 2
    assert run.figures("block")["sides"] == wanted


def test_core_of_a_straight_taper_needs_no_stretch() -> None:
    piece = ms.block(padded("calf"), style="pieces")
    stretch = {s["body"]: s.get("casting_stretch_percent") for s in
               piece.record("block")["figures"]["opening"]}  # fmt: skip
    assert stretch["core"] > 15  # an hourglass does
    codes = [finding.code for finding in piece.findings]
    assert "stretch-off-core" in codes


def test_too_few_sides_are_refused_with_place_picture_and_number(tmp_path: Path) -> None:
    piece = padded("five-lobes", tmp_path / "lobes")
    with pytest.raises(CannotBuild, match=r"2 side pieces do not release the pad: it is held \d"
                                          r".*at x -?\d+, y -?\d+, z \d+.*pieces = 3"):  # fmt: skip
        ms.block(piece, style="pieces", pieces=2)
    picture = next((tmp_path / "lobes").glob("*-block/failed-held.png"))
    assert picture.read_bytes().startswith(b"\x89PNG")
    log = (picture.parent / "failed.json").read_text(encoding="utf-8")
    place = np.array([float(part.split()[1].rstrip(",")) for part in
                      log.split(" at ")[1].split(" (")[0].split(", ")])  # fmt: skip
    gap, _ = distance_to(MADE["five-lobes"][0], place[None])
    ms.block(piece, style="pieces")
    assert not picture.exists()  # it told of what is no longer so
    assert gap[0] < 15  # told in the scan's own coordinates: on the pad or the print beyond it


def test_number_of_sides_can_be_asked_for() -> None:
    piece = ms.block(padded("barrel"), style="pieces", pieces=4)
    figures = piece.record("block")["figures"]
    assert figures["mold_bodies"] == ["side-1", "side-2", "side-3", "side-4", "core"]
    assert max(step["penetration_mm"] for step in figures["opening"]) <= 0.01


def test_side_pieces_stand_off_each_other_by_the_gap_asked_for() -> None:
    piece = ms.block(padded("barrel"), style="pieces", parting_gap_mm=0.3)
    one, other = (solid(piece.body(name)) for name in ("side-1", "side-2"))
    for height in (20.0, 72.0):  # between the keys
        plans = [
            shapely.union_all([shapely.Polygon(ring) for ring in body.slice(height).to_polygons()])
            for body in (one, other)
        ]
        assert plans[0].distance(plans[1]) == pytest.approx(0.3, abs=0.02)
    assert piece.record("block")["figures"]["parting_gap_mm"] == 0.3


def test_channels_reach_the_void_from_the_top_and_split_keeps_the_keys() -> None:
    piece = ms.channels(ms.block(padded("barrel"), style="pieces"))
    figures = piece.record("channels")["figures"]
    top = max(piece.body(name).bounds[1, 2] for name in ("side-1", "side-2", "core"))
    pad = solid(piece.body("pad"))
    bodies = [solid(piece.body(name)) for name in ("side-1", "side-2", "core")]
    for bore in (*figures["sprues"], *figures["vents"]):
        assert bore["outside_z"] == pytest.approx(top, abs=0.01)
        radius = bore["void_mm"] / 2 - 0.05
        rod = manifold3d.Manifold.cylinder(top + 2 - bore["void_z"], radius, radius, 32)
        rod = rod.translate((bore["x"], bore["y"], bore["void_z"]))
        assert (rod ^ pad).volume() > 1
        above = rod.trim_by_plane((0, 0, 1), bore["ceiling_z"] + 0.01)
        assert sum((above ^ body).volume() for body in bodies) < 0.05
    parts = ms.split(piece, printer=ms.Printer(volume_mm=(120, 120, 100)))
    joints = parts.record("split")["figures"]["joints"]
    pegs = sum(len(joint["pegs"]) for joint in joints if joint["kind"] in ("curtain", "print"))
    made = piece.record("block")["figures"]["joints"]
    assert pegs == sum(len(joint["pegs"]) for joint in made)
    assert all(parts.body(joint["low"]) is not None for joint in joints)


@pytest.mark.parametrize(
    ("settings", "match"),
    [
        ({"pieces": 1}, r"pieces = 1.*Choose 2 to 6"),
        ({"pieces": 7}, r"pieces = 7.*Choose 2 to 6"),
        ({"permitted_undercut_mm": 0}, "permitted_undercut_mm = 0.*Choose 0.1 to 20"),
        ({"parting_gap_mm": 1}, "parting_gap_mm = 1.*Choose 0 to 0.5"),
        ({"pull": (0, 0, 0)}, "pull = .*not all 0"),
        ({"block_out": True}, "block_out = true with style 'pieces'.*more pieces"),
    ],
)
def test_numbers_out_of_range_are_refused(settings: dict[str, Any], match: str) -> None:
    with pytest.raises(BadParameter, match=match):
        ms.block(padded("deep-cap"), style="pieces", **settings)


def test_pad_with_three_trim_lines_is_refused() -> None:
    tube = sleeves.barrel(4.0)
    middle = tube.triangles_center
    holed = tube.submesh([np.linalg.norm(middle - [48, 0, 60], axis=1) > 15], append=True)
    piece = ms.shell(patched(holed), thickness_mm=5, taper_mm=8, cell_mm=2.5)
    with pytest.raises(CannotBuild, match=r"3 trim lines.*Fill the holes in heal"):
        ms.block(piece, style="pieces")
