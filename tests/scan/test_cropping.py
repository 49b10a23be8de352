"""Trim lines: where they run, what they leave, and that they are clean."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from moldsmith import BadParameter, Frame, Workpiece, crop
from moldsmith.geometry import stl, topology

R = 100.0
SQUARE = [(-40.0, -40.0), (40.0, -40.0), (40.0, 40.0), (-40.0, 40.0)]


def ball(level: int = 5, noise: float = 0.0) -> Workpiece:
    mesh = trimesh.creation.icosphere(level, R)
    rng = np.random.default_rng(0)
    scale = 1 + noise / R * rng.normal(size=(len(mesh.vertices), 1))
    return Workpiece(
        "belly", {"scan": trimesh.Trimesh(mesh.vertices * scale, mesh.faces, process=False)}
    )


def figures(piece: Workpiece) -> dict[str, Any]:
    return dict(piece.record("crop")["figures"])


def loop_points(piece: Workpiece, number: int = 0) -> Any:
    mesh = piece.body("scan")
    return mesh.vertices[topology.border_loops(mesh.faces)[number]]


@pytest.mark.parametrize("height", [0.0, 33.0, 60.0, 85.0])
def test_a_plane_cuts_a_cap_of_area_two_pi_r_h(height: float) -> None:
    """Source: Archimedes, On the sphere and cylinder; an inscribed mesh has a little less."""
    cut = crop(ball(6), planes=[((0, 0, height), (0, 0, 1))])
    area = 2 * np.pi * R * (R - height)
    assert 0.995 * area < cut.body("scan").area < area
    (border,) = figures(cut)["borders"]
    circle = 2 * np.pi * np.sqrt(R**2 - height**2)
    assert 0.998 * circle < border["length_mm"] < circle * 1.0001
    assert border["cut_share"] == 1
    assert np.abs(loop_points(cut)[:, 2] - height).max() < 0.01


def test_the_trim_line_has_no_slivers() -> None:
    cut = crop(ball(6, noise=0.3), planes=[((0, 0, 60), (0, 0, 1)), ((0, 0, 0), (1, 0.1, 0))])
    edge = np.median(ball(6).body("scan").edges_unique_length)
    assert figures(cut)["shortest_trim_edge_mm"] > 0.1 * edge  # in the corners, where it is fine
    assert figures(cut)["smallest_trim_angle_deg"] > 9


def test_two_planes_meet_in_a_corner_of_the_stated_radius() -> None:
    planes = [((-20, 0, 0), (1, 0, 0)), ((0, -20, 0), (0, 1, 0)), ((0, 0, 0), (0, 0, 1))]
    points = loop_points(crop(ball(6), planes=planes, round_mm=8.0))
    upper = points[points[:, 2] > 90]
    corner = upper[(upper[:, 0] < -12) & (upper[:, 1] < -12)]
    centre = np.array([-12.0, -12.0])
    assert len(corner) > 5
    assert np.linalg.norm(corner[:, :2] - centre, axis=1) == pytest.approx(8.0, abs=0.03)


def test_an_outline_keeps_the_half_that_faces_the_viewer() -> None:
    front = crop(ball(), outline=SQUARE).body("scan")
    assert front.bounds[1][1] < 0
    assert front.bounds[:, 0] == pytest.approx([-40, 40], abs=0.01)
    assert front.bounds[:, 2] == pytest.approx([-40, 40], abs=0.01)
    through = crop(ball(), outline=SQUARE, through=True, keep="all").body("scan")
    assert through.area == pytest.approx(2 * front.area, rel=0.01)


def test_an_outline_beyond_the_body_is_trimmed_at_its_middle() -> None:
    wide = [(-150.0, -30.0), (150.0, -30.0), (150.0, 30.0), (-150.0, 30.0)]
    cut = crop(ball(noise=0.2), outline=wide)
    assert len(figures(cut)["borders"]) == 1
    low, high = cut.body("scan").bounds
    assert (low[0], high[0]) == pytest.approx((-R, R), rel=0.02)
    assert abs(high[1]) < 4


def test_an_open_front_scan_is_not_halved() -> None:
    half = crop(ball(), planes=[((0, -30, 0), (0, -1, 0))])
    cut = crop(half, outline=SQUARE)
    assert cut.body("scan").area == pytest.approx(
        crop(ball(), outline=SQUARE).body("scan").area, rel=1e-3
    )


@pytest.mark.parametrize(
    ("view", "middle"),
    [
        ("front", (30, -1, 20)),  # the viewer's right is the wearer's left, +x
        ("back", (-30, 1, 20)),
        ("left", (1, 30, 20)),
        ("right", (-1, -30, 20)),
        ("top", (30, 20, 1)),  # the wearer faces down the page
        ((0, 1, 0), (30, -1, 20)),
    ],
)
def test_each_view_has_u_to_its_right_and_v_up(view: Any, middle: Any) -> None:
    outline = [(20.0, 10.0), (40.0, 10.0), (40.0, 30.0), (20.0, 30.0)]
    centre = crop(ball(), outline=outline, view=view, round_mm=2).body("scan").centroid
    for value, expected in zip(centre, middle, strict=True):
        if abs(expected) == 1:
            assert value * expected > 70
        else:
            assert value == pytest.approx(expected, abs=1.5)


def test_views_follow_the_wearer_not_the_axes() -> None:
    piece = Workpiece("belly", ball().bodies, Frame(up=(0, 1, 0), facing=(0, 0, 1)))
    centre = crop(piece, outline=SQUARE).body("scan").centroid
    assert centre[2] > 80


def test_outline_corners_are_rounded_both_ways() -> None:
    ell = [(-40.0, -40.0), (40.0, -40.0), (40.0, 0.0), (0.0, 0.0), (0.0, 40.0), (-40.0, 40.0)]
    points = loop_points(crop(ball(6), outline=ell, round_mm=10))[:, [0, 2]]
    outer = points[(points > 30).any(axis=1) & (points[:, 1] < -30) & (points[:, 0] > 30)]
    assert np.linalg.norm(outer - (30, -30), axis=1) == pytest.approx(10, abs=0.06)
    inner = points[(points > 0).all(axis=1) & (points < 10).all(axis=1)]
    assert np.linalg.norm(inner - (10, 10), axis=1) == pytest.approx(10, abs=0.06)


def test_planes_box_and_outline_are_combined() -> None:
    cut = crop(
        ball(),
        planes=[((0, 0, -10), (0, 0, 1))],
        box=((-25, -200, -200), (200, 200, 200)),
        outline=SQUARE,
    ).body("scan")
    assert cut.bounds[0][[0, 2]] == pytest.approx([-25, -10], abs=0.01)
    assert cut.bounds[1][[0, 2]] == pytest.approx([40, 40], abs=0.01)


def test_keep_chooses_between_the_largest_piece_and_all() -> None:
    two = trimesh.util.concatenate(
        [
            trimesh.creation.icosphere(4, R),
            trimesh.creation.icosphere(4, 60).apply_translation((300, 0, 0)),
        ]
    )
    piece = Workpiece("pair", {"scan": two})
    planes = [((0, 0, 10), (0, 0, 1))]
    assert topology.components(crop(piece, planes=planes).body("scan").faces)[0] == 1
    assert topology.components(crop(piece, planes=planes, keep="all").body("scan").faces)[0] == 2


def test_an_opening_left_in_the_patch_is_told_with_its_place() -> None:
    mesh = ball().body("scan")
    keep = np.linalg.norm(mesh.triangles_center - (0, 0, R), axis=1) > 10
    holed = Workpiece(
        "belly", {"scan": trimesh.Trimesh(mesh.vertices, mesh.faces[keep], process=False)}
    )
    (finding,) = crop(holed, planes=[((0, 0, 20), (0, 0, 1))]).findings
    assert finding.code == "opening-in-piece"
    assert finding.where == pytest.approx((0, 0, 99), abs=1.5)


def test_a_crop_that_leaves_nothing_names_the_scans_bounds() -> None:
    with pytest.raises(BadParameter, match=r"removes everything.*z -100 to 100 mm.*800\.0 mm away"):
        crop(ball(), planes=[((0, 0, 900), (0, 0, 1))])


def test_a_crop_that_leaves_a_speck_is_refused() -> None:
    mesh = ball(3).body("scan")
    top = mesh.vertices[np.argmax(mesh.vertices[:, 2])]
    piece = Workpiece("belly", {"scan": mesh})
    with pytest.raises(BadParameter, match="less than one triangle"):
        crop(piece, planes=[(top - (0, 0, 1e-6), (0, 0, 1))])


def test_a_crop_that_cuts_nothing_is_refused_for_a_closed_scan_and_told_for_an_open_one() -> None:
    planes = [((0, 0, -900), (0, 0, 1))]
    with pytest.raises(BadParameter, match="removes nothing of a closed scan"):
        crop(ball(), planes=planes)
    dome = crop(ball(), planes=[((0, 0, 0), (0, 0, 1))])
    codes = [finding.code for finding in crop(dome, planes=planes).findings]
    assert "nothing-cut" in codes


def test_a_loose_piece_that_no_cut_meets_is_no_patch() -> None:
    whole = trimesh.creation.icosphere(3, 50.0)
    whole.apply_translation((0, 0, 200))
    scan = Workpiece("belly", {"scan": trimesh.util.concatenate([ball(4).body("scan"), whole])})
    with pytest.raises(BadParameter, match=r"the piece that the crop leaves, .* is closed"):
        crop(scan, planes=[((0, 0, 90), (0, 0, 1))])


@pytest.mark.parametrize(
    ("wrong", "problem"),
    [
        ({}, "nothing to cut with"),
        ({"planes": []}, "nothing to cut with"),
        ({"planes": [((0, 0, 0), (0, 0, 0))]}, r"the normal of planes\[1\] has no length"),
        ({"planes": [(0, 0, 0)]}, r"planes\[1\] = .* is no plane"),
        ({"planes": [((0, 0, float("nan")), (0, 0, 1))]}, r"planes\[1\] = .* is no plane"),
        ({"box": ((0, 0, 0), (10, 10, -10))}, "box = .* is no box"),
        ({"outline": [(0, 0), (1, 1)]}, "is no closed outline"),
        (
            {"outline": [(-40, -40), (40, 40), (40, -40), (-40, 40)]},
            r"no simple.*Self-intersection",
        ),
        ({"outline": SQUARE, "round_mm": 45.0}, "round_mm = 45 is too much"),
        ({"outline": SQUARE, "view": "below"}, "view = 'below' is not known.*front, back"),
        ({"outline": SQUARE, "keep": "some"}, "keep = 'some'. Choose 'largest' or 'all'"),
        ({"outline": SQUARE, "round_mm": -1.0}, "round_mm = -1.0 is out of range"),
    ],
)
def test_bad_values_are_named(wrong: dict[str, Any], problem: str) -> None:
    with pytest.raises(BadParameter, match=problem):
        crop(ball(3), **wrong)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(-60, 60), st.floats(0, 3.14), st.floats(0, 6.28)),
        min_size=1,
        max_size=4,
    ),
    st.floats(0, 15),
)
def test_any_planes_leave_a_clean_border(cuts: list[tuple[float, float, float]], r: float) -> None:
    planes = []
    for offset, polar, turn in cuts:
        normal = np.array(
            [np.sin(polar) * np.cos(turn), np.sin(polar) * np.sin(turn), np.cos(polar)]
        )
        planes.append((normal * offset, normal))
    piece = ball(4, noise=0.5)
    try:
        cut = crop(piece, planes=planes, round_mm=r)
    except BadParameter as error:
        left = ("removes everything", "leaves less than one triangle")
        assert any(said in error.problem for said in left)  # noqa: PT017 - each outcome is right
        return
    mesh = cut.body("scan")
    _, faces = stl.decode(stl.encode(mesh.vertices, mesh.faces))
    edges = topology.half_edges(faces)
    assert len(np.unique(edges, axis=0)) == len(edges)
    assert len(topology.border_loops(faces)) >= 1


def test_a_box_of_twelve_triangles_is_cut_inside_them() -> None:
    """No corner of the mesh is inside the outline: its faces are judged, not its corners."""
    mesh = trimesh.creation.box((300.0, 200.0, 400.0))
    piece = Workpiece("belly", {"scan": mesh})
    cut = crop(piece, outline=SQUARE, round_mm=0).body("scan")
    asked = 80.0**2
    assert cut.area == pytest.approx(asked, rel=1e-3)
    assert cut.vertices[:, 1] == pytest.approx(-100.0)
    outside = [(u + 500.0, v) for u, v in SQUARE]
    with pytest.raises(BadParameter, match="removes everything"):
        crop(piece, outline=outside)


def test_a_plane_through_large_triangles_leaves_them_as_they_are() -> None:
    mesh = trimesh.creation.box((300.0, 200.0, 400.0))
    cut = crop(Workpiece("belly", {"scan": mesh}), planes=[((0, 0, 50), (0, 0, 1))])
    assert len(cut.body("scan").faces) < 30
