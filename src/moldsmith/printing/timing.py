"""Filament and seconds of each layer, from what is in it and how the printer moves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..supplies.filament import Filament
from ..supplies.printer import Printer
from .slices import Slices

__all__ = ["Work", "work_of"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Work:
    """What the layers (n,) of one part take: filament in mm3, of it support, and seconds.

    busy_s : of drawing and moving, before any waiting for a layer to cool
    """

    filament_mm3: Floats
    support_mm3: Floats
    busy_s: Floats

    def seconds(self, min_layer_s: float) -> Floats:
        """Seconds (n,) of each layer if the part is printed alone."""
        return np.maximum(self.busy_s, min_layer_s)


def work_of(slices: Slices, printer: Printer, filament: Filament) -> Work:
    """What a sliced part takes, layer by layer.

    A line is a rectangle of line width by layer height. Walls run at their
    speeds and come nearly to a stop at each sharp turn; skin, infill, support
    and brim are straight lines, one after another, each from rest to rest: a
    line of length s takes s / v + v / a, or 2 sqrt(s / a) if it never gets up
    to speed v at acceleration a. No line is drawn faster than the hot end
    melts. Each outline of each wall, and each inside, is reached by a move of
    the mean straight run. Heating up and the printer's own rounding of corners
    are left out; `measured` in `estimate` takes them up.
    """
    width, height = printer.line_width_mm, printer.layer_mm
    lengths = {
        "outer": slices.outer,
        "inner": np.maximum(slices.wall / width - slices.outer, 0),
        "skin": slices.skin / width,
        "infill": slices.infill * printer.infill_share / width,
        "support": slices.support * printer.support_share / width,
        "brim": slices.brim / width,
    }
    speeds = _speeds(printer, filament, len(slices))
    turns = np.maximum(slices.corners, slices.loops)  # a round outline still starts and stops once
    chords = np.maximum(slices.chords, width)
    busy = np.zeros(len(slices))
    for kind, length in lengths.items():
        if kind == "outer":
            moves = turns
        elif kind == "inner":
            moves = turns * (printer.walls - 1)
        else:
            moves = length / chords
        moves = np.where(length > 0, moves, 0.0)
        busy += _drawn(length, moves, speeds[kind], printer.acceleration_mm_s2)
    trips = slices.loops * (printer.walls + 1)
    travel = np.full(len(slices), printer.travel_mm_s)
    busy += _drawn(trips * chords, trips, travel, printer.acceleration_mm_s2)
    extruded: Floats = np.sum(list(lengths.values()), axis=0) * width * height
    return Work(extruded, lengths["support"] * width * height, busy)


def _speeds(printer: Printer, filament: Filament, layers: int) -> dict[str, Floats]:
    """Speed of each kind of line in each layer: as set, no faster than it melts."""
    flow = min(printer.max_flow_mm3_s, filament.max_flow_mm3_s)
    melted = flow / (printer.line_width_mm * printer.layer_mm)
    wanted = {
        "outer": printer.outer_wall_mm_s,
        "inner": printer.inner_wall_mm_s,
        "skin": printer.skin_mm_s,
        "infill": printer.infill_mm_s,
        "support": printer.support_mm_s,
        "brim": printer.first_layer_mm_s,
    }
    speeds = {}
    for kind, speed in wanted.items():
        speeds[kind] = np.full(layers, min(speed, melted))
        speeds[kind][0] = min(speed, printer.first_layer_mm_s, melted)
    return speeds


def _drawn(length: Floats, moves: Floats, speed: Floats, acceleration: float) -> Floats:
    """Seconds (n,) of so many equal straight moves, each from rest to rest."""
    each = np.divide(length, moves, out=np.zeros_like(length), where=moves > 0)
    long_ = each / speed + speed / acceleration
    short = 2 * np.sqrt(each / acceleration)
    seconds = np.where(each >= speed**2 / acceleration, long_, short)
    # Where fewer than one move is counted, drawing at speed is the least it takes.
    return np.maximum(seconds * moves, length / speed)
