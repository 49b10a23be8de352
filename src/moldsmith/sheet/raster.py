"""Triangle meshes to pixels: a z-buffer in whole-array steps, lit from over the shoulder.

Each triangle is cut into its rows of pixels, each row into its pixels, and for
each pixel the nearest triangle stays. Linear in triangles plus covered pixels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import trimesh
from numpy.typing import NDArray

from ..geometry.colours import PAPER

__all__ = ["Camera", "Painted", "aimed", "render"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_CHUNK = 2_000_000  # pixels worked on at once
_LIGHT = np.array([-0.45, 0.55, 0.70])  # right, up, toward the eye: from over the left shoulder
_SHADE = (0.52, 0.40, 0.16)  # what is always there, what the light adds, what the eye's side adds
_INSIDE = np.array([0.62, 0.58, 0.60])  # a surface seen from behind is drawn darker
_LINE_MM = 0.012  # of the picture's height: a step in depth that gets an outline


@dataclass(frozen=True, slots=True)
class Painted:
    """A mesh and the colour, 0 to 255, of each of its faces (m, 3)."""

    mesh: trimesh.Trimesh
    colours: NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Camera:
    """A parallel view: axes (3, 3) right, up, toward the eye; its middle, and mm a pixel."""

    axes: Floats
    middle: Floats
    mm_per_pixel: float
    width: int
    height: int

    def seen(self, points: Floats) -> Floats:
        """Points (..., 3) as seen: pixels right and up of the middle, and toward the eye."""
        place: Floats = (points @ self.axes.T - self.middle) / self.mm_per_pixel
        return place


def aimed(
    meshes: Sequence[trimesh.Trimesh], toward: Floats, up: Floats, width: int, height: int
) -> Camera:
    """The camera that sees all meshes, looked at from the direction `toward`."""
    eye = toward / np.linalg.norm(toward)
    right = np.cross(up, eye)
    if np.linalg.norm(right) < 1e-6:  # from straight above: what was behind is at the top
        right = np.cross(np.roll(up, 1), eye)
    right = right / np.linalg.norm(right)
    axes = np.stack([right, np.cross(eye, right), eye])
    seen = np.concatenate([mesh.vertices @ axes.T for mesh in meshes])
    low, high = seen.min(axis=0), seen.max(axis=0)
    size = np.maximum(high - low, 1e-6)
    scale = float(max(size[0] / width, size[1] / height)) / 0.92
    return Camera(axes, (low + high) / 2, scale, width, height)


def render(
    painted: Sequence[Painted], camera: Camera, paper: tuple[int, int, int] = PAPER
) -> NDArray[np.uint8]:
    """The picture (height, width, 3) on paper, twice as fine inside to smooth its edges."""
    fine = Camera(
        camera.axes, camera.middle, camera.mm_per_pixel / 2, camera.width * 2, camera.height * 2
    )
    corners = np.concatenate([item.mesh.vertices[item.mesh.faces] for item in painted])
    screen = fine.seen(corners) * [1, -1, 1] + [fine.width / 2, fine.height / 2, 0]
    depth, face = _nearest(screen, fine.width, fine.height)
    shade = _lit(corners, np.concatenate([item.colours for item in painted]), fine.axes)
    # Face -1, where nothing is, reads the last row: paper.
    tones = np.rint(np.clip(np.concatenate([shade, [paper]]), 0, 255)).astype(np.uint8)
    picture = np.take(tones, face, axis=0, mode="wrap")
    line = _outlines(depth, fine.height * _LINE_MM)
    picture[line] = np.rint(picture[line] * 0.45)
    halved = picture[::2].astype(np.uint16) + picture[1::2]
    pixels: NDArray[np.uint8] = ((halved[:, ::2] + halved[:, 1::2] + 2) >> 2).astype(np.uint8)
    return pixels


def _lit(corners: Floats, colours: NDArray[np.uint8], axes: Floats) -> Floats:
    """Each face's colour under the light: Lambert's cosine law."""
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    normal = np.divide(normal, length, out=np.zeros_like(normal), where=length > 0) @ axes.T
    behind = normal[:, 2] < 0
    normal[behind] *= -1
    light = np.maximum(normal @ (_LIGHT / np.linalg.norm(_LIGHT)), 0)
    strength = _SHADE[0] + _SHADE[1] * light + _SHADE[2] * normal[:, 2]
    lit: Floats = colours * strength[:, None]
    lit[behind] *= _INSIDE
    return lit


def _nearest(screen: Floats, width: int, height: int) -> tuple[Floats, Ints]:
    """Depth and number of the nearest triangle at each pixel; -inf and -1 where there is none."""
    best = np.full(width * height, -np.inf)
    face = np.full(width * height, -1, dtype=np.int64)
    for triangle, row, left, count in _chunks(*_spans(screen, width, height)):
        rise, level = _depths(screen, triangle, row)
        place = np.repeat(np.arange(len(count)), count)
        x = np.arange(len(place)) + (left - np.cumsum(count) + count)[place]
        z = rise[place] * (x + 0.5) + level[place]
        pixel = (row * width)[place] + x
        # Of equal places the triangle of the lowest number is kept.
        before = best[pixel]
        np.maximum.at(best, pixel, z)
        nearer = np.flatnonzero((z == best[pixel]) & (z > before))
        pixel, owner = pixel[nearer], triangle[place[nearer]]
        face[pixel] = len(screen)
        np.minimum.at(face, pixel, owner)
    return best.reshape(height, width), face.reshape(height, width)


def _spans(screen: Floats, width: int, height: int) -> tuple[Ints, Ints, Ints, Ints]:
    """The rows of pixels of each triangle: triangle, row, first column, number of columns.

    Ordered by triangle.
    """
    x, y = (np.ascontiguousarray(screen[:, :, axis].T) for axis in (0, 1))
    low_x, high_x = _pixels(x.min(axis=0), width), _pixels(x.max(axis=0), width)
    low_y, high_y = _pixels(y.min(axis=0), height), _pixels(y.max(axis=0), height)
    # Of the others no pixel's middle is within.
    live = np.flatnonzero((high_x > low_x) & (high_y > low_y))
    top = low_y[live]
    rows = high_y[live] - top
    place = np.repeat(np.arange(len(live)), rows)
    triangle = live[place]
    row = np.arange(len(place)) + (top - np.cumsum(rows) + rows)[place]
    middle = row + 0.5
    x, y = x[:, triangle], y[:, triangle]
    over = y <= middle
    left, right = np.full(len(row), np.inf), np.full(len(row), -np.inf)
    for p, q in ((0, 1), (1, 2), (2, 0)):
        crossed = over[p] != over[q]
        climb = np.where(crossed, y[q] - y[p], 1)
        met = x[p] + (middle - y[p]) / climb * (x[q] - x[p])
        np.minimum(left, met, out=left, where=crossed)
        np.maximum(right, met, out=right, where=crossed)
    whole = left <= right
    first, after = (_pixels(np.where(whole, edge, 0), width) for edge in (left, right))
    kept = np.flatnonzero(after > first)
    first = first[kept]
    return triangle[kept], row[kept], first, after[kept] - first


def _pixels(edge: Floats, most: int) -> Ints:
    """The first pixel whose middle is at or after each edge, from 0 to `most`."""
    found: Ints = np.clip(np.ceil(edge - 0.5), 0, most).astype(np.int64)
    return found


def _chunks(triangle: Ints, row: Ints, left: Ints, count: Ints) -> list[tuple[Ints, ...]]:
    """The rows in groups of about `_CHUNK` pixels."""
    group = np.cumsum(count) // _CHUNK
    cuts = np.flatnonzero(np.diff(group)) + 1
    columns = [np.split(column, cuts) for column in (triangle, row, left, count)]
    return list(zip(*columns, strict=True))


def _depths(screen: Floats, triangle: Ints, row: Ints) -> tuple[Floats, Floats]:
    """Depth along each row of a triangle: its rise a pixel, and its level where x is 0.

    triangle : numbers in order, one for each row
    """
    new = np.diff(triangle, prepend=-1) != 0
    place = np.cumsum(new) - 1
    p, q, r = np.moveaxis(screen[triangle[new]], 1, 0)
    u, v = q - p, r - p
    twice = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    seen = np.abs(twice) > 1e-12
    twice = np.where(seen, twice, 1)
    a = np.where(seen, (u[:, 2] * v[:, 1] - v[:, 2] * u[:, 1]) / twice, 0)
    b = np.where(seen, (v[:, 2] * u[:, 0] - u[:, 2] * v[:, 0]) / twice, 0)
    c = p[:, 2] - a * p[:, 0] - b * p[:, 1]
    return a[place], b[place] * (row + 0.5) + c[place]


def _outlines(depth: Floats, least: float) -> NDArray[np.bool_]:
    """Pixels just before a step in depth, or at the rim of what is drawn."""
    line = np.zeros(depth.shape, dtype=bool)
    there = np.where(np.isfinite(depth), depth, -1e9)
    for axis in (0, 1):
        step = np.diff(there, axis=axis)
        near, far = [slice(None)] * 2, [slice(None)] * 2
        near[axis], far[axis] = slice(None, -1), slice(1, None)
        line[tuple(near)] |= step < -least
        line[tuple(far)] |= step > least
    return line
