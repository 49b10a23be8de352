"""What is always true of a finished run, held against molds off a real body's scan.

The claims are the demo's; here are the pieces: the torso's front in both styles
and on both sides, half a forearm, and the face.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh

import checks
import fakes
from bodies import face_planes, face_scan, forearm_planes, human, spoiled, torso_planes
from checks import Run
from moldsmith.batch import run_job
from test_truths_demo import (  # noqa: F401 - the claims, collected here too
    TRIANGLE_MM,
    made_fine,
    test_casting_leaves_the_cavity_or_a_finding_names_what_holds_it,
    test_channels_keys_and_stops_keep_their_margins,
    test_cover_lifts_off_or_a_finding_names_what_holds_it,
    test_every_air_pocket_has_a_vent,
    test_every_channel_leads_from_the_void_to_the_outside,
    test_every_part_is_closed_oriented_and_of_one_piece,
    test_every_part_lies_on_the_bed_and_inside_the_printer,
    test_every_peg_is_the_clearance_away_from_its_socket,
    test_no_finding_names_an_air_pocket_that_is_none,
    test_no_two_parts_overlap,
    test_parts_of_a_body_add_up_to_it,
    test_parts_of_a_body_come_apart_along_their_pegs,
    test_parts_on_the_bed_are_the_parts_of_the_mold,
    test_void_holds_as_much_as_the_pad,
)

STATURE_MM = 1780.0
JOB_NAME = "wearer.toml"
COARSE = {"cell_mm": 3}  # three of the four torsos: what is claimed of them holds at any
# Cells at which the gap is measured. Half the forearm is taper, where roughness of the scan makes
# the nearest place of two, and with it the thickness asked for, a matter of chance.
FINE_MM = {"torso-cored-inward": 1.0, "forearm": 0.6, "face": 1.0}
SMOOTHED = ("face", "forearm")  # as a maker would: lids and lips fold finer than the noise
# name -> settings of shell and of block
PIECES: dict[str, tuple[dict[str, Any], dict[str, Any]]] = {
    "torso-cored-inward": ({"thickness_mm": 10, "side": "inward"}, {"style": "cored"}),
    "torso-cored-outward": ({"thickness_mm": 10, "side": "outward", **COARSE}, {"style": "cored"}),
    "torso-lidded-inward": ({"thickness_mm": 10, "side": "inward", **COARSE}, {"style": "lidded"}),
    "torso-lidded-outward": (
        {"thickness_mm": 10, "side": "outward", **COARSE},
        {"style": "lidded"},
    ),
    "forearm": ({"thickness_mm": 6, "taper_mm": 15}, {"style": "cored"}),
    "face": ({"thickness_mm": 5, "taper_mm": 12, "side": "outward"}, {"style": "cored"}),
}


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wearer")
    body = human(STATURE_MM)
    planes = {
        "torso": torso_planes(body),
        "forearm": forearm_planes(body),
        "face": face_planes(body),
    }
    for part, kept in planes.items():
        scan = face_scan(STATURE_MM) if part == "face" else spoiled(body, dense=kept)
        scan.apply_scale(0.001)  # the phone's program saves metres
        scan.export(folder / f"{part}.ply", encoding="binary")
    job = folder / JOB_NAME
    job.write_text("\n".join(order(name, planes) for name in PIECES), encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        fakes.stop_after_overhangs(patch)
        summary = run_job(job, out=folder / "out")
    assert [piece.error for piece in summary.pieces] == [""] * len(PIECES)
    return folder / "out"


def order(name: str, planes: dict[str, Any]) -> str:
    """The piece's table in the job file."""
    part = name.split("-")[0]
    cut = [[list(map(float, point)), list(map(float, normal))] for point, normal in planes[part]]
    lines = ["[[piece]]", f'name = "{name}"', f'scan = "{part}.ply"', 'unit = "m"']
    lines.append(f"crop.planes = {json.dumps(cut)}")
    if part in SMOOTHED:
        lines.append("smooth.feature_mm = 5")
    for stage, settings in zip(("shell", "block"), PIECES[name], strict=True):
        lines += [f"{stage}.{key} = {json.dumps(value)}" for key, value in settings.items()]
    return "\n".join(lines)


@pytest.fixture(scope="module", params=list(FINE_MM))
def fine(out: Path, request: pytest.FixtureRequest) -> Run:
    name = request.param
    return made_fine(out.parent / JOB_NAME, name, out, out.parent / "fine", FINE_MM[name])


@pytest.fixture(scope="module", params=list(PIECES))
def run(out: Path, request: pytest.FixtureRequest) -> Run:
    return Run(out / request.param)


def test_pieces_are_larger_than_the_printer_and_smaller(out: Path) -> None:
    """So that the claims are held against split molds and whole ones."""
    counts = {name: len(Run(out / name).parts) for name in PIECES}
    assert counts["forearm"] == 2
    assert min(count for name, count in counts.items() if name.startswith("torso")) > 4


def test_forearm_s_patch_is_a_half_shell(out: Path) -> None:
    """It bends round the arm by about half a turn, and so tries the release."""
    patch = Run(out / "forearm").body("scan", "block")
    assert isinstance(patch, trimesh.Trimesh)
    assert patch.face_normals[:, 2].max() - patch.face_normals[:, 2].min() > 0.9


def test_core_and_cavity_stay_the_asked_thickness_apart(fine: Run) -> None:
    """On the face's creases, beside nose and lids, the cells cut off corners of the core."""
    error, rim = checks.gap_errors(fine)
    asked = fine.log("shell")["parameters"]
    assert (np.abs(error) <= 0.1).mean() >= 0.95
    beyond = np.abs(error[rim > asked["taper_mm"] + TRIANGLE_MM]) > 0.3
    assert beyond.mean() <= (1e-3 if asked["side"] == "outward" else 0.0)
