"""Scans spoiled in every known way come out of heal as one clean surface."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from moldsmith import BadParameter, BadScan, Workpiece, heal
from moldsmith.geometry import stl, topology
from moldsmith.scan.resurfacing import Resurface

Floats = NDArray[np.float64]
R = 100.0


def sphere(level: int = 4) -> trimesh.Trimesh:
    return trimesh.creation.icosphere(level, R)


def piece(*meshes: trimesh.Trimesh) -> Workpiece:
    return Workpiece("belly", {"scan": joined(*meshes)})


def joined(*meshes: trimesh.Trimesh) -> trimesh.Trimesh:
    starts = np.cumsum([0] + [len(mesh.vertices) for mesh in meshes])
    faces = [mesh.faces + start for mesh, start in zip(meshes, starts[:-1], strict=True)]
    vertices = np.concatenate([mesh.vertices for mesh in meshes])
    return trimesh.Trimesh(vertices, np.concatenate(faces), process=False)


def holed(
    mesh: trimesh.Trimesh, *holes: tuple[tuple[float, float, float], float]
) -> trimesh.Trimesh:
    keep = np.ones(len(mesh.faces), dtype=bool)
    for place, radius in holes:
        keep &= np.linalg.norm(mesh.triangles_center - place, axis=1) > radius
    return trimesh.Trimesh(mesh.vertices, mesh.faces[keep], process=False)


def grid(size: float, height: float, steps: int = 60) -> trimesh.Trimesh:
    x, y = np.meshgrid(np.linspace(-size, size, steps), np.linspace(-size, size, steps))
    vertices = np.stack([x.ravel(), y.ravel(), np.full(x.size, height)], axis=1)
    first = (np.arange(steps - 1)[:, None] * steps + np.arange(steps - 1)).ravel()
    faces = np.concatenate(
        [
            np.stack([first, first + 1, first + steps], axis=1),
            np.stack([first + 1, first + steps + 1, first + steps], axis=1),
        ]
    )
    return trimesh.Trimesh(vertices, faces, process=False)


def assert_clean(mesh: trimesh.Trimesh) -> None:
    """Oriented, two faces an edge at most, one fan a vertex; after an STL too."""
    vertices, faces = stl.decode(stl.encode(mesh.vertices, mesh.faces))
    edges = topology.half_edges(faces)
    assert len(np.unique(edges, axis=0)) == len(edges)
    topology.border_loops(faces)
    split, source = topology.split_corners(faces, topology.mated_edges(vertices, faces))
    assert len(source) == len(vertices)
    assert not topology.degenerate(split).any()


def test_a_clean_scan_stays_as_it_is() -> None:
    healed = heal(piece(sphere()), reduce_mm=0)
    assert healed.body("scan").volume == pytest.approx(sphere().volume, rel=1e-6)
    assert len(healed.body("scan").faces) == len(sphere().faces)
    assert healed.findings == ()


@pytest.mark.parametrize(("radius", "within_mm"), [(5.0, 0.05), (15.0, 0.05), (28.0, 0.15)])
def test_a_refilled_hole_lies_on_the_sphere(radius: float, within_mm: float) -> None:
    """A thin plate over a cap of half-angle t is off by R (sin t tan t / 2 - 1 + cos t)."""
    spoiled = holed(sphere(5), ((R, 0, 0), radius), ((0, 0.6 * R, 0.8 * R), radius))
    mesh = heal(piece(spoiled)).body("scan")
    assert mesh.is_watertight
    assert np.abs(np.linalg.norm(mesh.vertices, axis=1) - R).max() < within_mm


def test_the_filling_is_as_fine_as_what_surrounds_it() -> None:
    mesh = heal(piece(holed(sphere(5), ((R, 0, 0), 25.0))), reduce_mm=0).body("scan")
    near = np.linalg.norm(mesh.triangles_center - (R, 0, 0), axis=1) < 20
    assert np.median(mesh.area_faces[near]) == pytest.approx(
        np.median(sphere(5).area_faces), rel=0.5
    )


def test_large_openings_stay_open_and_are_told() -> None:
    spoiled = holed(sphere(), ((0, 0, R), 60.0), ((R, 0, 0), 8.0))
    healed = heal(piece(spoiled))
    loops = topology.border_loops(healed.body("scan").faces)
    assert len(loops) == 1
    (finding,) = healed.findings
    assert finding.code == "opening-kept"
    assert finding.where is not None
    assert finding.where[2] > 0.7 * R
    figures = healed.record("heal")["figures"]
    assert figures["holes_filled"] == 1
    assert figures["openings_mm"][0] == pytest.approx(2 * 60 * np.sqrt(1 - 0.09), abs=12)


def test_a_wide_filling_is_told_with_its_place() -> None:
    healed = heal(piece(holed(sphere(), ((R, 0, 0), 25.0))))
    assert [finding.code for finding in healed.findings] == ["large-hole-filled"]


def test_a_hole_whose_projection_crosses_itself_is_filled() -> None:
    """A slot round more than half of a tube has no plane it lies flat in."""
    tube = trimesh.creation.cylinder(20, 120, sections=64).subdivide().subdivide().subdivide()
    middle = tube.triangles_center
    angle = np.degrees(np.arctan2(middle[:, 1], middle[:, 0]))
    slot = (np.abs(angle) < 130) & (np.abs(middle[:, 2]) < 4)
    mesh = heal(piece(trimesh.Trimesh(tube.vertices, tube.faces[~slot], process=False))).body(
        "scan"
    )
    assert mesh.is_watertight
    assert_clean(mesh)


def test_flipped_doubled_and_degenerate_triangles_are_put_right() -> None:
    rng = np.random.default_rng(3)
    mesh = sphere()
    faces = np.array(mesh.faces)
    turn = rng.random(len(faces)) < 0.3
    faces[turn] = faces[turn][:, ::-1]
    faces = np.concatenate([faces, faces[:40], faces[:5][:, [0, 1, 1]]])
    healed = heal(piece(trimesh.Trimesh(mesh.vertices, faces, process=False)))
    assert healed.body("scan").is_watertight
    assert healed.body("scan").volume == pytest.approx(mesh.volume, rel=1e-6)
    figures = healed.record("heal")["figures"]
    assert figures["repeated_dropped"] == 40
    assert figures["degenerate_dropped"] == 5
    assert figures["triangles_flipped"] == int(turn.sum())


def test_a_scan_turned_inside_out_faces_outward_again() -> None:
    mesh = holed(sphere(), ((0, 0, -R), 130.0))  # a dome, wide open
    inside_out = trimesh.Trimesh(mesh.vertices, mesh.faces[:, ::-1], process=False)
    healed = heal(piece(inside_out)).body("scan")
    outward = np.einsum("ij,ij->i", healed.face_normals, healed.triangles_center)
    assert (outward > 0).all()


def test_a_flat_patch_says_that_its_outside_is_unsure() -> None:
    healed = heal(piece(grid(150, 0)))
    assert "outside-unsure" in [finding.code for finding in healed.findings]


def test_loose_triangles_of_a_soup_are_welded() -> None:
    mesh = sphere()
    rng = np.random.default_rng(0)
    soup = mesh.vertices[mesh.faces].reshape(-1, 3)
    soup = soup + rng.uniform(-0.002, 0.002, soup.shape)
    faces = np.arange(len(soup)).reshape(-1, 3)
    healed = heal(piece(trimesh.Trimesh(soup, faces, process=False)))
    assert healed.body("scan").is_watertight
    assert len(healed.body("scan").vertices) == len(mesh.vertices)


def test_triangles_that_do_not_meet_are_brought_together() -> None:
    """Noise on each triangle's own corners, half of them turned over."""
    ball = sphere()
    rng = np.random.default_rng(0)
    corners = ball.triangles.reshape(-1, 3) + rng.normal(0, 0.3, (3 * len(ball.faces), 3))
    faces = np.arange(len(corners)).reshape(-1, 3)
    faces = np.where(rng.random((len(faces), 1)) < 0.5, faces[:, ::-1], faces)
    healed = heal(piece(trimesh.Trimesh(corners, faces, process=False)), resurface="never")
    mesh = healed.body("scan")
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(ball.volume, rel=0.01)
    assert "torn-scan" in [finding.code for finding in healed.findings]


def test_crumbs_are_no_scan() -> None:
    rng = np.random.default_rng(0)
    corners = (rng.uniform(-R, R, (2000, 1, 3)) + rng.normal(0, 3, (2000, 3, 3))).reshape(-1, 3)
    loose = trimesh.Trimesh(corners, np.arange(6000).reshape(-1, 3), process=False)
    with pytest.raises(BadScan, match=r"loose pieces, the largest .* its triangles do not meet"):
        heal(piece(loose))


def test_fins_are_cut_off() -> None:
    mesh = sphere()
    tips = mesh.vertices[mesh.faces[:30, 0]] * 1.15
    fins = np.stack(
        [mesh.faces[:30, 0], mesh.faces[:30, 1], len(mesh.vertices) + np.arange(30)], axis=1
    )
    spoiled = trimesh.Trimesh(
        np.concatenate([mesh.vertices, tips]), np.concatenate([mesh.faces, fins]), process=False
    )
    healed = heal(piece(spoiled))
    assert healed.body("scan").is_watertight
    assert healed.body("scan").volume == pytest.approx(mesh.volume, rel=1e-6)
    assert healed.record("heal")["figures"]["crowded_edges_split"] > 0


def test_bodies_that_touch_in_a_vertex_come_apart_and_stay_apart_in_the_stl() -> None:
    other = sphere(3)
    top = int(np.argmax(sphere(3).vertices[:, 2]))
    shift = sphere(3).vertices[top] - other.vertices[int(np.argmin(other.vertices[:, 2]))]
    other.apply_translation(shift)
    healed = heal(piece(sphere(3), other))
    mesh = healed.body("scan")
    assert_clean(mesh)
    assert topology.components(mesh.faces)[0] == 2
    assert healed.record("heal")["figures"]["vertices_pulled_apart"] == 2
    assert [finding.code for finding in healed.findings] == ["loose-piece-kept"]


def test_fragments_and_the_floor_go() -> None:
    floor = grid(400, -R - 2)
    crumbs = [
        trimesh.creation.icosphere(1, 6).apply_translation(place)
        for place in ((160, 0, 0), (0, -150, 90), (-140, 60, -30))
    ]
    healed = heal(piece(floor, sphere(), *crumbs))
    assert np.ptp(healed.body("scan").vertices, axis=0) == pytest.approx([2 * R] * 3, rel=1e-3)
    figures = healed.record("heal")["figures"]
    assert (figures["fragments_dropped"], figures["floor_patches_dropped"]) == (3, 1)
    assert [finding.code for finding in healed.findings] == ["floor-dropped"]


def test_a_spike_is_taken_off() -> None:
    mesh = sphere()
    vertices = np.array(mesh.vertices)
    vertices[100] *= 1.4
    healed = heal(piece(trimesh.Trimesh(vertices, mesh.faces, process=False)))
    assert healed.record("heal")["figures"]["spikes_dropped"] == 1
    assert np.linalg.norm(healed.body("scan").vertices, axis=1).max() < R * 1.01
    assert healed.body("scan").is_watertight


def test_a_moebius_band_is_cut_open_rather_than_refused() -> None:
    turn = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    across = np.array([-20.0, 20.0])
    radius = 100 + across * np.cos(turn / 2)[:, None]
    height = across * np.sin(turn / 2)[:, None]
    x, y = radius * np.cos(turn)[:, None], radius * np.sin(turn)[:, None]
    vertices = np.stack([x, y, height], axis=2).reshape(-1, 3)
    ring = np.arange(60)
    a, b = 2 * ring, 2 * ring + 1
    c, d = np.roll(a, -1), np.roll(b, -1)
    c[-1], d[-1] = 1, 0
    faces = np.concatenate([np.stack([a, c, b], axis=1), np.stack([b, c, d], axis=1)])
    mesh = heal(piece(trimesh.Trimesh(vertices, faces, process=False)), max_hole_mm=0).body("scan")
    assert_clean(mesh)
    assert len(topology.border_loops(mesh.faces)) == 1


@pytest.mark.parametrize("resurface", ["never", "always"])
@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_whatever_spoils_the_scan_the_result_is_clean(resurface: Resurface, seed: int) -> None:
    rng = np.random.default_rng(seed)
    mesh = trimesh.creation.icosphere(3, R)
    vertices = mesh.vertices * (1 + rng.normal(scale=0.004, size=(len(mesh.vertices), 1)))
    faces = mesh.faces[rng.random(len(mesh.faces)) > rng.uniform(0, 0.25)]
    turn = rng.random(len(faces)) < rng.uniform(0, 0.3)
    faces = np.where(turn[:, None], faces[:, ::-1], faces)
    stray = rng.integers(len(vertices), size=(rng.integers(0, 40), 3))
    near = faces[rng.integers(len(faces), size=30)][:, [0, 1, 1]]
    near[:, 2] = rng.integers(len(vertices), size=30)
    faces = np.concatenate([faces, stray, near])
    spoiled = piece(trimesh.Trimesh(vertices, faces, process=False))
    reduce_mm = 0.05 if resurface == "always" else 0.0
    healed = heal(
        spoiled, max_hole_mm=80, resurface=resurface, resolution_mm=15.0, reduce_mm=reduce_mm
    )
    assert_clean(healed.body("scan"))


def test_a_scan_of_two_crossing_passes_gets_a_new_surface_and_is_told_how_good_it_is() -> None:
    second = sphere().apply_translation((3.0, 1.0, 0.5))
    ring = second.faces[(np.abs(second.triangles_center[:, 2]) < 70)]
    both = joined(sphere(), trimesh.Trimesh(second.vertices, ring, process=False))
    healed = heal(piece(both), resurface="always", resolution_mm=8.0, reduce_mm=0)
    mesh, figures = healed.body("scan"), healed.record("heal")["figures"]
    assert_clean(mesh)
    assert mesh.is_watertight
    assert figures["resurfaced"] is True
    assert figures["resurfacing_error_max_mm"] < 0.6 * 8.0
    away = np.linalg.norm(mesh.vertices, axis=1)
    assert away.min() > R - 4
    assert away.max() < R + 3.2 + 4
    assert "resurfaced" in [finding.code for finding in healed.findings]


@pytest.mark.parametrize(("radius", "flipped"), [(70.0, True), (70.0, False), (25.0, True)])
def test_large_islands_of_the_skin_are_joined_by_a_new_surface(
    radius: float, flipped: bool
) -> None:
    """A ball cut round a cap, the cap turned or not: its area is r²/4R² of the ball's."""
    mesh = sphere(5)
    island = np.linalg.norm(mesh.triangles_center - (R, 0, 0), axis=1) < radius
    patch = mesh.faces[island][:, ::-1] if flipped else mesh.faces[island]
    apart = mesh.vertices + np.random.default_rng(1).normal(scale=0.05, size=mesh.vertices.shape)
    rest, loose = (
        trimesh.Trimesh(v, f, process=False)
        for v, f in ((mesh.vertices, mesh.faces[~island]), (apart, patch))
    )
    healed = heal(piece(rest, loose), resolution_mm=6.0)
    figures = healed.record("heal")["figures"]
    large = radius**2 / (4 * R**2) > 0.05
    assert figures["resurfaced"] is large
    if large:
        assert figures["island_area_share"] == pytest.approx(radius**2 / (4 * R**2), rel=0.05)
        assert "12 % in loose islands" in healed.findings[0].message
    assert healed.body("scan").is_watertight
    assert np.abs(np.linalg.norm(healed.body("scan").vertices, axis=1) - R).max() < 0.8


def test_a_new_surface_leaves_wide_openings_open() -> None:
    bowl = holed(sphere(), ((0, 0, R), 80.0))
    healed = heal(piece(bowl), resurface="always", resolution_mm=6.0)
    mesh = healed.body("scan")
    loops = topology.border_loops(mesh.faces)
    assert len(loops) == 1
    assert mesh.vertices[:, 2].max() == pytest.approx(bowl.vertices[bowl.faces, 2].max(), abs=9.0)
    assert_clean(mesh)


def test_a_sound_scan_is_not_made_anew() -> None:
    assert heal(piece(sphere())).record("heal")["figures"]["resurfaced"] is False


def test_a_second_layer_is_dropped_and_told() -> None:
    second = holed(sphere().apply_scale(1.02), ((0, 0, -R), 120.0))
    healed = heal(piece(sphere(), second), reduce_mm=0)
    assert len(healed.body("scan").faces) == len(sphere().faces)
    assert [finding.code for finding in healed.findings] == ["layer-dropped"]


@pytest.mark.parametrize("opened", [False, True])
def test_fewer_triangles_keep_the_surface_within_the_tolerance(opened: bool) -> None:
    mesh = holed(sphere(5), ((0, 0, R), 90.0)) if opened else sphere(5)
    healed = heal(piece(mesh), reduce_mm=0.05)
    fewer, figures = healed.body("scan"), healed.record("heal")["figures"]
    assert len(fewer.faces) < 0.8 * len(mesh.faces)
    assert 0 < figures["reduction_deviation_mm"] <= 0.05
    _, away, _ = trimesh.proximity.closest_point_naive(
        fewer, mesh.vertices[np.unique(mesh.faces)[::40]]
    )
    assert away.max() <= 0.0501
    assert_clean(fewer)
    assert len(topology.border_edges(fewer.faces)) == len(topology.border_edges(mesh.faces))


def test_a_noisy_scan_keeps_its_triangles() -> None:
    mesh = sphere(5)
    rough = mesh.vertices + np.random.default_rng(1).normal(scale=0.3, size=mesh.vertices.shape)
    healed = heal(piece(trimesh.Trimesh(rough, mesh.faces, process=False)))
    figures = healed.record("heal")["figures"]
    assert figures["triangles_reduced"] <= 0.05 * len(mesh.faces)
    assert figures["reduction_deviation_mm"] <= 0.05


def test_values_out_of_range_are_named() -> None:
    for wrong, problem in (
        ({"max_hole_mm": -1.0}, "max_hole_mm = -1.0 is out of range.*0 to 1000"),
        ({"fragment_share": 2.0}, "fragment_share = 2.0 is out of range"),
        ({"weld_mm": float("nan")}, "weld_mm = nan is out of range"),
        ({"reduce_mm": 3.0}, "reduce_mm = 3.0 is out of range"),
        ({"resolution_mm": 0.1}, "resolution_mm = 0.1 is out of range.*0.5 to 20"),
        ({"resurface": "maybe"}, "resurface = 'maybe'. Choose 'auto', 'never' or 'always'"),
    ):
        with pytest.raises(BadParameter, match=problem):
            heal(piece(sphere(2)), **wrong)


def test_a_scan_smaller_than_the_weld_is_refused() -> None:
    speck = trimesh.creation.icosphere(1, 0.1)
    with pytest.raises(BadScan, match="no triangle is larger than weld_mm = 1"):
        heal(piece(speck), weld_mm=1.0)


def test_a_scan_of_150_thousand_triangles_is_healed() -> None:
    rng = np.random.default_rng(1)
    mesh = trimesh.creation.icosphere(6, 300)  # 82 thousand
    both = joined(mesh, trimesh.creation.icosphere(6, 300).apply_translation((700, 0, 0)))
    noisy = both.vertices + rng.normal(scale=0.3, size=both.vertices.shape)
    places = noisy[rng.integers(len(noisy), size=40)]
    spoiled = trimesh.Trimesh(noisy, both.faces, process=False)
    spoiled = holed(spoiled, *((tuple(place), 15.0) for place in places))
    healed = heal(piece(spoiled))
    assert_clean(healed.body("scan"))
