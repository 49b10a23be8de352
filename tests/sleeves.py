"""Made sleeves and caps for tests of molds of several pieces: open patches, facing outward."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import trimesh
from numpy.typing import NDArray

__all__ = ["barrel", "bent_tube", "calf", "deep_cap", "lobed", "tube"]

Floats = NDArray[np.float64]


def tube(
    radius: Callable[[Floats, Floats], Floats],
    height: float = 120.0,
    *,
    axis: Callable[[Floats], Floats] | None = None,
    step: float = 4.0,
) -> trimesh.Trimesh:
    """A tube round z from 0 to a height, its radius by angle and height, its middle by height."""
    rows = round(height / step) + 1
    columns = round(2 * np.pi * 45 / step)
    z, turn = np.meshgrid(
        np.linspace(0, height, rows),
        np.arange(columns) * 2 * np.pi / columns,
        indexing="ij",
    )
    reach = radius(turn, z) + 0 * turn
    points = np.stack([reach * np.cos(turn), reach * np.sin(turn), z], axis=-1)
    if axis is not None:
        points[..., 0] += axis(z)
    number = np.arange(rows * columns).reshape(rows, columns)
    a, b = number[:-1], np.roll(number, -1, axis=1)[:-1]
    d, c = number[1:], np.roll(number, -1, axis=1)[1:]
    faces = np.stack([np.stack([a, b, c], -1), np.stack([a, c, d], -1)]).reshape(-1, 3)
    return trimesh.Trimesh(points.reshape(-1, 3), faces, process=False)


def barrel(step: float = 4.0) -> trimesh.Trimesh:
    """Wider in the middle than at both ends."""
    return tube(lambda _, z: 38 + 10 * np.sin(np.pi * z / 120), step=step)


def calf(step: float = 4.0) -> trimesh.Trimesh:
    """An hourglass that is no body of revolution: wide above, narrow below, fuller behind."""
    return tube(
        lambda turn, z: (
            34
            + 14 * np.exp(-(((z - 85) / 30) ** 2))
            + 6 * np.exp(-((z / 25) ** 2))
            + 5 * np.cos(turn) * np.exp(-(((z - 85) / 30) ** 2))
        ),
        step=step,
    )


def bent_tube(step: float = 4.0) -> trimesh.Trimesh:
    """A tapered tube whose middle runs on an arc."""
    return tube(lambda _, z: 44 - 0.08 * z, axis=lambda z: 14 * np.sin(np.pi * z / 120), step=step)


def lobed(lobes: int = 3, depth: float = 7.0, step: float = 4.0) -> trimesh.Trimesh:
    """A tube with lobes and hollows between them, which two straight pulls cannot release."""
    return tube(lambda turn, _: 42 + depth * np.cos(lobes * turn), height=80, step=step)


def deep_cap(radius: float = 45.0, opening_deg: float = 115.0) -> trimesh.Trimesh:
    """A ball's cap that goes past the equator, facing outward."""
    from shapes import cap

    return cap(radius, opening_deg, rings=22)
