"""Trim lines through points: where they run, how they turn, how they move, what is refused."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import trimesh

from moldsmith import BadParameter, Workpiece, crop, shell
from moldsmith.geometry import topology
from moldsmith.geometry.refining import refined

R = 100.0


def ball(level: int = 5, noise: float = 0.0) -> Workpiece:
    mesh = trimesh.creation.icosphere(level, R)
    rng = np.random.default_rng(0)
    scale = 1 + noise / R * rng.normal(size=(len(mesh.vertices), 1))
    return Workpiece(
        "belly", {"scan": trimesh.Trimesh(mesh.vertices * scale, mesh.faces, process=False)}
    )


def ring(latitude: float, count: int) -> Any:
    """Points round the ball's axis."""
    turn = np.arange(count) * 2 * np.pi / count + 0.1
    flat = np.cos(latitude) * np.array([np.cos(turn), np.sin(turn)])
    return R * np.stack([*flat, np.full(count, np.sin(latitude))], axis=1)


def polygon(latitude: float, count: int) -> tuple[float, float]:
    """Perimeter and area of the polygon of great circles through `ring`.

    Sources: spherical law of cosines; Girard's area by the excess of the angles.
    """
    a, b, c = ring(latitude, count)[:3] / R
    side = np.arccos(a @ b)
    one, two = a - (a @ b) * b, c - (c @ b) * b
    angle = np.arccos(one @ two / np.linalg.norm(one) / np.linalg.norm(two))
    return count * side * R, R**2 * (count * angle - (count - 2) * np.pi)


def tube(top: float, bottom: float, height: float = 200.0, edge: float = 4.0) -> Workpiece:
    """A cylinder or cone frustum about z, open at both ends."""
    count = int(2 * np.pi * max(top, bottom) / edge)
    rows = int(height / edge)
    turn, level = np.meshgrid(
        np.arange(count) * 2 * np.pi / count, np.linspace(0, 1, rows + 1), indexing="ij"
    )
    radius = bottom + (top - bottom) * level
    vertices = np.stack([radius * np.cos(turn), radius * np.sin(turn), height * level], axis=2)
    number = np.arange(count * (rows + 1)).reshape(count, -1)
    after = np.roll(number, -1, axis=0)
    a, b, c, d = (n.ravel() for n in (number[:, :-1], after[:, :-1], after[:, 1:], number[:, 1:]))
    faces = np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)])
    return Workpiece(
        "calf", {"scan": trimesh.Trimesh(vertices.reshape(-1, 3), faces, process=False)}
    )


def figures(piece: Workpiece) -> dict[str, Any]:
    return dict(piece.record("crop")["figures"])


def rim(piece: Workpiece) -> Any:
    mesh = piece.body("scan")
    (loop,) = topology.border_loops(mesh.faces)
    return mesh.vertices[loop]


@pytest.mark.parametrize("count", [3, 6])
def test_the_line_runs_by_great_circles_on_a_ball(count: int) -> None:
    """An inscribed mesh has a little less length and area; its cut chamfers sharp corners."""
    cut = crop(ball(6), points=ring(0.5, count), round_mm=0)
    length, area = polygon(0.5, count)
    assert 0.998 * length < figures(cut)["line_mm"] < length
    assert 0.999 * area < cut.body("scan").area < area
    (border,) = figures(cut)["borders"]
    assert 0.996 * length < border["length_mm"] < length
    assert figures(cut)["points_off_line_mm"] < 0.5


@pytest.mark.parametrize("margin_mm", [5.0, 15.0, 40.0])
def test_a_margin_moves_the_line_along_the_surface(margin_mm: float) -> None:
    """Source: Steiner's formula on the sphere, Santalo, Integral Geometry (1976) IV.18.3."""
    cut = crop(ball(6), points=ring(0.5, 4), round_mm=0, margin_mm=margin_mm)
    length, area = polygon(0.5, 4)
    m = margin_mm / R
    moved = 2 * np.pi * R**2 - (2 * np.pi * R**2 - area) * np.cos(m) + length * R * np.sin(m)
    longer = length * np.cos(m) + (2 * np.pi - area / R**2) * R * np.sin(m)
    assert cut.body("scan").area == pytest.approx(moved, rel=5e-4)
    assert figures(cut)["line_mm"] == pytest.approx(longer, rel=5e-4)


@pytest.mark.parametrize("margin_mm", [-40.0, -10.0, 10.0, 40.0])
def test_a_cap_moved_by_a_margin_is_the_cap_of_that_radius(margin_mm: float) -> None:
    cut = crop(ball(), points=ring(0.5, 60), margin_mm=margin_mm, inside=(0, 0, R))
    points = rim(cut)
    radius = R * np.arccos(points[:, 2] / np.linalg.norm(points, axis=1))
    assert radius == pytest.approx((np.pi / 2 - 0.5) * R + margin_mm, abs=0.12)


@pytest.mark.parametrize(
    ("round_mm", "margin_mm"), [(5.0, 0.0), (20.0, 0.0), (8.0, -10.0), (8.0, 10.0)]
)
def test_corners_have_the_stated_radius(round_mm: float, margin_mm: float) -> None:
    """On a cylinder, laid flat, the line is a square with arcs in its corners.

    A margin outward turns them by its own length, one inward leaves them their radius.
    """
    half = 40 + margin_mm
    radius = max(round_mm, margin_mm)
    flat = np.array([(-40.0, 60.0), (40.0, 60.0), (40.0, 140.0), (-40.0, 140.0)])
    turn = flat[:, 0] / 80
    points = np.stack([80 * np.cos(turn), 80 * np.sin(turn), flat[:, 1]], axis=1)
    cut = crop(tube(80, 80, edge=3.0), points=points, round_mm=round_mm, margin_mm=margin_mm)
    area = 4 * half**2 - (4 - np.pi) * radius**2
    assert cut.body("scan").area == pytest.approx(area, rel=1e-3)
    if margin_mm == 0:
        off = (np.sqrt(2) - 1) * round_mm
        assert figures(cut)["points_off_line_mm"] == pytest.approx(off, abs=0.05)
    line = laid_flat(rim(cut))
    assert np.abs(off_rounded(line, half, radius)).max() < 0.05
    assert np.abs(off_rounded(chords(line), half, radius)).max() < 0.15


def laid_flat(line: Any) -> Any:
    """Points on the tube of radius 80, laid flat about the square's middle."""
    return np.stack([80 * np.arctan2(line[:, 1], line[:, 0]), line[:, 2] - 100], axis=1)


def off_rounded(place: Any, half: float, radius: float) -> Any:
    """Distance of points in the plane from a square with round corners."""
    corner = np.abs(place) - (half - radius)
    outside = np.linalg.norm(np.maximum(corner, 0), axis=1)
    return outside + np.minimum(corner.max(axis=1), 0) - radius


def chords(line: Any) -> Any:
    return (line + np.roll(line, -1, axis=0)) / 2


def test_corners_have_their_radius_in_large_triangles() -> None:
    """The top of a box is two triangles: the cut makes its own small ones."""
    plate = Workpiece("calf", {"scan": trimesh.creation.box((200.0, 200.0, 50.0))})
    square = np.array([(-40.0, -40.0), (40.0, -40.0), (40.0, 40.0), (-40.0, 40.0)])
    points = np.column_stack([square, np.full(4, 25.0)])
    line = rim(crop(plate, points=points, round_mm=8.0))
    for place in (line, chords(line)):
        assert np.abs(off_rounded(place[:, :2], 40, 8)).max() < 0.08


@pytest.mark.parametrize("round_mm", [5.0, 30.0])
def test_a_rim_stays_on_the_form_whatever_its_corners(round_mm: float) -> None:
    cut = crop(tube(40, 40), box=((0, -60, 40), (60, 60, 160)), round_mm=round_mm)
    assert np.hypot(*rim(cut)[:, :2].T) == pytest.approx(40, abs=0.25)


def test_the_way_round_a_cone_is_straight_when_it_is_laid_flat() -> None:
    """A line between two points at one height of a cone rises toward its tip."""
    top, bottom, height = 30.0, 90.0, 200.0
    slope = np.hypot(bottom - top, height)
    points = np.array(
        [(np.cos(t) * 75.0, np.sin(t) * 75.0, 50.0) for t in np.arange(3) * 2 * np.pi / 3 + 0.2]
    )
    cut = crop(tube(top, bottom, height), points=points, round_mm=0, inside=(30, 0, 200))
    sine = (bottom - top) / slope
    from_tip = 75.0 / sine
    chord = 2 * from_tip * np.sin(np.pi / 3 * sine)
    assert figures(cut)["line_mm"] == pytest.approx(3 * chord, rel=2e-3)
    middle = from_tip * np.cos(np.pi / 3 * sine)  # how near the tip the way comes
    highest = 50.0 + (from_tip - middle) * height / slope
    lines = topology.border_loops(cut.body("scan").faces)
    heights = [cut.body("scan").vertices[line][:, 2] for line in lines]
    trim = min(heights, key=lambda z: z.mean())
    assert trim.max() == pytest.approx(highest, abs=0.3)
    assert trim.min() == pytest.approx(50.0, abs=1.0)


def test_the_line_is_not_that_of_the_edges() -> None:
    """Shortest along the surface between points, whatever way the triangles lie."""
    lengths = [
        figures(crop(ball(level), points=ring(0.7, 5), round_mm=0))["line_mm"] for level in (4, 6)
    ]
    length, _ = polygon(0.7, 5)
    assert lengths == pytest.approx([length, length], rel=4e-3)


def test_the_trim_line_has_no_slivers_on_a_noisy_scan() -> None:
    cut = crop(ball(6, noise=0.2), points=ring(0.4, 7), margin_mm=6)
    edge = np.median(ball(6).body("scan").edges_unique_length)
    assert figures(cut)["shortest_trim_edge_mm"] > 0.1 * edge  # in the corners, where it is fine
    assert figures(cut)["smallest_trim_angle_deg"] > 5
    assert len(figures(cut)["borders"]) == 1
    pad = shell(cut, thickness_mm=8, cell_mm=3).body("pad")
    assert pad.is_watertight


def test_the_smaller_side_is_kept_unless_a_point_says_otherwise() -> None:
    low = crop(ball(4), points=ring(0.5, 6)).body("scan").area
    assert low < 2 * np.pi * R**2
    named = crop(ball(4), points=ring(0.5, 6), inside=(0, 0, 1.1 * R)).body("scan").area
    assert named == pytest.approx(low)
    rest = crop(ball(4), points=ring(0.5, 6), inside=(0, 0, -R)).body("scan").area
    assert rest + low == pytest.approx(ball(4).body("scan").area, rel=5e-3)
    backwards = crop(ball(4), points=ring(0.5, 6)[::-1]).body("scan").area
    assert backwards == pytest.approx(low, rel=1e-4)


def test_sides_of_one_size_are_told() -> None:
    codes = [finding.code for finding in crop(ball(4), points=ring(0.0, 6)).findings]
    assert "side-unsure" in codes


def test_points_may_lie_beside_the_surface() -> None:
    on = crop(ball(4), points=ring(0.5, 6)).body("scan").area
    off = crop(ball(4), points=ring(0.5, 6) * 1.08)
    assert off.body("scan").area == pytest.approx(on, rel=1e-3)
    assert figures(off)["points_off_surface_mm"] == pytest.approx(8, abs=0.5)


def test_points_and_planes_are_combined() -> None:
    cut = crop(ball(), points=ring(0.3, 24), planes=[((0, 0, 0), (1, 0, 0))])
    half = crop(ball(), points=ring(0.3, 24)).body("scan").area / 2
    assert cut.body("scan").area == pytest.approx(half, rel=5e-3)
    assert cut.body("scan").bounds[0][0] > -0.1


def trunk() -> Workpiece:
    """Symmetric in x = 12, with a belly, and a limb on each side that comes near the flank."""
    body = trimesh.creation.icosphere(5, 1.0)
    v = body.vertices * (110.0, 80.0, 190.0)
    v[:, 1] -= 25 * np.exp(-((v[:, 0] / 60) ** 2) - ((v[:, 2] + 40) / 60) ** 2) * (v[:, 1] < 0)
    v[:, 0] += 12.0
    return Workpiece("shoulder", {"scan": trimesh.Trimesh(v, body.faces, process=False)})


def test_the_mirrored_line_cuts_out_the_other_piece() -> None:
    points = [(60, -70, 90), (105, -20, 90), (112, -20, -10), (65, -75, -10)]
    one = crop(trunk(), points=points, margin_mm=4)
    two = crop(trunk(), points=points, margin_mm=4, mirror=True)
    assert figures(two)["plane_point_mm"][0] == pytest.approx(12, abs=0.05)
    assert two.body("scan").area == pytest.approx(one.body("scan").area, rel=2e-3)
    left, right = one.body("scan").centroid, two.body("scan").centroid
    assert left[0] - 12 > 40
    assert right == pytest.approx((24 - left[0], left[1], left[2]), abs=0.3)


def test_a_line_does_not_leap_to_skin_that_lies_near_across_a_gap() -> None:
    """Two balls joined by a neck: 6 mm apart, far along the surface."""
    profile_turn = np.linspace(0, np.pi, 60)
    sphere = np.stack([50 * np.sin(profile_turn), 50 - 50 * np.cos(profile_turn)], axis=1)
    upper = sphere + np.array([0, 106])
    neck = np.array([(6.0, 99.6), (6.0, 106.4)])
    keep_low = sphere[sphere[:, 1] < 99.2]
    keep_up = upper[upper[:, 1] > 106.8]
    mesh = trimesh.creation.revolve(np.concatenate([keep_low, neck, keep_up]), sections=90)
    mesh.merge_vertices()
    fine = trimesh.Trimesh(*refined(mesh.vertices, mesh.faces, 6.0), process=False)
    turn = np.arange(8) * np.pi / 4
    points = np.stack([20 * np.cos(turn), 20 * np.sin(turn), np.full(8, 95.8)], axis=1)
    cut = crop(Workpiece("belly", {"scan": fine}), points=points, inside=(0, 0, 0), margin_mm=-3)
    top = cut.body("scan").bounds[1][2]
    assert top < 96
    assert len(figures(cut)["borders"]) == 1
    assert cut.body("scan").bounds[1][:2] == pytest.approx([50, 50], abs=0.3)


def test_a_line_that_crosses_itself_is_refused_with_the_place() -> None:
    points = ring(0.5, 4)[[0, 2, 1, 3]]
    with pytest.raises(
        BadParameter,
        match=r"crosses itself at x .*y .*z \d.*between points 1 and 2, and between 3 and 4",
    ) as caught:
        crop(ball(4), points=points)
    words = caught.value.problem.split("crosses itself at ")[1].split(": ")[0].split(", ")
    place = [float(word.split()[1]) for word in words]
    assert place == pytest.approx([0, 0, R], abs=2)  # the two legs are great circles over the pole


def test_a_line_that_runs_back_on_itself_is_refused() -> None:
    points = np.concatenate([ring(0.5, 4), ring(0.5, 4)[[1]]])
    with pytest.raises(BadParameter, match="crosses itself at x"):
        crop(ball(4), points=points)


def test_a_line_that_parts_nothing_is_refused() -> None:
    torus = Workpiece("ring", {"scan": trimesh.creation.torus(100, 40, 64, 32)})
    turn = np.arange(8) * np.pi / 4
    points = 140 * np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=1)
    with pytest.raises(BadParameter, match=r"does not part the scan into two sides.*by way of x"):
        crop(torus, points=points)


def test_a_margin_that_leaves_nothing_or_breaks_the_line_is_refused() -> None:
    with pytest.raises(BadParameter, match="margin_mm = -150 leaves nothing inside"):
        crop(ball(4), points=ring(0.5, 12), margin_mm=-150)
    waist = [(-60, 30), (-10, 8), (10, 8), (60, 30), (60, -30), (10, -8), (-10, -8), (-60, -30)]
    points = [(x, y, np.sqrt(R**2 - x * x - y * y)) for x, y in waist]
    with pytest.raises(BadParameter, match=r"margin_mm = -12 makes.*breaks it in 2.*about x"):
        crop(ball(4), points=points, margin_mm=-12, round_mm=2)
    with pytest.raises(BadParameter, match=r"round_mm = 15 makes.*breaks it in 2"):
        crop(ball(4), points=points, round_mm=15)


@pytest.mark.parametrize(
    ("wrong", "problem"),
    [
        ({"points": [(0, 0, R), (R, 0, 0)]}, "points is no loop"),
        ({"points": [(0, 0), (1, 0), (0, 1)]}, "points is no loop"),
        ({"points": [(0, 0, R), (R, 0, float("nan")), (0, R, 0)]}, "points is no loop"),
        (
            {"points": [(0, 0, R), (R, 0, 0), (0, 180, 0)]},
            r"points\[3\] = \(0, 180, 0\) lies 80 mm from the scan \(allowed 30 mm\)",
        ),
        ({"points": [(0, 0, R), (R, 0, 0), (R, 0, 0.1)]}, "only 2 places more than 0.5 mm apart"),
        ({"points": ring(0.5, 4), "margin_mm": 300.0}, "margin_mm = 300.0 is out of range"),
        ({"points": ring(0.5, 4), "inside": (0, 0, 400)}, r"inside = .* lies 300 mm from the scan"),
        ({"points": ring(0.5, 4), "inside": (0, 0)}, "inside = .* is no point"),
        ({"planes": [((0, 0, 0), (0, 0, 1))], "margin_mm": 5.0}, "margin_mm is given without"),
        ({"planes": [((0, 0, 0), (0, 0, 1))], "mirror": True}, "mirror is given without points"),
    ],
)
def test_bad_values_are_named(wrong: dict[str, Any], problem: str) -> None:
    with pytest.raises(BadParameter, match=problem):
        crop(ball(3), **wrong)


def cylinder(sections: int) -> Workpiece:
    """As a modeller draws it, of long triangles: radius 100, height 600."""
    mesh = trimesh.creation.cylinder(R, 600.0, sections=sections)
    return Workpiece("calf", {"scan": mesh})


@pytest.mark.parametrize("sections", [48, 256])
def test_long_triangles_are_made_finer_at_the_line_alone(sections: int) -> None:
    turn = np.array([0.1, 2.2, 4.3])
    points = np.stack([R * np.cos(turn), R * np.sin(turn), np.full(3, 60.0)], axis=1)
    cut = crop(cylinder(sections), points=points, inside=(0, 0, 300), round_mm=5)
    # The wall over the line, and the top of the prism.
    around = 2 * sections * R * np.sin(np.pi / sections)
    top = sections * R**2 * np.sin(2 * np.pi / sections) / 2
    assert cut.body("scan").area == pytest.approx(240 * around + top, rel=1e-3)
    (border,) = figures(cut)["borders"]
    assert border["length_mm"] == pytest.approx(around, rel=2e-3)
    assert len(cut.body("scan").faces) < 5 * sections


def test_edges_are_held_to_what_is_allowed_at_their_place() -> None:
    mesh = trimesh.creation.box((100.0, 100.0, 100.0))
    vertices, faces = refined(mesh.vertices, mesh.faces, lambda p: 5 + (p[:, 2] + 50) / 2)
    fine = trimesh.Trimesh(vertices, faces, process=False)
    assert fine.is_watertight
    assert fine.area == pytest.approx(mesh.area)
    middle = vertices[fine.edges_unique].mean(axis=1)[:, 2]
    assert (fine.edges_unique_length <= 5 + (middle + 50) / 2).all()
    assert fine.edges_unique_length.max() > 25


@pytest.mark.parametrize("longest_mm", [3.0, 11.0])
def test_finer_triangles_are_the_same_surface(longest_mm: float) -> None:
    mesh = trimesh.creation.icosphere(2, 20.0)
    vertices, faces = refined(mesh.vertices, mesh.faces, longest_mm)
    fine = trimesh.Trimesh(vertices, faces, process=False)
    assert (fine.vertices[: len(mesh.vertices)] == mesh.vertices).all()
    assert fine.edges_unique_length.max() <= longest_mm
    assert fine.is_watertight
    assert fine.is_winding_consistent
    assert fine.area == pytest.approx(mesh.area)
    assert fine.volume == pytest.approx(mesh.volume)
