"""Which spool each plate is printed from, and where one runs out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..supplies.filament import Filament

__all__ = ["SpoolUse", "allotted", "height_left_mm", "job_spools", "profile"]

Floats = NDArray[np.float64]
_PROFILE_STEPS = 40
_SCRAP = 0.02  # of what a plate needs: less on a spool is not worth the change


@dataclass(frozen=True, slots=True)
class SpoolUse:
    """A plate, or what is left of it, on a spool.

    spool : its place in `left_g` from 1, or the number of a new full spool;
        None where no filament is left
    needed_g : to finish the plate; left_g : on the spool before
    change_at_mm : the height at which it runs out, a whole number of layers;
        None if it suffices
    """

    plate: int
    spool: int | None
    needed_g: float
    left_g: float
    change_at_mm: float | None

    @property
    def suffices(self) -> bool:
        return self.spool is not None and self.change_at_mm is None


def allotted(plates: Mapping[int, Floats], filament: Filament, layer_mm: float) -> list[SpoolUse]:
    """Share the spools among plates: number -> grams (n,) of each layer.

    The plate that needs most chooses first, and takes the spool with the least
    left that is enough for it, so that none needs a change if any such choice
    is found. Otherwise it takes the fullest, and goes on from the next. Without
    `left_g` full spools are opened as needed.
    """
    left = dict(enumerate(filament.left_g, start=1))
    uses: list[SpoolUse] = []
    for plate in sorted(plates, key=lambda number: (-plates[number].sum(), number)):
        uses += _fed(plate, plates[plate], left, filament, layer_mm)
    uses.sort(key=lambda use: use.plate)  # stable: changes stay in their order
    return uses if filament.left_g else _renumbered(uses)


def profile(layer_g: Floats, layer_mm: float) -> list[list[float]]:
    """Heights and the grams up to them, [[mm, g], ...], for a stage's figures."""
    count = len(layer_g)
    layers = np.unique(np.linspace(0, count, min(count, _PROFILE_STEPS) + 1).astype(np.int64))
    total = np.concatenate([[0.0], np.cumsum(layer_g)])
    return [[round(layer * layer_mm, 4), round(float(total[layer]), 2)] for layer in layers]


def job_spools(
    estimates: Mapping[str, Mapping[str, Any]], filament: Filament, layer_mm: float
) -> list[tuple[str, SpoolUse]]:
    """Share the spools among the plates of all pieces of a job.

    estimates : piece -> the figures of its `estimate`, each of which counts on
        all spools for its piece alone
    layer_mm : of the printer; heights of changes are whole layers of it

    Piece and use, in the order of the pieces and their plates.
    """
    owners, plates = [], {}
    for piece, figures in estimates.items():
        for row in figures["plates"]:
            owners.append((piece, int(row["number"])))
            height, grams = np.asarray(row["profile"], dtype=float).T
            tops = np.arange(round(height[-1] / layer_mm) + 1) * layer_mm
            plates[len(owners)] = np.diff(np.interp(tops, height, grams))
    uses = allotted(plates, filament, layer_mm)
    return [
        (owners[use.plate - 1][0], replace(use, plate=owners[use.plate - 1][1])) for use in uses
    ]


def height_left_mm(layer_g: Floats, left_g: float, layer_mm: float, start: int = 0) -> float | None:
    """How high a spool prints from layer `start`, in whole layers; None: to the end."""
    reached = np.cumsum(layer_g[start:]) <= left_g + 1e-9
    return None if reached.all() else (start + int(np.argmin(reached))) * layer_mm


def _renumbered(uses: list[SpoolUse]) -> list[SpoolUse]:
    """Full spools, all alike, in the order in which the plates ask for them."""
    order: dict[int, int] = {}
    return [
        use
        if use.spool is None
        else replace(use, spool=order.setdefault(use.spool, len(order) + 1))
        for use in uses
    ]


def _fed(
    plate: int, layer_g: Floats, left: dict[int, float], filament: Filament, layer_mm: float
) -> list[SpoolUse]:
    """The spools that print one plate, one after another; `left` is used up."""
    start = 0
    uses = []
    while start < len(layer_g):
        needed = float(layer_g[start:].sum())
        enough = [number for number in left if left[number] >= needed]
        if not filament.left_g and not enough:
            left[len(left) + 1] = filament.spool_g
            enough = [len(left)] if filament.spool_g >= needed else []
        if not left or max(left.values()) < max(layer_g[start], _SCRAP * needed):
            uses.append(SpoolUse(plate, None, needed, 0.0, start * layer_mm))
            break
        if enough:
            spool = min(enough, key=lambda number: (left[number], number))
        else:
            spool = max(left, key=lambda number: (left[number], -number))
        change = height_left_mm(layer_g, left[spool], layer_mm, start)
        uses.append(SpoolUse(plate, spool, needed, left[spool], change))
        stop = len(layer_g) if change is None else round(change / layer_mm)
        left[spool] -= float(layer_g[start:stop].sum())
        start = stop
    return uses
