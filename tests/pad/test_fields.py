"""Thickness by named points, bumps, a second scan and limits, on surfaces with known answers."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh

import moldsmith as ms
from moldsmith.geometry.distance import SurfaceIndex
from moldsmith.job import read_job
from moldsmith.pad.fields import bumps_height, limited, thickness_at_points
from moldsmith.pad.forms import thickness_to_form
from shapes import cap, heightfield, patched

FLAT = heightfield(lambda x, y: 0 * x, (160, 100), 4)
CAP = cap(60, 60, 20)


def index(mesh: trimesh.Trimesh) -> SurfaceIndex:
    return SurfaceIndex(mesh.vertices, mesh.faces, 2.0)


def nearest(mesh: trimesh.Trimesh, point: tuple[float, float, float]) -> int:
    return int(np.argmin(np.linalg.norm(mesh.vertices - point, axis=1)))


POINTS: list[Any] = [
    {"at": (-60.0, 0.0, 0.0), "thickness_mm": 6.0, "name": "flank"},
    {"at": (0.0, 0.0, 0.0), "thickness_mm": 24.0, "name": "belly"},
    {"at": (60.0, 20.0, 0.0), "thickness_mm": 10.0},
]


def test_thickness_is_met_at_each_point_and_stays_within_their_range() -> None:
    field = thickness_at_points(FLAT, index(FLAT), POINTS, None)
    for point in POINTS:
        assert field[nearest(FLAT, point["at"])] == pytest.approx(point["thickness_mm"])
    assert field.min() >= 6.0 - 1e-9
    assert field.max() <= 24.0 + 1e-9


def test_thickness_between_points_has_no_step() -> None:
    field = thickness_at_points(FLAT, index(FLAT), POINTS, None)
    rise = np.abs(np.diff(field[FLAT.edges_unique], axis=1)[:, 0]) / FLAT.edges_unique_length
    assert rise.max() < 1.2  # 18 mm within 60 mm: twice the mean slope at most, times two


def test_thickness_goes_by_way_along_the_surface_not_through_the_air() -> None:
    """Two legs of a bent sheet, 12 mm apart: one thick, the other thin."""
    flat = heightfield(lambda x, y: 0 * x, (200, 40), 4)
    x, y = flat.vertices[:, 0], flat.vertices[:, 1]
    turn = np.clip(x / 6, -np.pi / 2, np.pi / 2)
    reach = np.abs(x) - 6 * np.pi / 2
    leg = np.where(reach > 0, reach, 0)
    bent = np.column_stack([6 * np.sin(turn), y, 6 * np.cos(turn) - leg])
    mesh = trimesh.Trimesh(bent, flat.faces, process=False)
    points: list[Any] = [
        {"at": (-6, 0, -60), "thickness_mm": 2.0},
        {"at": (6, 0, -60), "thickness_mm": 20.0},
    ]
    field = thickness_at_points(mesh, index(mesh), points, None)
    assert field[nearest(mesh, (-6, 0, -40))] < 4
    assert field[nearest(mesh, (6, 0, -40))] > 18


def test_a_piece_of_the_scan_without_a_point_takes_the_plain_thickness_or_is_refused() -> None:
    other = FLAT.copy()
    other.apply_translation((300, 0, 0))
    both = trimesh.util.concatenate([FLAT, other])
    field = thickness_at_points(both, index(both), POINTS, 7.0)
    assert (field[len(FLAT.vertices) :] == 7.0).all()
    with pytest.raises(ms.BadParameter, match=r"none lies on the piece .* x 300.*thickness_mm"):
        thickness_at_points(both, index(both), POINTS, None)


def test_a_bump_is_as_high_and_as_wide_as_asked_measured_along_the_surface() -> None:
    rise = bumps_height(index(CAP), [{"at": (0, 0, 60), "radius_mm": 30, "height_mm": 12}])
    arc = 60 * np.arccos(np.clip(CAP.vertices[:, 2] / 60, -1, 1))
    exact = 12 * (1 - np.minimum(arc / 30, 1) ** 2) ** 3
    assert np.abs(rise - exact).max() < 0.12
    assert (rise[arc > 30.3] == 0).all()


def test_bumps_add_up_and_stay_away_from_what_is_near_only_through_the_air() -> None:
    one: Any = {"at": (-10, 0, 0), "radius_mm": 30, "height_mm": 5}
    two: Any = {"at": (10, 0, 0), "radius_mm": 30, "height_mm": 8}
    kernel = index(FLAT)
    assert bumps_height(kernel, [one, two]) == pytest.approx(
        bumps_height(kernel, [one]) + bumps_height(kernel, [two])
    )
    other = FLAT.copy()
    other.apply_translation((0, 0, 5))
    both = trimesh.util.concatenate([FLAT, other])
    rise = bumps_height(index(both), [one])
    assert rise[: len(FLAT.vertices)].max() > 4.5
    assert rise[len(FLAT.vertices) :].max() == 0


def test_form_over_a_sphere_gives_the_distance_along_the_normal() -> None:
    form = trimesh.creation.icosphere(5, 75)
    form.apply_translation((4, 0, 0))
    field, missing = thickness_to_form(index(CAP), form, 1.0, 2.0)
    normal = CAP.vertices / 60
    along = normal[:, 0] * 4
    exact = along + np.sqrt(along**2 - 16 + 75**2) - 60
    assert not missing.any()
    inner = CAP.vertices[:, 2] > 34
    assert np.abs(field - exact)[inner].max() < 0.15


def test_where_the_form_is_missing_the_thickness_goes_on_and_a_finding_says_so() -> None:
    form = cap(72, 35, 16)
    piece = ms.shell(patched(CAP), form=form, side="outward")
    (finding,) = piece.findings
    assert finding.code == "form-missing"
    assert "cm²" in finding.message
    figures = piece.record("shell")["figures"]
    assert figures["thickness_max_mm"] == pytest.approx(12, abs=0.2)
    assert piece.body("pad").is_watertight


def test_a_form_under_the_scan_gives_no_thickness_but_the_least() -> None:
    piece = ms.shell(
        patched(CAP), form=trimesh.creation.icosphere(4, 50), side="outward", min_mm=2, taper_mm=0
    )
    assert piece.record("shell")["figures"]["thickness_max_mm"] == 2.0
    with pytest.raises(ms.BadParameter, match=r"comes down to 0\.00 mm .*min_mm"):
        ms.shell(patched(CAP), form=trimesh.creation.icosphere(4, 50), side="outward")


def test_a_form_from_a_file_and_as_a_mesh_make_one_pad_and_know_a_changed_file(
    tmp_path: Path,
) -> None:
    path = tmp_path / "padded.stl"
    form = trimesh.creation.icosphere(4, 300)
    scan = cap(290, 50, 20)
    path.write_bytes(form.export(file_type="stl"))
    piece = ms.Workpiece("belly", {"scan": scan}, folder=tmp_path / "out")
    first = ms.shell(piece, form=path, side="outward", min_mm=1, cell_mm=5)
    form.apply_scale(1.02)
    path.write_bytes(form.export(file_type="stl"))
    again = ms.shell(piece, form=path, side="outward", min_mm=1, cell_mm=5)
    assert again.body("pad").volume > 1.2 * first.body("pad").volume


def test_limits_hold_in_their_region_and_let_go_gently_outside() -> None:
    full = np.full(len(FLAT.vertices), 15.0)
    held = limited(
        FLAT.vertices,
        full,
        [
            {"at": (0, 0, 0), "radius_mm": 20, "max_mm": 6},
            {"plane": ((60, 0, 0), (1, 0, 0)), "min_mm": 16},
        ],
    )
    away = np.linalg.norm(FLAT.vertices, axis=1)
    assert held[away <= 20].max() == 6
    assert held[FLAT.vertices[:, 0] >= 60].min() == 16
    rise = np.abs(np.diff(held[FLAT.edges_unique], axis=1)[:, 0]) / FLAT.edges_unique_length
    assert rise.max() <= 0.35 + 1e-9


def test_least_thickness_holds_away_from_the_rim_and_the_figures_say_where_it_does_not() -> None:
    piece = ms.shell(patched(CAP), points=[{"at": (0, 0, 60), "thickness_mm": 4}], min_mm=5)
    figures = piece.record("shell")["figures"]
    assert figures["below_min_past_taper_mm2"] == 0
    assert 0 < figures["below_min_mm2"] < figures["scanned_face_mm2"]
    assert figures["thickness_min_mm"] == 1.0
    assert figures["thickness_max_mm"] == 5.0
    assert figures["thickness_min_mm"] < figures["thickness_mean_mm"] < 5


def test_picture_of_the_field_has_a_colour_a_vertex_and_its_range(tmp_path: Path) -> None:
    piece = ms.shell(ms.Workpiece("belly", {"scan": CAP}, folder=tmp_path), thickness_mm=8)
    assert piece.record("shell")["figures"]["thickness_scale_mm"] == [1.0, 8.0]
    shown = trimesh.load(tmp_path / "01-shell" / "thickness.ply", process=False)
    assert len(shown.vertices) >= len(CAP.vertices)  # large triangles are shown refined
    assert shown.vertices[: len(CAP.vertices)] == pytest.approx(CAP.vertices, abs=1e-4)
    colours = shown.visual.vertex_colors[:, :3].astype(int)
    rim = nearest(CAP, (60 * np.sin(np.radians(60)), 0, 30))
    top = nearest(CAP, (0, 0, 60))
    assert colours[rim].sum() < 200 < 500 < colours[top].sum()  # dark is thin, light is thick


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"points": [{"at": (0, 0, 60), "thickness_mm": 300}]},
         r"points\[1\]\.thickness_mm = 300.*0\.5 to 200"),
        ({"points": [{"at": (0, 0, 99), "thickness_mm": 5}]},
         r"points\[1\]\.at = x 0, y 0, z 99 is 39 mm off.*nearest at x 0, y 0, z 60"),
        ({"points": [{"at": (0, 0), "thickness_mm": 5}]}, r"points\[1\]\.at = .*three numbers"),
        ({"points": [{"at": (0, 0, 60), "thickness_mm": 5}] * 2}, r"points\[2\] lies at the same"),
        ({"bumps": [{"at": (0, 0, 60), "radius_mm": 1, "height_mm": 5}]},
         r"bumps\[1\]\.radius_mm = 1\. .*5 to 1000"),
        ({"bumps": [{"at": (0, 0, 60), "radius_mm": 20}]}, r"bumps\[1\]\.height_mm is missing"),
        ({"limits": [{"at": (0, 0, 60), "radius_mm": 9}]}, r"limits\[1\] has neither min_mm nor"),
        ({"limits": [{"max_mm": 9}]}, r"limits\[1\] has neither at and plane"),
        ({"limits": [{"at": (0, 0, 60), "radius_mm": 9, "max_mm": 3},
                     {"at": (0, 0, 60), "radius_mm": 5, "min_mm": 9}]},
         r"limits\[2\] contradicts another: at least 9\.0 mm and at most 3\.0 mm at x 0"),
        ({"bumps": [{"at": (0, 0, 60), "radius_mm": 40, "height_mm": 199}]},
         r"comes to 204 mm at x 0, y 0, z 60"),
    ],
)  # fmt: skip
def test_wrong_fields_are_refused_with_key_value_range_and_place(
    wrong: dict[str, Any], said: str
) -> None:
    with pytest.raises(ms.BadParameter, match=said):
        ms.shell(patched(CAP), thickness_mm=5, side="outward", **wrong)


def test_fields_stand_in_a_job_file_and_are_checked_there(tmp_path: Path) -> None:
    path = tmp_path / "troll.toml"
    text = """
[[piece]]
name = "belly"
scan = "troll.ply"
[piece.shell]
form = "padded.ply"
side = "outward"
points = [{at = [0, 1, 2], thickness_mm = 12, name = "navel"}]
limits = [{plane = [[0, 0, 900], [0, 0, 1]], max_mm = 9}]
bumps = [{at = [0, 1, 2], radius_mm = 40, height_mm = 8}]
"""
    path.write_text(text)
    settings = read_job(path).pieces[0].settings["shell"]
    assert settings["points"] == ({"at": (0.0, 1.0, 2.0), "thickness_mm": 12.0, "name": "navel"},)
    assert settings["form"] == tmp_path / "padded.ply"
    path.write_text(text.replace("radius_mm = 40", "radius = 40"))
    with pytest.raises(ms.BadJob, match=r"piece\[1\]\.shell\.bumps\[1\].*radius_mm: a number"):
        read_job(path)
