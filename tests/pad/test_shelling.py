"""What a shell is, whatever it is put on."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

import moldsmith as ms
from moldsmith.geometry.offset import Sheet
from moldsmith.pad.building import closed_pad
from moldsmith.pad.thickness import tapered_thickness
from shapes import brute_distance, cap, heightfield, manifold_and_oriented, patched


def shelled(mesh: trimesh.Trimesh, **settings: Any) -> ms.Workpiece:
    return ms.shell(patched(mesh), **settings)


def scanned_and_offset(piece: ms.Workpiece) -> tuple[trimesh.Trimesh, np.ndarray]:
    """The scan, and the vertices of the pad that lie on neither its face nor its rim."""
    pad, figures = piece.body("pad"), piece.record("shell")["figures"]
    scanned, offset = figures["scanned_face_triangles"], figures["offset_face_triangles"]
    back = pad.faces[scanned : scanned + offset]
    rim = np.unique(pad.faces[scanned + offset :])
    return piece.body("scan"), pad.vertices[np.setdiff1d(np.unique(back), rim)]


def distance_of_some(points: np.ndarray, scan: trimesh.Trimesh) -> np.ndarray:
    """Of 200 of the points, measured against every triangle."""
    some = points[np.random.default_rng(0).permutation(len(points))[:200]]
    return brute_distance(some, scan.vertices, np.asarray(scan.faces))


def assert_sound(pad: trimesh.Trimesh) -> None:
    assert manifold_and_oriented(np.asarray(pad.faces))
    assert pad.volume > 0


@pytest.mark.parametrize("side", ["inward", "outward"])
def test_offset_face_of_a_cap_lies_at_the_thickness_and_closes_what_the_formula_says(
    side: str,
) -> None:
    mesh = cap(50, 50, 25)
    piece = shelled(mesh, thickness_mm=4, side=side, taper_mm=0, edge_mm=4, cell_mm=1)
    scan, points = scanned_and_offset(piece)
    error = np.abs(distance_of_some(points, scan) - 4)
    assert np.quantile(error, 0.99) < 0.02
    other = 46.0 if side == "inward" else 54.0
    exact = 2 * np.pi / 3 * abs(50**3 - other**3) * (1 - np.cos(np.radians(50)))
    assert piece.body("pad").volume == pytest.approx(exact, rel=0.01)
    assert_sound(piece.body("pad"))


def test_scanned_face_keeps_its_own_triangles() -> None:
    mesh = heightfield(lambda x, y: 3 * np.sin(x / 9) + 2 * np.cos(y / 7))
    for side in ("inward", "outward"):
        pad = shelled(mesh, thickness_mm=5, side=side).body("pad")
        corners = pad.vertices[pad.faces[: len(mesh.faces)]]
        own = mesh.vertices[mesh.faces if side == "inward" else mesh.faces[:, ::-1]]
        # The same triangles, each begun at any of its corners.
        turned = [np.abs(np.roll(own, k, axis=1) - corners).max(axis=(1, 2)) for k in range(3)]
        assert np.min(turned, axis=0).max() < 1e-4  # single precision of the STL


@pytest.mark.parametrize("edge", [0.6, 1.0, 2.5])
def test_rim_is_as_high_as_the_edge_asked_for(edge: float) -> None:
    mesh = heightfield(lambda x, y: 0.004 * (x**2 - y**2), (100, 80))
    piece = shelled(mesh, thickness_mm=8, taper_mm=20, edge_mm=edge, cell_mm=1)
    pad, figures = piece.body("pad"), piece.record("shell")["figures"]
    count = figures["scanned_face_triangles"] + figures["offset_face_triangles"]
    band = np.unique(pad.faces[count:])
    back = np.unique(pad.faces[figures["scanned_face_triangles"] : count])
    rim = pad.vertices[np.intersect1d(band, back)]
    height = distance_of_some(rim, mesh)
    assert np.median(height) == pytest.approx(edge, abs=0.05)
    assert np.quantile(np.abs(height - edge), 0.95) < 0.1 * edge + 0.1


def test_thickness_follows_the_taper_and_is_whole_beyond_it() -> None:
    mesh = heightfield(lambda x, y: 0 * x, (120, 100), 2)
    piece = shelled(mesh, thickness_mm=8, taper_mm=25, edge_mm=1, cell_mm=1)
    _, points = scanned_and_offset(piece)
    rim = np.minimum(60 - np.abs(points[:, 0]), 50 - np.abs(points[:, 1]))
    assert -points[rim > 26, 2] == pytest.approx(8, abs=0.01)
    share = np.clip(rim / 25, 0, 1)
    profile = 1 + 7 * share**2 * (3 - 2 * share)
    # The foot of a point over the slope lies a little farther in: the sheet is a little lower.
    slope = 7 / 25 * 1.5
    low = profile / np.sqrt(1 + slope**2) - 0.05
    straight = (rim > 3) & (np.abs(points[:, 0]) < 30)
    assert (-points[straight, 2] < profile[straight] + 0.05).all()
    assert (-points[straight, 2] > low[straight]).all()


def test_taper_profile_is_level_at_both_ends() -> None:
    rim = np.linspace(0, 40, 401)
    profile = tapered_thickness(rim, 8.0, 25.0, 1.0)
    assert profile[0] == 1.0
    assert profile[rim >= 25] == pytest.approx(8.0)
    slope = np.diff(profile) / np.diff(rim)
    assert (slope >= 0).all()
    assert slope[0] < 0.01
    assert slope.max() == pytest.approx(1.5 * 7 / 25, rel=0.01)
    assert (tapered_thickness(rim, 8.0, 0.0, 1.0) == 8.0).all()


@pytest.mark.parametrize("side", ["inward", "outward"])
def test_thickness_beyond_the_radius_of_curvature_still_closes(side: str) -> None:
    """Ridges of 4 mm radius and valleys of the same, a pad of 9 mm."""
    mesh = heightfield(lambda x, y: 4 * np.sin(x / 4), (60, 40), 1)
    piece = shelled(mesh, thickness_mm=9, side=side, taper_mm=0, edge_mm=9, cell_mm=1)
    assert_sound(piece.body("pad"))
    scan, points = scanned_and_offset(piece)
    distance = distance_of_some(points, scan)
    assert np.quantile(np.abs(distance - 9), 0.99) < 0.02


def test_a_pad_thicker_than_the_body_is_deep_is_refused_with_the_depth() -> None:
    bowl = cap(20, 88, 30)
    with pytest.raises(ms.BadParameter, match="thickness_mm = 30 is more than the body is deep"):
        shelled(bowl, thickness_mm=30, taper_mm=0, edge_mm=30, cell_mm=2)


def test_an_outer_face_that_tears_is_refused_with_the_place() -> None:
    """As over lids that noise has folded: here a hole is cut into a sound one."""
    patch = heightfield(lambda x, y: 0 * x, (40, 40), 2)
    vertices = np.asarray(patch.vertices) + np.array([0, 0, 5])
    faces = np.asarray(patch.faces)
    hole = np.linalg.norm(vertices[faces].mean(axis=1)[:, :2] - [8, -6], axis=1) < 4
    sheet = Sheet(vertices, faces[~hole], np.zeros(len(vertices)), 0)
    wanted = np.full(len(patch.vertices), 5.0)
    with pytest.raises(ms.CannotBuild, match=r"tears at x 8, y -6, z 5.*smooth, feature_mm"):
        closed_pad(patch, sheet, "outward", wanted, wanted)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"thickness_mm": 0.1}, r"thickness_mm = 0\.1\. Choose 0\.5 to 200 mm"),
        ({"thickness_mm": float("nan")}, "thickness_mm = nan"),
        ({"thickness_mm": 5, "edge_mm": 6}, "edge_mm = 6.*0.2.*5 mm"),
        ({"thickness_mm": 5, "taper_mm": -1}, "taper_mm = -1"),
        ({"thickness_mm": 5, "cell_mm": 0.1}, "cell_mm = 0.1"),
        ({"thickness_mm": 5, "side": "both"}, "side = 'both'.*'inward' or 'outward'"),
    ],
)
def test_sizes_out_of_range_are_refused_with_the_range(wrong: dict[str, Any], said: str) -> None:
    with pytest.raises(ms.BadParameter, match=said):
        shelled(cap(50, 40, 6), **wrong)


def test_a_closed_scan_is_refused() -> None:
    with pytest.raises(ms.BadParameter, match=r"the scan is closed.*Run crop first"):
        shelled(trimesh.creation.icosphere(2, 50), thickness_mm=3)


def test_the_same_shell_has_the_same_bytes() -> None:
    mesh = heightfield(lambda x, y: 3 * np.sin(x / 9))
    first, again = (shelled(mesh, thickness_mm=5).digests["pad"] for _ in range(2))
    assert first == again


def convex_patch(seed: int) -> tuple[trimesh.Trimesh, trimesh.Trimesh]:
    """A random convex body and what lies over its middle plane."""
    rng = np.random.default_rng(seed)
    points = rng.normal(size=(40, 3))
    points *= rng.uniform(25, 45, 3) / np.linalg.norm(points, axis=1, keepdims=True)
    body = trimesh.convex.convex_hull(points)
    fine = body
    while fine.edges_unique_length.max() > 6:
        fine = fine.subdivide()
    middle = float(body.bounds[:, 2].mean())
    piece = ms.crop(patched(fine), planes=[((0, 0, middle), (0, 0, 1))])
    return body, piece.body("scan")


def steiner_added(mesh: trimesh.Trimesh, distance: float) -> float:
    """What an outward offset adds to a convex body (Schneider, *Convex Bodies*, §4)."""
    ends = mesh.vertices[mesh.face_adjacency_edges]
    length = np.linalg.norm(ends[:, 0] - ends[:, 1], axis=1)
    mean = 0.5 * (length * mesh.face_adjacency_angles).sum()
    return float(mesh.area * distance + mean * distance**2 + 4 / 3 * np.pi * distance**3)


@settings(max_examples=4, deadline=None, derandomize=True)
@given(st.integers(0, 10**6), st.floats(2, 7))
def test_pads_on_convex_bodies_are_manifold_and_between_steiners_bounds(
    seed: int, thickness: float
) -> None:
    body, patch = convex_patch(seed)
    common = {"thickness_mm": thickness, "taper_mm": 0.0, "edge_mm": thickness, "cell_mm": 2.0}
    outside = shelled(patch, side="outward", **common)
    inside = shelled(patch, side="inward", **common)
    for piece in (outside, inside):
        assert_sound(piece.body("pad"))
        scan, points = scanned_and_offset(piece)
        distance = distance_of_some(points, scan)
        assert np.quantile(np.abs(distance - thickness), 0.99) < 0.02
    plain = patch.area * thickness
    assert 0.97 * plain < outside.body("pad").volume < steiner_added(body, thickness)
    assert 0.3 * plain < inside.body("pad").volume < 1.03 * plain


@settings(max_examples=8, deadline=None, derandomize=True)
@given(st.integers(0, 10**6), st.floats(1.5, 8), st.sampled_from(["inward", "outward"]))
def test_pads_on_bumpy_ground_are_manifold_at_the_exact_distance(
    seed: int, thickness: float, side: str
) -> None:
    rng = np.random.default_rng(seed)
    waves = rng.normal(size=(5, 2)) / 9
    phase, tall = rng.uniform(0, 6, 5), rng.uniform(0.5, 2.5, 5)
    noise = rng.normal(scale=0.15, size=(36, 26))

    def ground(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        wave = np.sin(np.stack([x, y], axis=-1) @ waves.T + phase) @ tall
        return np.asarray(wave + noise[: x.shape[0], : x.shape[1]])

    mesh = heightfield(ground, (70, 50), 2)
    piece = shelled(
        mesh, thickness_mm=thickness, side=side, taper_mm=0, edge_mm=thickness, cell_mm=1.5
    )
    assert_sound(piece.body("pad"))
    scan, points = scanned_and_offset(piece)
    distance = distance_of_some(points, scan)
    # Rough ground is narrower than the pad is thick in places: the sheet is not smooth there.
    assert np.quantile(np.abs(distance - thickness), 0.97) < 0.02
    # Weyl: A t ± t² ∫H ± ..., and no less than what stands over the plan.
    assert 0.6 * 70 * 50 * thickness < piece.body("pad").volume < 1.6 * mesh.area * thickness
    tree = cKDTree(piece.body("pad").vertices)
    assert tree.query(mesh.vertices)[0].max() < 1e-4


@pytest.mark.parametrize("shrink_pct", [0.0, 10.0])
def test_a_casting_that_shrinks_comes_out_as_thick_as_asked(shrink_pct: float) -> None:
    """The mold's gap over a ball is the asked thickness / (1 - s), and so are edge and taper."""
    grown = 1 / (1 - shrink_pct / 100)
    piece = patched(cap(50, 40, 25))
    if shrink_pct:
        piece = ms.fit(piece, casting_shrink_pct=shrink_pct)
    piece = ms.shell(
        piece, thickness_mm=6, side="outward", taper_mm=10, edge_mm=2, profile="straight", cell_mm=1
    )
    pad, figures = piece.body("pad"), piece.record("shell")["figures"]
    top = np.linalg.norm(pad.vertices[pad.vertices[:, 2] > 45], axis=1) * (1 - shrink_pct / 100)
    assert top.max() - 50 == pytest.approx(6, abs=0.05)
    assert figures["casting_to_mold"] == pytest.approx(grown)
    assert figures["thickness_max_mm"] == pytest.approx(6 * grown, abs=1e-3)
    assert figures["thickness_min_mm"] == pytest.approx(2 * grown, abs=1e-3)


def test_bumps_and_limits_are_sizes_of_the_casting_too() -> None:
    """What is asked of the wearer's size and then enlarged is what is asked of the enlarged."""
    asked = {"thickness_mm": 5.0, "side": "outward", "taper_mm": 0, "cell_mm": 2.0}
    bump = {"radius_mm": 15.0, "height_mm": 6.0}
    limit = {"radius_mm": 6.0, "max_mm": 8.0}
    small, large = patched(cap(50, 40, 25)), ms.fit(patched(cap(50, 40, 25)), casting_shrink_pct=5)
    volumes = []
    for piece, scale in ((small, 1.0), (large, 1 / 0.95)):
        at = (0.0, 0.0, 50.0 * scale)
        done = ms.shell(piece, **asked, bumps=[{"at": at, **bump}], limits=[{"at": at, **limit}])
        volumes.append(done.body("pad").volume / scale**3)
    assert volumes[1] == pytest.approx(volumes[0], rel=2e-3)
