"""Tape, caliper and skin: what each goes round, and what it leaves out."""

from __future__ import annotations

import json
from dataclasses import FrozenInstanceError
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh

from bodies import human
from moldsmith import (
    BadParameter,
    Frame,
    Workpiece,
    breadth,
    depth,
    girth,
    measure_body,
    section_area_mm2,
    surface_length,
)
from moldsmith.cli import main


def post(radius: float, x: float, height: float = 400, sections: int = 128) -> trimesh.Trimesh:
    solid = trimesh.creation.cylinder(radius, height, sections=sections)
    solid.apply_translation((x, 0, height / 2))
    return solid


def trunk_and_arms(gap: float = 40.0) -> trimesh.Trimesh:
    """A trunk of 100 mm radius, an arm of 30 mm on each side of it, `gap` between them."""
    away = 130 + gap
    return trimesh.util.concatenate([post(100, 0), post(30, -away), post(30, away)])


@cache
def body() -> trimesh.Trimesh:
    return human(1720.0)


def test_a_tape_at_a_height_goes_round_the_trunk_and_no_arm() -> None:
    measure = girth(trunk_and_arms(), height_mm=200)
    assert measure.value_mm == pytest.approx(2 * np.pi * 100, rel=1e-3)
    assert measure.kind == "girth"
    assert measure.height_mm == pytest.approx(200)
    assert measure.where == pytest.approx((0, 0, 200), abs=1e-6)


def test_a_tape_through_a_point_goes_round_the_limb_that_holds_it_or_lies_nearest() -> None:
    for point in ((170, 5, 100), (215, 0, 100)):
        assert girth(trunk_and_arms(), at=point).value_mm == pytest.approx(2 * np.pi * 30, rel=1e-3)


def test_an_arm_healed_to_the_trunk_is_taken_off() -> None:
    joined = trunk_and_arms(gap=-2.0)  # circles that overlap by 2 mm: a web of 19 mm
    solid = joined.split()[0].union([joined.split()[1], joined.split()[2]])
    whole = 2 * np.pi * 30 + 4 * 128
    assert girth(solid, height_mm=200).value_mm == pytest.approx(2 * np.pi * 100, rel=0.01)
    assert girth(solid, height_mm=200).value_mm < whole
    assert girth(solid, at=(128, 0, 200)).value_mm == pytest.approx(2 * np.pi * 30, rel=0.03)


def test_of_two_legs_a_height_takes_the_wearer_s_right_one() -> None:
    legs = trimesh.util.concatenate([post(60, -90), post(60, 90)])
    assert girth(legs, height_mm=100).where[0] == pytest.approx(-90, abs=0.1)  # it faces -y
    behind = Frame(facing=(0.0, 1.0, 0.0))
    assert girth(legs, height_mm=100, frame=behind).where[0] == pytest.approx(90, abs=0.1)


def test_caliper_and_area_of_an_oval() -> None:
    oval = post(1, 0, sections=512)
    oval.apply_scale((150, 100, 1))
    assert breadth(oval, height_mm=100).value_mm == pytest.approx(300, rel=1e-4)
    assert depth(oval, height_mm=100).value_mm == pytest.approx(200, rel=1e-4)
    assert section_area_mm2(oval, height_mm=100) == pytest.approx(np.pi * 15000, rel=1e-3)
    turned = Frame(facing=(1.0, 0.0, 0.0))
    assert breadth(oval, height_mm=100, frame=turned).value_mm == pytest.approx(200, rel=1e-4)


def test_an_open_scan_is_measured_across_its_opening() -> None:
    tube = post(100, 0)
    kept = tube.triangles_center[:, 1] < 95
    tape = girth(trimesh.Trimesh(tube.vertices, tube.faces[kept]), height_mm=200)
    assert tape.value_mm == pytest.approx(2 * np.pi * 100, rel=0.02)


def test_the_tape_lies_in_its_plane_and_is_as_long_as_it_says() -> None:
    tape = girth(body(), at=(0, -50, 1110), normal=(0, 0.2, 1))
    line = np.array(tape.line)
    assert np.linalg.norm(np.diff(line, axis=0), axis=1).sum() == pytest.approx(tape.value_mm)
    assert np.abs((line - [0, -50, 1110]) @ [0, 0.2, 1]).max() < 1e-6


def test_a_piece_is_measured_by_its_frame() -> None:
    lying = trunk_and_arms()
    lying.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, (1, 0, 0)))
    piece = Workpiece("calf", {"scan": lying}, Frame((0.0, -1.0, 0.0), (0.0, 0.0, -1.0)))
    assert girth(piece, height_mm=50).value_mm == pytest.approx(2 * np.pi * 100, rel=1e-3)


def test_a_measure_is_frozen() -> None:
    measure = girth(trunk_and_arms(), height_mm=200)
    with pytest.raises(FrozenInstanceError, match="cannot assign"):
        measure.value_mm = 1.0  # type: ignore[misc]


def test_what_cannot_be_measured_is_refused() -> None:
    trunk = trunk_and_arms()
    with pytest.raises(BadParameter, match="height or a point"):
        girth(trunk)
    with pytest.raises(BadParameter, match=r"height_mm = 900 is not on the body \(0 to 400 mm\)"):
        girth(trunk, height_mm=900)
    with pytest.raises(BadParameter, match="cuts nothing"):
        girth(trunk, at=(0, 0, 900))
    with pytest.raises(BadParameter, match="start lies 300 mm off the surface"):
        surface_length(trunk, (0, 0, 700), (0, 0, 400))
    with pytest.raises(BadParameter, match="no whole standing person"):
        measure_body(trunk)
    with pytest.raises(BadParameter, match="no body 'scan'"):
        girth(Workpiece("calf"), height_mm=5)


def test_a_body_without_arms_says_which_measure_is_missing_and_why() -> None:
    mesh = body()
    kept = ~((np.abs(mesh.triangles_center[:, 0]) > 215) & (mesh.triangles_center[:, 2] > 900))
    found = measure_body(trimesh.Trimesh(mesh.vertices, mesh.faces[kept], process=False))
    assert "no whole right arm" in found.missing["upper arm girth"]
    with pytest.raises(BadParameter, match="upper arm girth was not found"):
        found["upper arm girth"]
    with pytest.raises(BadParameter, match="no measure 'tail'"):
        found["tail"]
    assert found["calf girth"].value_mm == pytest.approx(366, abs=5)


def test_every_definition_names_its_source() -> None:
    for measure in measure_body(body()).measures:
        assert any(
            word in measure.definition for word in ("ISO 8559-1", "ISO 7250-1", "common practice")
        )
    assert "Approximated" in measure_body(body())["waist girth"].definition


def test_the_command_prints_the_table_and_writes_figures_and_picture(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mesh = body().copy()
    mesh.apply_transform(trimesh.transformations.rotation_matrix(-np.pi / 2, (1, 0, 0)))  # y up
    mesh.export(tmp_path / "troll.stl")
    call = ["measure", str(tmp_path / "troll.stl"), "--unit", "mm", "--out", str(tmp_path / "out")]
    assert main([*call, "--girth", "knee=470", "--at", "belly=0,1110,50,0,1,0.2"]) == 0
    said = capsys.readouterr().out
    assert "stature" in said
    told = json.loads((tmp_path / "out/measures.json").read_text(encoding="utf-8"))
    assert told["up"] == pytest.approx((0, 1, 0), abs=0.02)
    values = {one["name"]: one["value_mm"] for one in told["measures"]}
    assert values["stature"] == pytest.approx(1720, abs=4)
    assert 300 < values["knee"] < 400
    assert 690 < values["belly"] < 800
    picture = (tmp_path / "out/measures.png").read_bytes()
    assert picture.startswith(b"\x89PNG")
    assert len(picture) > 20_000


def test_a_girth_without_a_height_is_a_bad_call(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["measure", "scan.stl", "--girth", "knee"]) == 2
    assert "'knee' is not NAME= and 1 numbers" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("wrong", "problem"),
    [
        ({"at": (900.0, 0.0, 0.0)}, r"at lies 800 mm beside the body"),
        ({"at": "waist"}, "at = 'waist' is no point"),
        ({"height_mm": "100"}, "height_mm = '100' is no number"),
    ],
)
def test_a_place_off_the_body_is_refused(wrong: dict[str, Any], problem: str) -> None:
    with pytest.raises(BadParameter, match=problem):
        girth(trimesh.creation.icosphere(4, 100.0), **wrong)
