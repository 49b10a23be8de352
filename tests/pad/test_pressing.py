"""The pad against the wearer: gaps, overlaps, contact, and the step at the rim."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh

import bodies
from moldsmith import BadParameter, BadScan, Workpiece, crop, shell
from moldsmith.geometry import colours
from moldsmith.geometry.distance import SurfaceIndex
from moldsmith.geometry.settling import settled
from moldsmith.job import read_job
from moldsmith.pad.pressing import fit_check, pad_faces, rim_steps
from moldsmith.scan.fitting import fit

R = 100.0


def ball(radius: float = R, level: int = 5) -> trimesh.Trimesh:
    """A ball whose faces touch the sphere at their middles: neither more nor less in the mean."""
    return trimesh.creation.icosphere(level, radius)


def egg() -> trimesh.Trimesh:
    mesh = ball()
    return trimesh.Trimesh(mesh.vertices * [1.0, 0.75, 1.3], mesh.faces, process=False)


@cache
def padded(side: str = "outward", edge_mm: float = 1.0, shape: str = "ball") -> Workpiece:
    scan = ball() if shape == "ball" else egg()
    piece = Workpiece("belly", {"scan": scan})
    cut = crop(piece, planes=[((0, 0, 30), (0, 0.3, 1)), ((0, -60, 0), (0, 1, 0.2))])
    return shell(cut, thickness_mm=8.0, side=side, taper_mm=25.0, edge_mm=edge_mm)


def figures(piece: Workpiece) -> dict[str, Any]:
    return dict(piece.record("fit_check")["figures"])


def codes(piece: Workpiece) -> set[str]:
    return {item["code"] for item in piece.record("fit_check")["findings"]}


# The back -----------------------------------------------------------------------------------


def test_an_outward_pad_lies_on_its_own_scan() -> None:
    found = figures(fit_check(padded()))
    assert found["contact_share"] == 1
    assert found["past_wearer_mm2"] == 0
    assert abs(found["gap_p50_mm"]) < 1e-3
    assert found["overlap_mm2"] == found["gap_mm2"] == 0
    assert codes(fit_check(padded())) == set()


@pytest.mark.parametrize("gap", [2.0, -2.0])
def test_a_wearer_of_another_radius_is_so_far_off_everywhere(gap: float) -> None:
    """Concentric balls are as far apart everywhere as their radii differ."""
    checked = fit_check(padded(), wearer=ball(R - gap), touch_mm=1.0)
    found = figures(checked)
    assert found["gap_p5_mm"] == pytest.approx(gap, abs=0.06)
    assert found["gap_p95_mm"] == pytest.approx(gap, abs=0.06)
    assert found["contact_mm2"] == 0
    worst = found["worst_gap"] if gap > 0 else found["worst_overlap"]
    assert worst["mm"] == pytest.approx(2.0, abs=0.1)
    assert np.linalg.norm(worst["at"]) == pytest.approx(R, abs=0.5)
    total = found["gap_cm3"] if gap > 0 else found["overlap_cm3"]
    assert total == pytest.approx(found["back_mm2"] * 2 / 1000, rel=0.03)
    assert "gaping-back" in codes(checked)


def test_contact_is_the_area_within_touch_of_a_shifted_ball() -> None:
    """A point at p is |p + d| - R from a ball shifted by -d: contact is a zone of the pad."""
    mesh = padded().body("scan")
    wearer = ball(level=6)
    wearer.apply_translation([0, 0, -4.0])
    found = figures(fit_check(padded(), wearer=wearer, touch_mm=2.0))
    gap = np.linalg.norm(mesh.vertices + np.array([0, 0, 4.0]), axis=1) - R
    expected = mesh.area_faces @ (gap <= 2.0)[mesh.faces].mean(axis=1)
    assert found["contact_mm2"] == pytest.approx(expected, rel=0.03)
    assert found["worst_gap"]["mm"] == pytest.approx(gap.max(), abs=0.1)


def test_an_inward_pad_meets_a_wearer_the_thickness_smaller() -> None:
    """Away from the taper the back is the scan's sphere less 8 mm."""
    found = figures(fit_check(padded("inward"), wearer=ball(R - 8), touch_mm=0.3))
    assert 0.3 < found["contact_share"] < 0.8  # the taper rises off the wearer
    assert abs(found["gap_p5_mm"]) < 0.15
    assert found["rim"]["step_p50_mm"] == pytest.approx(8.0, abs=0.1)


def test_a_wearer_that_stands_out_of_the_pad_is_found() -> None:
    assert "wearer-through-pad" in codes(fit_check(padded(), wearer=ball(R + 6)))


def test_a_wearer_that_is_inside_out_is_turned() -> None:
    wearer = ball(R - 0.5)
    found = figures(fit_check(padded(), wearer=wearer))
    wearer = trimesh.Trimesh(wearer.vertices, wearer.faces[:, ::-1], process=False)
    assert figures(fit_check(padded(), wearer=wearer)) == found


def test_past_the_wearers_border_nothing_is_said() -> None:
    whole = ball(R - 1)
    half = trimesh.Trimesh(
        whole.vertices, whole.faces[whole.triangles_center[:, 0] > 0], process=False
    )
    found = figures(fit_check(padded(), wearer=half))
    assert found["past_wearer_mm2"] == pytest.approx(found["back_mm2"] / 2, rel=0.05)
    assert found["gap_p50_mm"] == pytest.approx(1.0, abs=0.06)


def test_the_picture_tells_gap_from_overlap() -> None:
    shades = colours.diverging([-3.0, 0.0, 3.0, 9.0, np.nan], 3.0).astype(int)
    assert shades[0][0] > shades[0][2] + 60  # red
    assert shades[2][2] > shades[2][0] + 60  # blue
    assert shades[1].min() > 225
    assert shades[3].tolist() == shades[2].tolist()
    assert tuple(shades[4]) == colours.REST


def test_the_picture_is_written_beside_the_log(tmp_path: Path) -> None:
    checked = fit_check(replace(padded(), folder=tmp_path), wearer=ball(R - 3))
    number = checked.record("fit_check")["sequence"]
    mesh = trimesh.load(tmp_path / f"{number:02d}-fit_check" / "fit_check.ply", process=False)
    assert len(mesh.faces) == len(padded().body("pad").faces)
    assert figures(checked)["colour_range_mm"] == [-3.5, 3.5]


# The rim ------------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", ["ball", "egg"])
@pytest.mark.parametrize("edge_mm", [0.5, 1.0])
def test_a_feathered_rim_is_no_higher_than_its_edge(shape: str, edge_mm: float) -> None:
    """At most edge_mm + 0.05 mm along 99 % of the trim line's length."""
    rim = figures(fit_check(padded("outward", edge_mm, shape)))["rim"]
    assert rim["step_within_edge_share"] >= 0.99
    assert rim["step_p50_mm"] == pytest.approx(edge_mm, abs=0.05)
    assert rim["thickness_within_edge_share"] >= 0.99


@pytest.mark.parametrize("shape", ["ball", "egg"])
@pytest.mark.parametrize("edge_mm", [0.5, 1.0])
def test_an_inward_rim_is_no_thicker_than_its_edge(shape: str, edge_mm: float) -> None:
    piece = padded("inward", edge_mm, shape)
    pad = piece.body("pad")
    faces = pad_faces(pad, piece.record("shell"))
    index = SurfaceIndex(np.asarray(pad.vertices), faces.back, 3.0)
    for steps, points in rim_steps(index, np.asarray(pad.vertices), faces.outer):
        length = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
        assert length[np.abs(steps) <= edge_mm + 0.05].sum() >= 0.99 * length.sum()


def test_a_real_bodys_pad_has_a_feathered_rim() -> None:
    body = bodies.human(1720)
    scan = bodies._refined(body, bodies.torso_planes(body), 6.0)  # as a scan has them
    cut = crop(Workpiece("belly", {"scan": scan}), planes=bodies.torso_planes(body))
    pad = shell(cut, thickness_mm=8.0, side="outward", taper_mm=25.0, edge_mm=1.0)
    rim = figures(fit_check(pad, wearer=scan))["rim"]
    assert rim["thickness_within_edge_share"] >= 0.99
    # Cropping smooths the trim line, so the pad's border is not quite on the scan.
    assert rim["step_p50_mm"] == pytest.approx(1.0, abs=0.1)


def test_a_blunt_rim_is_reported_as_proud() -> None:
    cut = replace(padded(), records=padded().records[:1])
    blunt = shell(cut, thickness_mm=6.0, side="outward", taper_mm=0.0, edge_mm=1.0)
    checked = fit_check(blunt)
    assert "proud-rim" in codes(checked)
    rim = figures(checked)["rim"]
    assert rim["step_p50_mm"] == pytest.approx(6, abs=0.1)
    assert rim["step_within_edge_share"] < 0.01


def test_the_profile_runs_once_round_the_trim_line() -> None:
    rim = figures(fit_check(padded()))["rim"]
    (profile,) = rim["profiles"]
    along, step = np.array(profile).T
    assert along[0] == 0
    assert along[-1] == pytest.approx(rim["length_mm"], abs=0.2)
    assert (np.diff(along) > 0).all()
    assert step[0] == pytest.approx(step[-1])
    assert step.max() <= rim["step_max_mm"] + 1e-3


# Settling -----------------------------------------------------------------------------------


def test_settling_finds_the_wearers_place() -> None:
    mesh = egg()
    turn = trimesh.transformations.rotation_matrix(np.radians(3), [1, 2, 3], [0, 0, 60])
    turn[:3, 3] += [2.0, -1.5, 3.0]
    wearer = mesh.copy()
    wearer.apply_transform(turn)
    before = figures(fit_check(padded(shape="egg"), wearer=wearer))
    after = figures(fit_check(padded(shape="egg"), wearer=wearer, settle=True))
    assert before["contact_share"] < 0.5
    assert after["contact_share"] > 0.99
    assert np.array(after["motion"]) == pytest.approx(turn, abs=0.3)


def test_settling_moves_no_ball_in_its_socket() -> None:
    mesh = ball(level=4)
    index = SurfaceIndex(np.asarray(mesh.vertices), np.asarray(mesh.faces), 3.0)
    cap = padded().body("scan").vertices
    motion = settled(index, cap + np.array([0, 0, 2.0]), np.ones(len(cap)))
    assert motion[:3, 3] + motion[:3, :3] @ [0, 0, 2.0] == pytest.approx([0, 0, 0], abs=0.1)
    assert motion[:3, :3] == pytest.approx(np.eye(3), abs=0.02)


# Where the pad is, and how large ---------------------------------------------------------------


def test_shrink_is_taken_off_before_the_pad_is_pressed() -> None:
    scan = ball()
    grown = fit(Workpiece("belly", {"scan": scan}), casting_shrink_pct=3.0)
    cut = crop(grown, planes=[((0, 0, 30), (0, 0, 1))])
    pad = shell(cut, thickness_mm=6.0, side="outward")
    found = figures(fit_check(pad, wearer=scan, touch_mm=0.1))
    assert found["cast_scale"] == pytest.approx(0.97, abs=1e-6)
    assert found["contact_share"] > 0.99


def test_the_wearer_follows_the_piece_into_another_frame() -> None:
    matrix = trimesh.transformations.rotation_matrix(1.0, [1, 1, 0], [10, 0, 5])
    piece = padded()
    moved = {name: mesh.copy().apply_transform(matrix) for name, mesh in piece.bodies.items()}
    turned = replace(piece, bodies=moved, digests={}, frame=piece.frame.turned(matrix))
    found = figures(fit_check(turned, wearer=ball()))
    assert found["contact_share"] > 0.99


def test_the_wearer_may_be_a_file(tmp_path: Path) -> None:
    path = tmp_path / "wearer.stl"
    ball(R - 0.5).export(path)
    found = figures(fit_check(padded(), wearer=path, unit="mm"))
    assert found["contact_share"] == 1
    assert found["gap_p50_mm"] == pytest.approx(0.5, abs=0.06)


@pytest.mark.parametrize(
    ("call", "match"),
    [
        ({"touch_mm": 0.0}, "touch_mm = 0"),
        ({"wearer": 7}, "wearer = 7"),
        ({"wearer": trimesh.Trimesh()}, "wearer has no triangles"),
        ({"wearer": ball(R / 1000, 2)}, r"wearer spans 0\.\d+ mm, the pad \d+ mm"),
        ({"wearer": ball(R, 2).apply_translation([900.0, 0, 0])}, "nowhere near the pad"),
    ],
)
def test_bad_calls_are_named(call: dict[str, Any], match: str) -> None:
    with pytest.raises(BadParameter, match=match):
        fit_check(padded(), **call)


def test_a_missing_wearer_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(BadScan, match="belly: load_scan: there is no file"):
        fit_check(padded(), wearer=tmp_path / "none.stl")


def test_an_inward_pad_needs_a_wearer() -> None:
    with pytest.raises(BadParameter, match="an inward pad lies under the scan"):
        fit_check(padded("inward"))


def test_a_piece_without_a_pad_is_refused() -> None:
    with pytest.raises(BadParameter, match="no body 'pad'"):
        fit_check(Workpiece("belly", {"scan": ball()}))


def test_a_job_file_finds_the_wearer_beside_it(tmp_path: Path) -> None:
    job = tmp_path / "troll.toml"
    job.write_text(
        '[[piece]]\nname = "belly"\nscan = "belly.ply"\n[piece.shell]\nthickness_mm = 8\n'
        '[piece.fit_check]\nwearer = "wearer.stl"\nunit = "mm"\nsettle = true\n',
        encoding="utf-8",
    )
    settings = read_job(job).pieces[0].settings
    assert list(settings)[:4] == ["load_scan", "heal", "shell", "fit_check"]
    assert settings["fit_check"]["wearer"] == tmp_path / "wearer.stl"
