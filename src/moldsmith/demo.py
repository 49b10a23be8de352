"""The built-in demo: scans made by rule, of forms padded out to a stage troll.

A form is a stack of ellipses with bell-shaped bumps pushed out along its
surface. Then it is spoiled the way a phone's scan is: noise, holes,
fragments, a patch of floor, triangles of all sizes. Same seed, same bytes.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import trimesh
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import gaussian_filter

from .data import data_path
from .writing import write_bytes

__all__ = ["make_scan", "set_up"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mesh = tuple[Floats, Ints]

SCANS = {"troll": "form", "calf": "calf"}  # file -> recipe
JOB_NAME = "troll.toml"


def set_up(folder: Path) -> Path:
    """Write the demo's scans and job file into `folder`; returns the job file's path."""
    for name, recipe in SCANS.items():
        scan = make_scan(recipe)
        scan.apply_scale(0.001)  # the phone's program saves metres
        exported = scan.export(file_type="ply", encoding="binary")
        write_bytes(folder / "scan" / f"{name}.ply", exported)
    write_bytes(folder / JOB_NAME, data_path(f"demo/{JOB_NAME}").read_bytes())
    return folder / JOB_NAME


def make_scan(name: str = "form") -> trimesh.Trimesh:
    """The scan of a recipe, 'form' (the torso) or 'calf', in mm, z up, facing -y."""
    recipe = tomllib.loads(data_path(f"demo/{name}.toml").read_text(encoding="utf-8"))
    fault = recipe["fault"]
    chance = np.random.default_rng(recipe["seed"])
    form = _form(recipe, chance)
    pieces = [
        _holed(form, fault, chance),
        *_fragments(form[0], fault, chance),
        _floor(fault, chance),
    ]
    sizes = np.cumsum([0, *(len(vertices) for vertices, _ in pieces)])[:-1]
    vertices = np.concatenate([vertices for vertices, _ in pieces])
    faces = np.concatenate([faces + size for (_, faces), size in zip(pieces, sizes, strict=True)])
    return trimesh.Trimesh(vertices, faces, process=False)


def _form(recipe: Mapping[str, Any], chance: np.random.Generator) -> Mesh:
    """The padded form, open below, as measured points on a grid around and along it."""
    fault = recipe["fault"]
    profile = np.asarray(recipe["sections"], dtype=float)
    length = np.r_[0, np.cumsum(np.hypot(np.diff(profile[:, 0]), np.diff(profile[:, 1])))]
    girth = 2 * np.pi * profile[:, 1:].mean()
    along = round(np.sqrt(recipe["triangles"] / 2 * length[-1] / girth))
    around = round(recipe["triangles"] / 2 / along)
    # Row by row from the hip up, with steps of no one size in both directions.
    rows = np.arange(along)[:, None] + _jitter(chance, (along, around), fault["jitter"])
    columns = np.arange(around)[None] + _jitter(chance, (along, around), fault["jitter"])
    turn = columns / around
    angle = 2 * np.pi * turn + fault["density"] * np.sin(2 * np.pi * turn)
    points, normals = _surface(profile, length, rows / (along - 1) * length[-1], angle)
    points += _bumps(recipe["bump"], points)[..., None] * normals
    points += _noise(fault, chance, (along, around), girth / around)[..., None] * normals
    return points.reshape(-1, 3), _grid_faces(along, around, chance)


def _surface(
    profile: Floats, length: Floats, travel: Floats, angle: Floats
) -> tuple[Floats, Floats]:
    """Points and outward unit normals at a travel along the profile and an angle from behind."""
    travel = np.clip(travel, 0, length[-1])
    height, wide, deep = (PchipInterpolator(length, column) for column in profile.T)
    sine, cosine = np.sin(angle), np.cos(angle)
    points = np.stack([wide(travel) * sine, deep(travel) * cosine, height(travel)], axis=-1)
    about = np.stack([wide(travel) * cosine, -deep(travel) * sine, 0 * travel], axis=-1)
    rise = [column.derivative()(travel) for column in (wide, deep, height)]
    upward = np.stack([rise[0] * sine, rise[1] * cosine, rise[2]], axis=-1)
    normals = np.cross(upward, about)
    return points, normals / np.linalg.norm(normals, axis=-1, keepdims=True)


def _bumps(bumps: list[Mapping[str, Any]], points: Floats) -> Floats:
    """How far the surface is pushed out at each point."""
    push = np.zeros(points.shape[:-1])
    for bump in bumps:
        away = (points - np.asarray(bump["centre"])) / np.asarray(bump["reach"])
        push += bump["height"] * np.exp(-0.5 * (away**2).sum(axis=-1))
    return push


def _noise(
    fault: Mapping[str, Any], chance: np.random.Generator, shape: tuple[int, int], step_mm: float
) -> Floats:
    """Noise of each point by itself, and ripples that neighbours share."""
    reach = fault["ripple_reach_mm"] / step_mm
    ripple = gaussian_filter(chance.standard_normal(shape), reach, mode=("nearest", "wrap"))
    ripple *= fault["ripple_mm"] / ripple.std()
    noise: Floats = ripple + chance.normal(0, fault["noise_mm"], shape)
    return noise


def _jitter(chance: np.random.Generator, shape: tuple[int, int], share: float) -> Floats:
    return chance.uniform(-share, share, shape)


def _grid_faces(rows: int, columns: int, chance: np.random.Generator) -> Ints:
    """Two triangles a cell of a grid closed around, each cell cut along one diagonal by chance."""
    row, column = np.mgrid[: rows - 1, :columns].reshape(2, -1)
    after = (column + 1) % columns
    low, low_next = row * columns + column, row * columns + after
    high, high_next = low + columns, low_next + columns
    rising = chance.random(len(row)) < 0.5
    first = np.where(rising, [low, high_next, low_next], [low, high, low_next])
    second = np.where(rising, [low, high, high_next], [low_next, high, high_next])
    return np.concatenate([first.T, second.T])


def _holed(form: Mesh, fault: Mapping[str, Any], chance: np.random.Generator) -> Mesh:
    """The form less the faces near some of its points."""
    vertices, faces = form
    centres = vertices[chance.integers(len(vertices), size=fault["holes"])]
    smallest, largest = fault["hole_mm"]
    radii = chance.uniform(smallest, largest, fault["holes"])
    middle = vertices[faces].mean(axis=1)
    keep = np.ones(len(faces), dtype=bool)
    for centre, radius in zip(centres, radii, strict=True):
        keep &= ((middle - centre) ** 2).sum(axis=1) > radius**2
    faces = faces[keep]
    used, faces = np.unique(faces, return_inverse=True)
    return vertices[used], faces.reshape(-1, 3)


def _fragments(around: Floats, fault: Mapping[str, Any], chance: np.random.Generator) -> list[Mesh]:
    """Crumpled scraps that float about the form."""
    scraps = []
    middle = around.mean(axis=0)
    for start in around[chance.integers(len(around), size=fault["fragments"])]:
        away = (start - middle) / np.linalg.norm(start - middle)
        centre = start + away * chance.uniform(*fault["fragment_off_mm"])
        radius = chance.uniform(*fault["fragment_mm"])
        ball = trimesh.creation.icosphere(subdivisions=2, radius=radius)
        crumpled = ball.vertices * chance.uniform(0.6, 1.2, (len(ball.vertices), 1))
        half = ball.vertices[ball.faces].mean(axis=1) @ away > 0
        scraps.append((crumpled + centre, ball.faces[half].astype(np.int64)))
    return scraps


def _floor(fault: Mapping[str, Any], chance: np.random.Generator) -> Mesh:
    """A patch of floor, facing up."""
    width, depth = fault["floor_mm"]
    cell = fault["floor_cell_mm"]
    across, back = (np.arange(-size / 2, size / 2, cell) for size in (width, depth))
    x, y = np.meshgrid(across, back)
    vertices = np.stack([x, y, 0 * x], axis=-1) + chance.normal(0, 0.6, (*x.shape, 3))
    rows, columns = x.shape
    low = (np.arange(rows - 1)[:, None] * columns + np.arange(columns - 1)).reshape(-1)
    corners = np.stack([low, low + 1, low + columns + 1, low + columns])
    faces = np.concatenate([corners[[0, 1, 2]].T, corners[[0, 2, 3]].T])
    return vertices.reshape(-1, 3), faces
