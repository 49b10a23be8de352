"""How far each body is moved to draw a mold apart."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import trimesh
from numpy.typing import NDArray

from ..mold.bodies import mold_bodies
from ..mold.sheet_lids import cut_from_sheet
from ..printing.parts import listed_parts
from ..workpiece import Workpiece
from .logs import ran

__all__ = ["apart", "family_of", "mold_parts"]

Floats = NDArray[np.float64]
_SPREAD = 0.3  # of the way from the middle that parts of one body move on
_AIR = 0.10  # of the mold's height, left free between two bodies


def mold_parts(piece: Workpiece) -> tuple[str, ...]:
    """Names of the mold's parts that the piece has, those cut from sheet last.

    Before a split these are the mold's bodies.
    """
    sheet = tuple(name for name in cut_from_sheet(piece) if name in piece.bodies)
    if ran(piece, "split"):
        names = [str(row["body"]) for row in listed_parts(piece)]
        if all(name in piece.bodies for name in names):
            return (*names, *(name for name in sheet if name not in names))
    whole = tuple(name for name in mold_bodies(piece) if name in piece.bodies)
    return (*whole, *(name for name in sheet if name not in whole))


def family_of(piece: Workpiece, name: str) -> str:
    """The mold body that a part was split from; the part itself if it was not."""
    bodies = mold_bodies(piece)
    if name in bodies:
        return name
    stem = name.rpartition("-")[0]
    return stem if stem in bodies else name


def apart(piece: Workpiece) -> dict[str, Floats]:
    """For each mold part, and the pad between them, the step (3,) in mm that draws it apart.

    What closes the mold from below stays; pad, core and lid rise along the pull;
    side pieces go outward; parts of one body move away from each other.
    """
    parts = mold_parts(piece)
    if not parts:
        return {}
    pull = np.array(piece.frame.pull or (0.0, 0.0, 1.0))
    groups: dict[str, list[str]] = {}
    for name in parts:
        groups.setdefault(family_of(piece, name), []).append(name)
    pad = ["pad"] if "pad" in piece.bodies else []
    sides = [name for name in groups if name.startswith("side")]
    steps: dict[str, Floats] = {}
    if sides:
        steps |= _outward(piece, {name: groups[name] for name in sides}, pull)
        stacked = {name: own for name, own in groups.items() if name not in sides}
        lifted = {name: own for name, own in stacked.items() if name in ("cap", "lid", "core")}
        height = _height(piece, parts, pull)
        for name, own in lifted.items():
            share = 1.25 if name == "core" else 0.6
            steps |= dict.fromkeys(own, share * height * pull)
        for own in (own for name, own in stacked.items() if name not in lifted):
            steps |= dict.fromkeys(own, -0.6 * height * pull)
        steps |= {name: np.zeros(3) for name in pad}
        return steps
    order = [name for name in groups if name not in ("core", "lid")]
    tail = [name for name in groups if name in ("core", "lid")]
    rows = [groups[name] for name in order] + ([pad] if pad else []) + [groups[n] for n in tail]
    return _stacked(piece, rows, pull)


def _stacked(piece: Workpiece, rows: list[list[str]], pull: Floats) -> dict[str, Floats]:
    steps: dict[str, Floats] = {}
    level: float | None = None
    air = 15 + _AIR * _height(piece, [name for row in rows for name in row], pull)
    for row in rows:
        meshes = {name: piece.body(name) for name in row}
        heights = np.concatenate([mesh.vertices @ pull for mesh in meshes.values()])
        low, high = float(heights.min()), float(heights.max())
        rise = 0.0 if level is None else level + air - low
        for name, step in _spread(meshes, pull).items():
            steps[name] = step + rise * pull
        level = high + rise
    return steps


def _spread(meshes: Mapping[str, trimesh.Trimesh], pull: Floats) -> dict[str, Floats]:
    """Steps away from the common middle, across the pull."""
    middles = np.array([mesh.bounds.mean(axis=0) for mesh in meshes.values()])
    away = middles - middles.mean(axis=0)
    away -= np.outer(away @ pull, pull)
    return {name: _SPREAD * step for name, step in zip(meshes, away, strict=True)}


def _outward(piece: Workpiece, groups: Mapping[str, list[str]], pull: Floats) -> dict[str, Floats]:
    """Side pieces away from the mold's axis."""
    middles = {
        name: np.mean([piece.body(part).bounds.mean(axis=0) for part in own], axis=0)
        for name, own in groups.items()
    }
    centre = np.mean(list(middles.values()), axis=0)
    reach = max(
        float(np.ptp(piece.body(p).bounds, axis=0).max()) for o in groups.values() for p in o
    )
    steps: dict[str, Floats] = {}
    for name, own in groups.items():
        away = middles[name] - centre
        away = away - (away @ pull) * pull
        length = float(np.linalg.norm(away))
        direction = away / length if length > 1e-6 else np.zeros(3)
        inner = _spread({part: piece.body(part) for part in own}, direction)
        steps |= {part: step + 0.55 * reach * direction for part, step in inner.items()}
    return steps


def _height(piece: Workpiece, names: tuple[str, ...] | list[str], pull: Floats) -> float:
    heights = np.concatenate([piece.body(name).vertices @ pull for name in names])
    return float(np.ptp(heights))
