"""What a cut costs: parts, the longest of them, seam on the fine face, overhang, walls, keys."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from ...geometry import solid
from ...geometry.occupancy import Occupancy
from ...geometry.placing import largest_disc
from .cut_planes import Cut, Passed
from .keep_outs import CLEAR_MM, Span
from .pegging import PEG_DEPTHS_MM

__all__ = ["WEIGHTS", "Costs", "FineFace", "Objective", "Weights", "crossed_length_mm"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Objective = Literal["parts", "longest", "seam", "balanced"]
_THIN_MM = 2.4
_CUT_SHARE = 0.75  # of the margin lacking: what is left is no wall
_ABOUT_MM = 0.05  # as much is told of a gap
_DIVIDED = 2.0  # of a bore that a cut divides: a joint in its wall


@dataclass(frozen=True, slots=True)
class FineFace:
    """The part of a body's surface that shapes the casting: vertices (n, 3), faces (m, 3)."""

    vertices: Floats
    faces: Ints


@dataclass(frozen=True, slots=True)
class Weights:
    """How much each term of an objective counts.

    For choosing the number of cells: part (each), longest (share of the whole in the
    largest part), seam_grid (a metre of cut across the fine face). For a cut's place:
    seam (a mm), balance (the greatest share of the whole off even), overhang (a mm2).
    """

    part: float
    longest: float
    seam_grid: float
    seam: float
    balance: float
    overhang: float


WEIGHTS: dict[str, Weights] = {
    "parts": Weights(100.0, 1.0, 1.0, 0.01, 5.0, 0.001),
    "longest": Weights(0.2, 20.0, 0.1, 0.005, 100.0, 0.001),
    "seam": Weights(0.3, 0.5, 20.0, 0.1, 2.0, 0.001),
    "balanced": Weights(0.5, 6.0, 3.0, 0.03, 30.0, 0.003),
}


def crossed_length_mm(face: FineFace, axis: int, at: float) -> float:
    """How long a plane's cut across a surface is."""
    place = face.vertices[:, axis] - at
    corner = place[face.faces]
    crossed = (corner.min(axis=1) < 0) & (corner.max(axis=1) >= 0)
    corner, faces = corner[crossed], face.faces[crossed]
    # The corner alone on its side, and where the two edges from it cross the plane.
    over = corner >= 0
    lone = np.where(over.sum(axis=1) == 1, over.argmax(axis=1), (~over).argmax(axis=1))
    rows = np.arange(len(faces))
    tip = face.vertices[faces[rows, lone]]
    ends = []
    for step in (1, 2):
        other = (lone + step) % 3
        share = corner[rows, lone] / (corner[rows, lone] - corner[rows, other])
        ends.append(tip + share[:, None] * (face.vertices[faces[rows, other]] - tip))
    return float(np.linalg.norm(ends[1] - ends[0], axis=1).sum())


class Costs:
    """The terms for one body, from its occupancy, its fine face and what lies in it.

    upside_down : how the body lies in print
    """

    def __init__(
        self,
        weights: Weights,
        bulk: Occupancy,
        fine: FineFace | None,
        spans: Sequence[Span],
        upside_down: bool = False,
    ) -> None:
        self.weights = weights
        self.bulk = bulk
        self.fine = fine
        self.spans = spans
        self.upside_down = upside_down
        self.whole_mm3 = float(bulk.filled.sum() * np.prod(bulk.cell))

    def seam_mm(self, axis: int, at: float) -> float:
        return 0.0 if self.fine is None else crossed_length_mm(self.fine, axis, at)

    def largest_mm3(self, marks: Sequence[Sequence[float]]) -> float:
        """The largest cell's volume; marks : for each axis its ends and the cuts between."""
        return float(self.bulk.cells_mm3(marks).max())

    def of_grid(self, marks: Sequence[Sequence[float]]) -> float:
        """The cost of a grid of cuts, to choose between numbers of cells."""
        parts = float(np.prod([len(line) - 1 for line in marks]))
        seam = sum(self.seam_mm(axis, at) for axis, line in enumerate(marks) for at in line[1:-1])
        longest = self.largest_mm3(marks) / max(self.whole_mm3, 1.0)
        weights = self.weights
        return weights.part * parts + weights.longest * longest + weights.seam_grid * seam / 1000

    def of_cut(self, turned: solid.Solid, cut: Cut, before: float, wanted: float) -> float:
        """The cost of a cut's place; turned : the body as the cut's `turning` takes it.

        before : the cut or end before it; wanted : the share of the whole between both
        """
        axis, at = cut.axis, cut.at
        section = solid.section(turned, cut.level)
        region: shapely.Geometry = section
        for depth in PEG_DEPTHS_MM:  # near enough to choose by
            region = region.intersection(solid.section(turned, cut.level + depth))
        room = min(largest_disc(region, 0.5)[1], 12.0) + 0.002 * region.area**0.5
        thin = section.area - section.buffer(-_THIN_MM).buffer(_THIN_MM).area
        weights = self.weights
        overhang = self.bulk.overhang_mm2(at, self.upside_down) if axis == 2 else 0.0
        return float(
            _DIVIDED * self._divided(axis, at)
            + 0.02 * thin
            + len(shapely.get_parts(section))
            - room
            + weights.seam * self.seam_mm(axis, at)
            + weights.balance * abs(self._share(axis, before, at) - wanted)
            + weights.overhang * overhang
        )

    def passed(self, axis: int, at: float) -> tuple[Passed, ...]:
        """What a cut there runs through, or comes too near to."""
        gaps = {item.what: np.inf for item in self._whole(axis)}
        for item in self._whole(axis):
            gaps[item.what] = min(gaps[item.what], item.gap_mm(axis, at))
        return tuple(Passed(what, gap) for what, gap in gaps.items() if gap < CLEAR_MM - _ABOUT_MM)

    def harm(self, axis: int, places: Floats) -> Floats:
        """How much of what is to stay whole a cut would run through or come too near to."""
        gaps = [[item.gap_mm(axis, at) for at in places.tolist()] for item in self._whole(axis)]
        share = 1 - np.array(gaps).reshape(-1, len(places)) / CLEAR_MM
        return np.asarray(np.where(share >= _CUT_SHARE, 2.0, np.maximum(share, 0.0)).sum(axis=0))

    def ends(self, axis: int) -> list[float]:
        """The places along an axis next to what a cut across it should not pass."""
        return [end for item in self._whole(axis) for end in item.ends(axis)]

    def _whole(self, axis: int) -> list[Span]:
        return [item for item in self.spans if not item.divides(axis)]

    def _divided(self, axis: int, at: float) -> int:
        return sum(item.gap_mm(axis, at) < 0 for item in self.spans if item.divides(axis))

    def _share(self, axis: int, start: float, end: float) -> float:
        low = self.bulk.low.copy()
        high = self.bulk.low + self.bulk.cell * self.bulk.filled.shape
        low[axis], high[axis] = start, end
        return self.bulk.volume_mm3(low, high) / max(self.whole_mm3, 1.0)
