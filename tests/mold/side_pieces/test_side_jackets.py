"""Side pieces and core as jackets: a wall, flanges, ribs and a hollow core in place of a block."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import manifold3d
import numpy as np
import pytest
import shapely
import trimesh

import checks
import moldsmith as ms
import sleeves
from moldsmith.mold.jackets.rings import ring_deflection_mm
from side_checks import SideRun

WALL_MM = 5.0
FLANGE_MM = 14.0


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("calf") / "calf"


@pytest.fixture(scope="module")
def pad(folder: Path) -> ms.Workpiece:
    piece = ms.Workpiece("calf", {"scan": sleeves.calf(7.0)}, folder=folder)
    return ms.shell(piece, thickness_mm=6, taper_mm=15, cell_mm=4.5, side="outward")


@pytest.fixture(scope="module")
def block(pad: ms.Workpiece) -> ms.Workpiece:
    whole = ms.Workpiece(pad.name, pad.bodies, pad.frame, pad.records)
    return ms.block(whole, style="pieces", outer="outline", wall_mm=WALL_MM)


@pytest.fixture(scope="module")
def jacket(pad: ms.Workpiece) -> ms.Workpiece:
    return ms.block(pad, style="pieces", outer="jacket", wall_mm=WALL_MM)


@pytest.fixture(scope="module")
def run(jacket: ms.Workpiece, folder: Path) -> SideRun:
    return SideRun(folder)


@pytest.fixture(scope="module")
def finished(jacket: ms.Workpiece) -> ms.Workpiece:
    return ms.fasten(ms.channels(jacket), bolts="M5")


def figures(piece: ms.Workpiece) -> Any:
    return piece.record("block")["figures"]["jacket"]


def test_hollows_keep_the_wall_from_void_and_prints(
    block: ms.Workpiece, jacket: ms.Workpiece
) -> None:
    """The block less the jacket is what was hollowed out: sampled inside the block, since the
    difference of two that share faces has films on them."""
    for name in ("side-1", "side-2", "core"):
        whole = checks.solid(block.body(name))
        hollow = whole - checks.solid(jacket.body(name))
        assert hollow.volume() > 0.3 * whole.volume(), name
        mesh = hollow.to_mesh64()
        skin = trimesh.Trimesh(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts))
        points = np.asarray(trimesh.sample.sample_surface(skin, 3000, seed=3)[0])
        inner = points[checks.distance_to(block.body(name), points)[0] > 0.01]
        away = checks.distance_to(jacket.body("pad"), inner)[0]
        assert len(inner) > 500, name
        assert away.min() >= WALL_MM - 1e-2, name


def test_working_faces_are_those_of_the_block(block: ms.Workpiece, jacket: ms.Workpiece) -> None:
    for name in ("side-1", "side-2", "core"):
        more = checks.solid(jacket.body(name)) - checks.solid(block.body(name))
        assert more.volume() < 1.0, name
    assert jacket.body("pad").volume == pytest.approx(block.body("pad").volume)


def test_bodies_are_whole_share_nothing_and_enclose_the_void(run: SideRun) -> None:
    assert run.faulty_bodies() == []
    assert run.overlaps() == []
    assert run.thin_walls(WALL_MM) == []
    assert abs(run.lost_mm3()) < 5e-4 * run.pad.volume()
    assert run.void_mm3 == pytest.approx(run.pad.volume(), rel=5e-3)


def test_bodies_leave_as_those_of_the_block_do(run: SideRun, block: ms.Workpiece) -> None:
    assert run.stuck() == []
    assert max(step["penetration_mm"] for step in run.opening) <= 0.01
    before = block.record("block")["figures"]["opening"]
    for step, other in zip(run.opening, before, strict=True):
        assert step["body"] == other["body"]
        assert step["casting_mm"] == pytest.approx(other["casting_mm"], abs=0.01)


def test_keys_stand_in_the_flanges_and_fit(run: SideRun) -> None:
    joints = run.figures("block")["joints"]
    assert [len(joint["pegs"]) for joint in joints] == [2, 2, 2]
    assert run.badly_keyed() == []
    for joint in joints:  # full material 3 mm round the sockets
        held = checks.solid(run.body(joint["high"], "block"))
        for peg in joint["pegs"]:
            wall = checks.frustum(peg, 2.0, peg["length_mm"], 2.5)
            wall = wall - checks.frustum(peg, 0.0, peg["length_mm"] + 1, 0.5)
            assert (wall ^ held).volume() == pytest.approx(wall.volume(), rel=0.02)


def test_nothing_hangs_over_air_that_does_not_on_the_block(
    block: ms.Workpiece, jacket: ms.Workpiece
) -> None:
    flagged = [
        [row["flagged_mm2"] for row in ms.overhangs(piece).record("overhangs")["figures"]["parts"]]
        for piece in (block, jacket)
    ]
    assert (np.array(flagged[1]) <= np.array(flagged[0]) + 1).all()


def test_bodies_stand_flat_on_feet_all_round_their_weight(jacket: ms.Workpiece) -> None:
    for row in figures(jacket)["bodies"]:
        body = jacket.body(row["body"])
        corners = body.vertices[body.faces][:, :, 2]
        standing = body.area_faces[(np.abs(corners) < 1e-3).all(axis=1)].sum()
        assert standing == pytest.approx(row["on_the_bed_mm2"], rel=0.02)
        feet = body.vertices[np.abs(body.vertices[:, 2]) < 1e-3][:, :2]
        hull = shapely.MultiPoint(feet).convex_hull
        assert hull.buffer(-8).contains(shapely.Point(body.center_mass[:2]))


def test_grams_are_those_of_the_bodies_and_less_than_the_block_s(
    block: ms.Workpiece, jacket: ms.Workpiece
) -> None:
    for row in figures(jacket)["bodies"]:
        for key, piece in (("solid_g", jacket), ("block_solid_g", block)):
            # PLA of 1.24 g/cm3.
            wanted = piece.body(row["body"]).volume / 1000 * 1.24
            assert row[key] == pytest.approx(wanted, rel=2e-3)
        assert row["printed_g"] < row["block_printed_g"]
        assert 0 < row["stiffness_kept"] <= 1
    assert figures(jacket)["saved_percent"] > 50


def funnel(bore: Any) -> checks.Solid:
    """Room that a funnel takes of the wall round its bore."""
    mouth, top = max(bore["outside_mm"], bore["funnel_mm"]) / 2 + 0.3, bore["outside_z"]
    return manifold3d.Manifold.cylinder(mouth, 0.0, mouth, 48).translate(
        (bore["x"], bore["y"], top - mouth)
    )


def test_bores_bolts_and_slots_find_full_material(
    finished: ms.Workpiece, block: ms.Workpiece
) -> None:
    record = finished.record("channels")["figures"]
    drilled = checks.union(*(checks.solid(finished.body(n)) for n in ("side-1", "side-2", "core")))
    whole = checks.union(*(checks.solid(block.body(n)) for n in ("side-1", "side-2", "core")))
    for bore in (*record["sprues"], *record["vents"]):
        mouth, top = max(bore["outside_mm"], bore["funnel_mm"]) / 2, bore["outside_z"]
        for low, one, two in (
            (bore["void_z"], bore["void_mm"] / 2, bore["outside_mm"] / 2),
            (top - 0.3, mouth, mouth),
        ):
            rod, hole = (
                manifold3d.Manifold.cylinder(top - low, one + more, two + more, 48).translate(
                    (bore["x"], bore["y"], low)
                )
                for more in (2.2, 0.3)
            )
            wall = (rod - hole) ^ whole - funnel(bore)  # as much of it as the block would have
            assert (wall ^ drilled).volume() == pytest.approx(wall.volume(), rel=5e-3)
    for name in ("side-1", "side-2", "core"):
        assert finished.body(name).is_watertight
        assert finished.body(name).body_count == 1
    fastened = finished.record("fasten")["figures"]
    assert len(fastened["bolts"]) >= 4
    assert all(bolt["thick_mm"] >= 4 for bolt in fastened["bolts"])
    assert len(fastened["pry_slots"]) >= 2


def test_parts_are_whole_and_add_up(finished: ms.Workpiece) -> None:
    parts = ms.split(finished, printer=ms.Printer(volume_mm=(130, 130, 90)), labels="none")
    record = parts.record("split")["figures"]
    for row in record["parts"]:
        assert parts.body(row["body"]).is_watertight
        assert parts.body(row["body"]).body_count == 1
    for name in ("side-1", "side-2", "core"):
        added = sum(parts.body(r["body"]).volume for r in record["parts"] if r["of"] == name)
        more = 0.0 if not record["filled"][name] else np.inf  # full again round the cuts' keys
        missing = finished.body(name).volume - added
        assert -more - 1 <= missing <= 2e-3 * finished.body(name).volume
    keyed = [joint for joint in record["joints"] if joint["kind"] == "cut"]
    assert all(joint["pegs"] for joint in keyed)


@pytest.fixture(scope="module")
def narrow() -> ms.Workpiece:
    piece = ms.Workpiece("finger", {"scan": sleeves.tube(lambda _, z: 26 + 0 * z, 60, step=8)})
    return ms.shell(piece, thickness_mm=5, taper_mm=10, cell_mm=5)


def test_names_stand_on_plates_before_the_wall(jacket: ms.Workpiece) -> None:
    parts = ms.split(jacket, printer=ms.Printer(volume_mm=(250, 250, 250)))
    pad = checks.solid(jacket.body("pad"))
    for row in parts.record("split")["figures"]["parts"][:2]:
        label = row["label"]
        assert label["text"] == row["body"]
        assert label["arrow"] == "up"
        assert abs(label["normal"][2]) < 1e-6
        letters = checks.solid(jacket.body(row["body"])) - checks.solid(parts.body(row["body"]))
        assert letters.volume() == pytest.approx(-label["volume_mm3"], rel=0.05)
        assert letters.min_gap(pad, 20.0) >= WALL_MM


def test_core_too_narrow_to_save_by_a_hollow_stays_solid(narrow: ms.Workpiece) -> None:
    piece = ms.block(narrow, style="pieces", outer="jacket", wall_mm=9, floor_mm=9)
    *sides, core = figures(piece)["bodies"]
    assert core["cells"] == 0
    assert core["solid_g"] == core["block_solid_g"]
    assert all(row["cells"] > 0 for row in sides)


def test_what_gives_way_is_named(narrow: ms.Workpiece) -> None:
    soft = ms.block(
        narrow, style="pieces", outer="jacket", wall_mm=1.5, pressure_kpa=400, bend_limit_mm=0.05
    )
    assert {"jacket-wall-bends", "jacket-bends"} <= {item.code for item in soft.findings}


def test_ring_gives_way_as_the_closed_form_of_a_slightly_oval_one() -> None:
    """w = p e R^3 / (3 E I) for r = R + e cos 2t, I = t^3 / 12.

    By w'' + w = -M R^2 / (E I), M = p R e cos 2t (Timoshenko and Gere, Theory of Elastic
    Stability, chapter 7).
    """
    turn = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    reach = 60 + 0.2 * np.cos(2 * turn)
    ring = reach[:, None] * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    found = ring_deflection_mm(ring, np.full(720, 6.0), 12.0, 2000.0)
    assert found == pytest.approx(0.012 * 0.2 * 60**3 / (3 * 2000 * 6**3 / 12), rel=0.01)
    round_one = 60 * ring / reach[:, None] + [30, 5]
    assert ring_deflection_mm(round_one, np.full(720, 6.0), 12.0, 2000.0) < 1e-9
