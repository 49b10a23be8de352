"""What is always true of a finished run, held against a sleeve and a deep cap off a real body.

A calf sleeve goes all round the leg, its mold as jackets; a shoulder cap goes round the arm
past its middle, so that no straight pull releases it, its mold as blocks.
"""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh

import checks
import moldsmith as ms
from bodies import Plane, human, spoiled
from moldsmith.mold.enclosing import Outer
from side_checks import SideRun

STATURE_MM = 1780.0
PRINTER = ms.Printer(volume_mm=(220, 220, 180))
LEAN_DEG = 25.0  # of a cap's ends: its top reaches farther than its rim
TRIANGLE_MM = 5.0
MARGIN_MM = 40.0  # of the limb beyond the crop
OUTERS: dict[str, Outer] = {"calf": "jacket", "shoulder": "rectangle"}
WALL_MM = 6.0


def calf_planes(body: trimesh.Trimesh) -> list[Plane]:
    """Planes that leave the left calf's middle."""
    low, high = (share * float(np.ptp(body.vertices[:, 2])) for share in (0.10, 0.205))
    return [
        ((0.0, 0.0, low), (0.0, 0.0, 1.0)),
        ((0.0, 0.0, high), (0.0, 0.0, -1.0)),
        ((10.0, 0.0, 0.0), (1.0, 0.0, 0.0)),
    ]


def shoulder_planes(body: trimesh.Trimesh) -> list[Plane]:
    """Planes that leave the left shoulder's cap, to 12 mm under the middle of the arm."""
    joints = body.metadata["joints_mm"]
    shoulder, elbow = joints["l-shoulder"], joints["l-elbow"]
    along = (elbow - shoulder) / np.linalg.norm(elbow - shoulder)
    up = np.array([0.0, 0.0, 1.0]) - along[2] * along
    up /= np.linalg.norm(up)
    level, rise = np.cos(np.radians(LEAN_DEG)), np.sin(np.radians(LEAN_DEG))
    cuts = [
        (shoulder - 0.12 * (elbow - shoulder), level * along + rise * up),
        (shoulder + 0.5 * (elbow - shoulder), -level * along + rise * up),
        (shoulder + 0.3 * (elbow - shoulder) - 12 * up, up),
    ]
    return [(tuple(map(float, place)), tuple(map(float, way))) for place, way in cuts]  # type: ignore[misc]


@pytest.fixture(scope="module", params=OUTERS)
def patch(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> ms.Workpiece:
    folder = tmp_path_factory.mktemp("wearer")
    body = human(STATURE_MM)
    planes = {"calf": calf_planes, "shoulder": shoulder_planes}[request.param](body)
    scan = spoiled(body, dense=planes, dense_mm=5.0, noise_mm=0.25, holes=0, fragments=0)
    seen = np.min([(scan.triangles_center - at) @ way for at, way in planes], axis=0) > -MARGIN_MM
    scan = scan.submesh([np.flatnonzero(seen)], append=True)  # a scan of the limb alone
    scan.export(folder / "scan.ply", encoding="binary")
    piece = ms.load_scan(folder / "scan.ply", name=request.param, folder=folder, unit="mm")
    return ms.crop(ms.heal(piece), planes=planes)


@pytest.fixture(scope="module")
def run(patch: ms.Workpiece) -> SideRun:
    piece = ms.shell(patch, thickness_mm=7, taper_mm=20, cell_mm=2.5)
    piece = ms.block(piece, style="pieces", outer=OUTERS[patch.name], wall_mm=WALL_MM)
    piece = ms.fasten(ms.channels(piece))
    ms.split(piece, printer=PRINTER, labels="none")
    assert patch.folder
    return SideRun(patch.folder)


@pytest.fixture(scope="module")
def fine(patch: ms.Workpiece) -> SideRun:
    assert patch.folder
    folder = patch.folder.with_name(f"{patch.folder.name}-fine")
    for done in sorted(patch.folder.glob("0[123]-*")):  # the measures read them
        shutil.copytree(done, folder / done.name)
    piece = ms.shell(replace(patch, folder=folder), thickness_mm=7, taper_mm=20, cell_mm=1)
    ms.block(piece, style="pieces")
    return SideRun(folder)


def test_pad_is_a_sleeve_or_a_deep_cap(run: SideRun) -> None:
    log = run.log("crop")
    assert len(log["figures"]["borders"]) == {"calf": 2, "shoulder": 1}[log["piece"]]


def test_every_part_is_closed_oriented_and_of_one_piece(run: SideRun) -> None:
    assert run.faulty_bodies() == []
    assert run.faulty_parts() == []


def test_every_part_lies_on_the_bed_and_inside_the_printer(run: SideRun) -> None:
    assert run.off_the_bed(np.array(PRINTER.volume_mm)) == []


def test_parts_of_a_body_add_up_to_it(run: SideRun) -> None:
    assert run.sums_that_differ() == []


def test_bodies_share_nothing_and_fill_the_block(run: SideRun) -> None:
    assert run.overlaps() == []
    assert abs(run.lost_mm3()) < 1e-3 * run.pad.volume()


def test_jackets_keep_their_wall_all_over_and_save_filament(run: SideRun) -> None:
    told = run.figures("block").get("jacket")
    assert (told is None) == (run.log("block")["piece"] == "shoulder")
    if told:
        assert [row["body"] for row in told["bodies"]] == run.names
        assert all(row["wall_mm"] >= WALL_MM for row in told["bodies"])
        assert run.thin_walls(WALL_MM) == []
        assert told["saved_percent"] > 40


def test_core_and_sides_stay_the_asked_thickness_apart(fine: SideRun) -> None:
    error, rim = fine.gap_errors()
    away = rim > fine.log("shell")["parameters"]["taper_mm"] + TRIANGLE_MM
    assert away.sum() > 800
    assert (np.abs(error) <= 0.1).mean() >= 0.95
    assert np.abs(error[away]).max() <= 0.3


def test_void_holds_as_much_as_the_pad(run: SideRun) -> None:
    assert run.void_mm3 == pytest.approx(run.pad.volume(), rel=5e-3)


def test_every_air_pocket_has_a_vent_or_a_finding(run: SideRun) -> None:
    assert checks.unvented(run) == []


def test_every_key_is_the_clearance_away_from_its_socket(run: SideRun) -> None:
    assert run.figures("block")["joints"]
    assert run.badly_keyed() == []


def test_every_seam_has_slots_that_open_it_clear_of_all_else(run: SideRun) -> None:
    seams = {tuple(sorted(slot["between"])) for slot in run.figures("fasten")["pry_slots"]}
    sides = run.figures("block")["sides"]
    assert len(seams) == (1 if sides == 2 else sides)
    assert run.poor_slots() == []


def test_every_body_leaves_in_its_order_without_touching_another(run: SideRun) -> None:
    assert max(step["penetration_mm"] for step in run.opening) <= 0.01
    assert run.stuck() == []


def test_casting_gives_way_by_no_more_than_permitted(run: SideRun) -> None:
    assert run.casting_held_mm() <= run.log("block")["parameters"]["permitted_undercut_mm"]


def test_job_of_a_sleeve_runs_from_scan_to_parts(tmp_path: Path) -> None:
    """The calf again, smaller and smooth, by the job file."""
    from moldsmith.batch import run_job
    from sleeves import calf

    calf(5.0).export(tmp_path / "leg.ply")
    lines = [
        '[printer]\nvolume_mm = [220, 220, 250]\n[[piece]]\nname = "calf"\nscan = "leg.ply"',
        'unit = "mm"\nheal.max_hole_mm = 20',
        "crop.planes = [[[0, 0, 10], [0, 0, 1]], [[0, 0, 112], [0, 0, -1]]]",
        "shell.thickness_mm = 6\nshell.taper_mm = 15\nshell.cell_mm = 3.5",
        'block.style = "pieces"',
    ]
    job = tmp_path / "job.toml"
    job.write_text("\n".join(lines), encoding="utf-8")
    summary = run_job(job, out=tmp_path / "out", workers=1)
    assert [piece.error for piece in summary.pieces] == [""]
    parts = {path.stem for path in (tmp_path / "out" / "calf" / "parts").glob("*.stl")}
    assert parts == {"side-1", "side-2", "core"}
