"""Hollows of a closed outline that rays from its middle meet only behind something else."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Hollows", "hollows"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_BEHIND_MM = 0.5  # less is roughness
_APART_MM = 2.0
_BIN_MM = 0.5


@dataclass(frozen=True, slots=True)
class Hollows:
    """Places of level outlines that lie behind a hook or a leaning rib, seen from the middle.

    row, column (n,) : the outline's number and the degree of each place; places (n, 2) from
    the outline's own middle; mouth (n,) : 1 where the hollow opens anticlockwise, -1 where
    clockwise; ring (n,) : which of `rings` each lies on, (m, 2) points closely spaced
    """

    row: Ints
    column: Ints
    places: Floats
    mouth: Floats
    ring: Ints
    rings: tuple[Floats, ...]

    def held_mm(self, direction_deg: float) -> Floats:
        """How far sideways (n,) each place is from where it could leave that way, mm.

        Seen along the direction the outline's top stands over the place or not; the distance
        is square to it, toward the hollow's mouth, to where no more stands over the place.
        """
        if len(self.row) == 0:
            return np.empty(0)
        way = np.array([np.cos(np.radians(direction_deg)), np.sin(np.radians(direction_deg))])
        side = np.array([-way[1], way[0]])
        across = [ring @ side for ring in self.rings]
        low = min(float(part.min()) for part in across) - 2 * _BIN_MM
        count = int(np.ceil((max(float(part.max()) for part in across) - low) / _BIN_MM)) + 3
        top = np.full((len(self.rings), count), -np.inf)
        for number, (ring, part) in enumerate(zip(self.rings, across, strict=True)):
            np.maximum.at(top[number], np.rint((part - low) / _BIN_MM).astype(np.int64), ring @ way)
        own = np.rint((self.places @ side - low) / _BIN_MM).astype(np.int64)
        level = self.places @ way + _BEHIND_MM
        toward = self.mouth * np.where(self.places @ way >= 0, 1, -1)
        ahead = (np.arange(count) - own[:, None]) * toward[:, None].astype(np.int64)
        # The place's own line and those beside it: a wall along the direction lies on all.
        free = (top[self.ring] <= level[:, None]) & (ahead >= -1)
        nearest = np.where(free, np.abs(ahead), count).min(axis=1)
        return np.asarray(np.maximum(nearest - 1, 0) * _BIN_MM)


def hollows(outlines: Sequence[Floats | None], middles: Floats, reach: Floats) -> Hollows:
    """What of outlines (points in order, closely spaced) lies hidden from their middles.

    reach (r, c) : the outermost distance of each outline in c directions evenly round
    """
    rows: list[Ints] = []
    columns: list[Ints] = []
    owners: list[Ints] = []
    places: list[Floats] = []
    mouths: list[Floats] = []
    rings: list[Floats] = []
    for number, (outline, middle) in enumerate(zip(outlines, middles, strict=True)):
        if outline is None:
            continue
        away = outline - middle
        if _steps(away).sum() < 0:
            away = away[::-1]
        far = np.linalg.norm(away, axis=1)
        degree = _column(away, reach.shape[1])
        behind = reach[number, degree] - far
        hidden = (_turned_back(away) * far > _BEHIND_MM) & (behind > _BEHIND_MM)
        length = float(np.linalg.norm(np.diff(outline, axis=0), axis=1).mean())
        chosen = np.flatnonzero(hidden)[:: max(round(_APART_MM / max(length, 1e-6)), 1)]
        if len(chosen) == 0:
            continue
        rows.append(np.full(len(chosen), number))
        owners.append(np.full(len(chosen), len(rings)))
        columns.append(degree[chosen])
        places.append(away[chosen])
        mouths.append(_opens(degree, far)[chosen])
        rings.append(away)
    if not rings:
        none = np.empty(0, dtype=np.int64)
        return Hollows(none, none, np.empty((0, 2)), np.empty(0), none, ())
    row, column, owner = (np.concatenate(part) for part in (rows, columns, owners))
    place, mouth = np.concatenate(places), np.concatenate(mouths)
    return Hollows(row, column, place, mouth, owner, tuple(rings))


def _column(away: Floats, count: int) -> Ints:
    turn = np.arctan2(away[:, 1], away[:, 0]) / (2 * np.pi)
    return np.rint(turn * count).astype(np.int64) % count


def _turned_back(away: Floats) -> Floats:
    """By what angle (n,) an outline that goes once round turns back over each of its points."""
    step = _steps(away)
    whole = float(step.sum())
    if abs(abs(whole) - 2 * np.pi) > 1e-6:
        return np.zeros(len(away))
    turn = np.sign(whole) * np.r_[0.0, np.cumsum(step)[:-1]]
    thrice = np.concatenate([turn - 2 * np.pi, turn, turn + 2 * np.pi])
    ahead = np.maximum.accumulate(thrice)[len(turn) : 2 * len(turn)] - turn
    behind = turn - np.minimum.accumulate(thrice[::-1])[::-1][len(turn) : 2 * len(turn)]
    return np.asarray(np.maximum(ahead, behind))


def _steps(away: Floats) -> Floats:
    angle = np.arctan2(away[:, 1], away[:, 0])
    return np.asarray((np.diff(angle, append=angle[0]) + np.pi) % (2 * np.pi) - np.pi)


def _opens(degree: Ints, far: Floats) -> Floats:
    """Toward which side what lies behind a point's outermost opens, of an anticlockwise outline.

    The outline came over the outermost before: it turned back at a tip beyond.
    """
    order = np.lexsort((far, degree))
    outer = np.zeros(int(degree.max()) + 1, dtype=np.int64)
    outer[degree[order]] = order  # the farthest comes last
    since = (np.arange(len(degree)) - outer[degree]) % len(degree)
    return np.where(since < len(degree) / 2, 1.0, -1.0)
