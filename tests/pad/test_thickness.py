"""How the pad thins toward its rim, and that its faces neither cross nor stand proud."""

from __future__ import annotations

import json

import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

import bodies
import moldsmith as ms
from crossings import crossing_pairs
from moldsmith.pad.thickness import Profile, profile_share, rim_distance, tapered_thickness
from shapes import brute_distance, cap, heightfield, patched


def noisy(mesh: trimesh.Trimesh, noise: float) -> trimesh.Trimesh:
    shift = np.random.default_rng(3).normal(scale=noise, size=len(mesh.vertices))
    vertices = mesh.vertices + mesh.vertex_normals * shift[:, None]
    return trimesh.Trimesh(vertices, mesh.faces, process=False)


def cut_ball(noise: float) -> ms.Workpiece:
    ball = noisy(trimesh.creation.icosphere(4, 45), noise)
    return ms.crop(patched(ball), planes=[((0, 0, 12), (0.3, 0, 1))])


def cut_waves(noise: float) -> ms.Workpiece:
    rng = np.random.default_rng(2)
    mesh = heightfield(
        lambda x, y: 8 * np.sin(x / 9) * np.cos(y / 11) + rng.normal(scale=noise, size=x.shape),
        step=1.5,
    )
    return ms.crop(patched(mesh), box=((-30, -22, -99), (30, 22, 99)))


def parts(piece: ms.Workpiece) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Triangles (n, 3, 3) of the pad's scanned face, offset face and band."""
    pad, figures = piece.body("pad"), piece.record("shell")["figures"]
    scanned, offset = figures["scanned_face_triangles"], figures["offset_face_triangles"]
    corners = pad.vertices[pad.faces]
    return corners[:scanned], corners[scanned : scanned + offset], corners[scanned + offset :]


def rim_heights(piece: ms.Workpiece) -> tuple[np.ndarray, np.ndarray]:
    """Distance from dense points of the trim line to the offset face, and the length each is for.

    The trim line is read off the scan, the face off the pad; neither by the kernels.
    """
    scan = piece.body("scan")
    edges = np.sort(scan.edges, axis=1)
    unique, counts = np.unique(edges, axis=0, return_counts=True)
    ends = scan.vertices[unique[counts == 1]]
    share = (np.arange(4) + 0.5)[:, None, None] / 4
    points = (ends[:, 0] * (1 - share) + ends[:, 1] * share).reshape(-1, 3)
    length = np.tile(np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1), 4)
    face = parts(piece)[1]
    near = cKDTree(points).query(face.mean(axis=1))[0] < 6
    corners = face[near].reshape(-1, 3)
    return brute_distance(points, corners, np.arange(len(corners)).reshape(-1, 3)), length


@pytest.mark.parametrize("side", ["inward", "outward"])
@pytest.mark.parametrize("noise", [0.0, 0.15, 0.4])
@pytest.mark.parametrize("patch", [cut_ball, cut_waves])
def test_rim_is_no_higher_than_the_edge_along_99_percent_of_the_trim_line(
    patch: object, noise: float, side: str
) -> None:
    scan = patch(noise)  # type: ignore[operator]
    piece = ms.shell(scan, thickness_mm=6, side=side, taper_mm=15, edge_mm=0.8, cell_mm=1.5)
    height, length = rim_heights(piece)
    assert length[height <= 0.85].sum() >= 0.99 * length.sum()
    assert np.median(height) > 0.7  # it is a rim, not a knife's edge


def test_rim_of_an_inward_pad_off_a_real_torso_is_no_higher_than_the_edge() -> None:
    """At the cells of 2 mm that are taken when none are named."""
    body = bodies.human(1780)
    planes = bodies.torso_planes(body)
    scan = bodies.spoiled(body, dense=planes)
    piece = ms.crop(ms.heal(patched(scan)), planes=planes)
    height, length = rim_heights(ms.shell(piece, thickness_mm=8, edge_mm=1.0))
    assert length[height <= 1.05].sum() >= 0.99 * length.sum()
    assert np.median(height) > 0.9


@pytest.mark.parametrize("side", ["inward", "outward"])
def test_offset_face_is_within_a_fiftieth_mm_at_1_mm_cells(side: str) -> None:
    mesh = heightfield(lambda x, y: 6 * np.cos(x / 25) + 4 * np.sin(y / 20), (70, 60), 2)
    piece = ms.shell(patched(mesh), thickness_mm=5, side=side, taper_mm=0, edge_mm=5, cell_mm=1)
    points = np.unique(parts(piece)[1].reshape(-1, 3), axis=0)
    some = points[np.random.default_rng(0).permutation(len(points))[:1500]]
    error = np.abs(brute_distance(some, mesh.vertices, np.asarray(mesh.faces)) - 5)
    assert np.quantile(error, 0.99) < 0.02


@pytest.mark.parametrize("side", ["inward", "outward"])
@pytest.mark.parametrize(
    ("patch", "thickness"), [(cut_ball(0.4), 8.0), (cut_waves(0.1), 10.0), (cut_waves(0.3), 8.0)]
)
def test_no_triangle_of_the_pad_passes_through_another(
    patch: ms.Workpiece, thickness: float, side: str
) -> None:
    """Also where the surface's radius is less than the thickness; told in exact arithmetic."""
    pad = ms.shell(patch, thickness_mm=thickness, side=side, cell_mm=1).body("pad")
    assert pad.is_watertight
    assert len(crossing_pairs(pad.vertices, pad.faces)) == 0


def test_crossing_pairs_finds_two_boxes_that_meet_and_none_that_touch() -> None:
    box = trimesh.creation.box((10, 10, 10))

    def pair(x: float) -> tuple[np.ndarray, np.ndarray]:
        both = np.concatenate([box.vertices, box.vertices * 0.9 + [x, 0.3, 0.2]])
        return both, np.concatenate([box.faces, box.faces + len(box.vertices)])

    assert len(crossing_pairs(*pair(6.0))) > 0
    assert len(crossing_pairs(*pair(9.5))) == 0
    assert len(crossing_pairs(*pair(0.0))) == 0


@pytest.mark.parametrize("profile", ["straight", "eased", "feather"])
def test_profiles_rise_from_edge_to_thickness(profile: Profile) -> None:
    rim = np.linspace(0, 30, 301)
    field = tapered_thickness(rim, 9.0, 20.0, 1.0, profile)
    assert field[0] == 1.0
    assert field[rim >= 20] == pytest.approx(9.0)
    assert (np.diff(field) >= 0).all()


def test_feather_is_thinner_at_the_rim_than_eased_and_eased_than_straight() -> None:
    third = np.array([1 / 3])
    heights = [float(profile_share(third, name)[0]) for name in ("straight", "eased", "feather")]
    assert heights == pytest.approx([1 / 3, 7 / 27, 25 / 729])


def test_rim_distance_reads_through_the_noise_of_a_scan() -> None:
    mesh = cap(60, 60, 24)
    polar = np.arccos(np.clip(mesh.vertices[:, 2] / 60, -1, 1))
    exact = 60 * (np.radians(60) - polar)
    found = rim_distance(noisy(mesh, 0.2), 1000.0)
    inner = exact > 5
    error = np.abs(found - exact)[inner] / exact[inner]
    assert np.quantile(error, 0.95) < 0.01


def test_a_varying_full_thickness_keeps_the_edge() -> None:
    full = np.array([0.6, 5.0, 20.0])
    assert tapered_thickness(np.zeros(3), full, 10.0, 1.0) == pytest.approx([0.6, 1.0, 1.0])
    assert tapered_thickness(np.full(3, 10.0), full, 10.0, 1.0) == pytest.approx(full)


def test_the_coat_is_set_back_once_so_that_the_coated_void_is_the_pad() -> None:
    """A cap of a sphere: after coating, each face lies where the pad's does."""
    piece = ms.shell(
        patched(cap(50, 50, 16)), thickness_mm=6, side="inward", cell_mm=2, coat_mm=0.4
    )
    pad, void = piece.body("pad"), piece.body("void")
    assert void.is_watertight
    gap = np.abs(brute_distance(pad.vertices[::31], void.vertices, np.asarray(void.faces)) - 0.4)
    assert np.quantile(gap, 0.95) < 0.02
    assert void.volume - pad.volume == pytest.approx(0.4 * pad.area, rel=0.02)
    figures = piece.record("shell")["figures"]
    assert figures["coat_set_back_mm"] == 0.4
    assert [finding.code for finding in piece.findings] == ["coat-set-back"]
    blocked = ms.block(piece)
    assert "void" not in blocked.bodies
    assert blocked.body("pad").volume == pytest.approx(void.volume, rel=0.005)
    json.dumps(figures)


def test_without_a_coat_there_is_no_void_beside_the_pad() -> None:
    piece = ms.shell(patched(cap(50, 50, 15)), thickness_mm=6)
    assert list(piece.bodies) == ["scan", "pad"]


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"profile": "round"}, "profile = 'round'.*'straight', 'eased' or 'feather'"),
        ({"min_mm": -1}, "min_mm = -1.*0 to 200"),
        ({"coat_mm": 5}, r"coat_mm = 5.*0 \(no coat\) to 3"),
        ({"thickness_mm": None}, "thickness_mm is missing.*0.5 to 200 mm"),
        ({"form": cap(80, 40, 8)}, "form with side = 'inward'.*outward"),
    ],
)
def test_contradictions_are_refused(wrong: dict[str, object], said: str) -> None:
    with pytest.raises(ms.BadParameter, match=said):
        ms.shell(patched(cap(50, 40, 8)), **{"thickness_mm": 5, **wrong})  # type: ignore[arg-type]
