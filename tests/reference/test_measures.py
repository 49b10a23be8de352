"""Measures against closed forms, a body's stated stature, and the limits of ISO 20685.

Sources: ellipse by Ramanujan's second formula (1914); two circles of radius R, d
apart: 2 pi R + 2 d; geodesics of cylinder and cone are straight when unrolled;
great circle of a sphere. ISO 20685 (as quoted in Gupta and Zakaria, eds.,
Anthropometry, Apparel Sizing and Design): scan against tape within 4 mm for
heights, small girths and breadths, 5 mm for depths, 9 mm for large girths.
ANSUR II (Gordon et al. 2014, NATICK/TR-15/007): least and greatest observed,
or stature's 5th to 95th percentile, over both sexes: a sanity band, no more.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import trimesh

from bodies import human
from moldsmith import Frame, Workpiece, girth, measure_body, surface_length
from moldsmith.scan.body_measures import BodyMeasures
from moldsmith.scan.standing import stand

LARGE = ("waist girth", "hip girth", "chest girth", "thigh girth")  # from memory: over 500 mm


def limit_mm(name: str) -> float:
    return 9.0 if name in LARGE else 5.0 if name.endswith("depth") else 4.0


def tube(lower: float, upper: float, height: float = 300.0, sections: int = 256) -> trimesh.Trimesh:
    """An open cylinder or cone about z, its corners on the surface."""
    turn = np.linspace(0, 2 * np.pi, sections, endpoint=False)
    levels = np.linspace(0, 1, 41)
    radius = lower + levels * (upper - lower)
    rings = np.stack(
        [
            np.outer(radius, np.cos(turn)),
            np.outer(radius, np.sin(turn)),
            np.repeat(levels[:, None] * height, sections, axis=1),
        ],
        axis=-1,
    )
    a = (np.arange(40)[:, None] * sections + np.arange(sections)).ravel()
    b = (np.arange(40)[:, None] * sections + (np.arange(sections) + 1) % sections).ravel()
    faces = np.concatenate([np.c_[a, b, b + sections], np.c_[a, b + sections, a + sections]])
    return trimesh.Trimesh(rings.reshape(-1, 3), faces, process=False)


@cache
def body(kind: str = "") -> trimesh.Trimesh:
    return human(1720.0, {f"macrodetails/{kind}": 1.0} if kind else None)


@cache
def measured() -> BodyMeasures:
    return measure_body(body())


def test_girth_of_an_ellipse_is_ramanujan_s() -> None:
    oval = tube(1, 1)
    oval.apply_scale((150, 100, 1))
    tape = girth(oval, height_mm=140).value_mm
    assert tape == pytest.approx(793.27198, rel=1e-4)
    assert tape <= 793.27198  # inscribed


def test_girth_bridges_the_hollow_of_an_hourglass_section() -> None:
    circles = [trimesh.creation.cylinder(30, 200, sections=256) for _ in range(2)]
    circles[0].apply_translation((-50, 0, 0))
    circles[1].apply_translation((50, 0, 0))
    bridge = trimesh.creation.box((100, 30, 200))  # wider than what is taken for a web
    both = circles[0].union([circles[1], bridge])
    assert girth(both, height_mm=77).value_mm == pytest.approx(388.49556, rel=1e-4)


@pytest.mark.parametrize("sunk_mm", [-2.0, 0.0, 5.0, 10.0])
@pytest.mark.parametrize("arms", [(-1,), (-1, 1)])
def test_no_tape_goes_round_an_arm_that_grew_onto_the_trunk(
    sunk_mm: float, arms: tuple[int, ...]
) -> None:
    """As where a scan has no gap in the armpit; joined over 24 to 55 mm."""
    trunk = trimesh.creation.cylinder(1, 200, sections=256)
    trunk.apply_scale((150, 100, 1))
    parts = [trunk]
    for side in arms:
        arm = trimesh.creation.cylinder(45, 200, sections=128)
        arm.apply_translation((side * (150 + 45 - sunk_mm), 0, 0))
        web = trimesh.creation.box((20, 28, 200))
        web.apply_translation((side * (150 - sunk_mm / 2), 0, 0))
        parts += [arm, web]
    tape = girth(parts[0].union(parts[1:]), height_mm=77).value_mm
    assert tape == pytest.approx(793.27, rel=0.01)


def test_girth_of_a_cone_follows_its_height_and_its_tilted_tape_is_an_ellipse() -> None:
    cone = tube(100, 40)
    assert girth(cone, height_mm=100).value_mm == pytest.approx(2 * np.pi * 80, rel=1e-4)
    # A plane tilted by t cuts a cone of half angle a in an ellipse (Dandelin 1822).
    k, tilt = 60 / 300, np.radians(20)
    apex = 100 / k
    s, c = np.sin(tilt), np.cos(tilt)
    ends = [  # radius where the plane through (0, 0, 150) meets the cone on either side
        k * (apex - 150) / (1 + sign * k * s / c) for sign in (-1, 1)
    ]
    major = sum(ends) / 2 / c
    minor = np.sqrt(ends[0] * ends[1])
    h = ((major - minor) / (major + minor)) ** 2
    exact = np.pi * (major + minor) * (1 + 3 * h / (10 + np.sqrt(4 - 3 * h)))
    tape = girth(cone, at=(0, 0, 150), normal=(s, 0, c)).value_mm
    assert tape == pytest.approx(exact, rel=2e-4)


def test_the_way_round_a_cylinder_is_a_helix() -> None:
    cylinder = tube(50, 50)
    ends = [(50 * np.cos(a), 50 * np.sin(a), z) for a, z in ((0.31, 21.3), (2.4, 173.1))]
    length = surface_length(cylinder, *ends).value_mm
    assert length == pytest.approx(np.hypot(50 * (2.4 - 0.31), 173.1 - 21.3), rel=2e-4)


def test_the_way_on_a_cone_is_straight_when_unrolled() -> None:
    cone = tube(100, 40)
    slope = np.hypot(60, 300)
    start, end = (np.array([r * np.cos(a), r * np.sin(a), (100 - r) * 5])
                  for r, a in ((90.0, 0.2), (60.0, 1.9)))  # fmt: skip
    reach = [r * slope / 60 for r in (90.0, 60.0)]  # from the apex, along the skin
    turn = 1.7 * 60 / slope
    exact = np.sqrt(reach[0] ** 2 + reach[1] ** 2 - 2 * reach[0] * reach[1] * np.cos(turn))
    assert surface_length(cone, start, end).value_mm == pytest.approx(exact, rel=2e-4)


def test_the_way_on_a_sphere_is_a_great_circle() -> None:
    ball = trimesh.creation.icosphere(5, 100)
    rng = np.random.default_rng(0)
    for _ in range(5):
        one, other = rng.normal(size=(2, 3))
        one, other = one / np.linalg.norm(one), other / np.linalg.norm(other)
        length = surface_length(ball, 100 * one, 100 * other).value_mm
        exact = 100 * np.arccos(one @ other)
        assert length == pytest.approx(exact, rel=5e-4)
        assert length < exact  # inscribed


@pytest.mark.parametrize("kind", ["", "caucasian-male-old", "caucasian-female-young"])
def test_a_body_measures_its_stated_stature_and_lies_in_the_population(kind: str) -> None:
    found = measure_body(body(kind))
    assert found.missing == {}
    assert found["stature"].value_mm == pytest.approx(1720, abs=1e-3)
    # Least and greatest observed; the hip from 3 SD below the mean to 3 SD above.
    bands = {
        "chest girth": (695, 1469),
        "waist girth": (611, 1379),
        "upper arm girth": (216, 490),
        "thigh girth": (412, 870),
        "calf girth": (266, 523),
        "hip girth": (1020 - 230, 1021 + 230),
        "neck girth": (330 - 60, 398 + 78),
    }
    for name, (low, high) in bands.items():
        assert low <= found[name].value_mm <= high, name


@pytest.mark.parametrize("found_frame", [False, True])
def test_a_turned_shifted_noisy_copy_measures_within_iso_20685(found_frame: bool) -> None:
    fine = body().subdivide()
    noise = np.random.default_rng(1).normal(0, 0.5, (len(fine.vertices), 1))
    noisy = trimesh.Trimesh(fine.vertices + noise * fine.vertex_normals, fine.faces, process=False)
    matrix = trimesh.transformations.rotation_matrix(1.1, (1, 2, 3), (500, -60, 70))
    noisy.apply_transform(matrix)
    piece = Workpiece("troll", {"scan": noisy}, Frame().turned(matrix))
    if found_frame:
        piece = stand(Workpiece("troll", {"scan": noisy}))
    copy = measure_body(piece)
    assert copy.missing == {}
    for measure in measured().measures:
        off = copy[measure.name].value_mm - measure.value_mm
        assert abs(off) <= limit_mm(measure.name), (measure.name, off)


def test_where_a_measure_was_taken_is_on_the_body_it_was_given() -> None:
    matrix = trimesh.transformations.rotation_matrix(1.1, (1, 2, 3), (500, -60, 70))
    moved = body().copy()
    moved.apply_transform(matrix)
    copy = measure_body(Workpiece("troll", {"scan": moved}, Frame().turned(matrix)))
    for measure in measured().measures:
        there = trimesh.transform_points([measure.where], matrix)[0]
        assert copy[measure.name].where == pytest.approx(there, abs=4.0)
