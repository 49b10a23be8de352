"""What one part may take to print, and the cuts that keep to it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import trimesh

from ...errors import BadParameter
from ...geometry import solid
from ...printing.estimating import sliced_estimate
from ...printing.pose import laid
from ...ranges import check_range
from ...supplies.filament import Filament
from ...supplies.printer import Printer
from ...workpiece import Finding
from .cut_planes import Cut
from .cutting import least_part_mm3
from .separating import Separated

__all__ = ["PartLimits", "Taken", "cut_within"]

_ROUNDS = 4
_SPARE = 0.97  # of what the last cuts missed a limit by
_TURN = np.diag([1.0, -1.0, -1.0, 1.0])


@dataclass(frozen=True, slots=True)
class Taken:
    """What a part takes to print, as `estimate` reckons it."""

    grams: float
    hours: float


@dataclass(frozen=True, slots=True)
class PartLimits:
    """The most that a part may take; None for no limit.

    printer, filament : what it is reckoned with
    """

    printer: Printer
    filament: Filament
    most_hours: float | None = None
    most_grams: float | None = None

    def check(self) -> None:
        """Raise `BadParameter` where a limit is out of its range."""
        check_range("most_hours", self.most_hours, 0.1, 500, " h")
        check_range("most_grams", self.most_grams, 5, 20_000, " g")

    @property
    def asked(self) -> bool:
        return self.most_hours is not None or self.most_grams is not None

    def taken(self, mesh: trimesh.Trimesh, upside_down: bool) -> Taken:
        standing = laid(mesh, _TURN if upside_down else np.eye(4))
        found = sliced_estimate(standing, self.printer, self.filament)
        return Taken(found.grams, found.seconds / 3600)

    def row(self, mesh: trimesh.Trimesh, upside_down: bool) -> dict[str, float]:
        """What a part takes, for its row in the log; nothing where there is no limit."""
        if not self.asked:
            return {}
        taken = self.taken(mesh, upside_down)
        return {"grams": round(taken.grams, 1), "hours": round(taken.hours, 3)}

    def findings(self, rows: Iterable[Mapping[str, Any]]) -> list[Finding]:
        """One for each part that takes more than it may."""
        if not self.asked:
            return []
        taken = [(row["body"], Taken(row["grams"], row["hours"])) for row in rows]
        return [self._over(name, part) for name, part in taken if self.share(part) > 1]

    def _over(self, name: str, taken: Taken) -> Finding:
        text = (
            f"{name} takes {taken.grams:.0f} g and {taken.hours:.1f} h, over "
            f"{self.said(taken)}: allow more, or set it lower, so that another grid is tried"
        )
        return Finding("part-over-limit", "warning", text, name)

    def share(self, taken: Taken) -> float:
        """The greatest share of a limit that this takes; over 1 it is not kept."""
        return max(share for share, _ in self._shares(taken))

    def said(self, taken: Taken) -> str:
        """The limit that is kept worst, as its parameter."""
        return max(self._shares(taken))[1]

    def _shares(self, taken: Taken) -> list[tuple[float, str]]:
        shares = [(0.0, "")]
        if self.most_hours is not None:
            shares.append((taken.hours / self.most_hours, f"most_hours = {self.most_hours:g}"))
        if self.most_grams is not None:
            shares.append((taken.grams / self.most_grams, f"most_grams = {self.most_grams:g}"))
        return shares


def cut_within(
    body: solid.Solid,
    limits: PartLimits,
    upside_down: bool,
    cut_up: Callable[[float], tuple[list[Cut], Separated] | None],
) -> tuple[list[Cut], Separated]:
    """A body cut so that each part keeps to the limits, or comes as near as some rounds get.

    cut_up : the most that a part may hold, mm3 -> the cuts and parts, or None where that is
        out of reach

    A part takes more than its share of the whole, since cuts have walls of their own: parts
    are reckoned as they are, and the volume allowed is lowered by what they miss.

    Raises
    ------
    BadParameter : more than 64 parts would be needed
    """
    if not limits.asked:
        done = cut_up(np.inf)
        assert done is not None
        return done
    whole = limits.taken(solid.to_mesh(body), upside_down)
    volume = solid.volume_mm3(body)
    most = volume / max(limits.share(whole), 1e-9)
    best: tuple[list[Cut], Separated] | None = None
    best_share = np.inf
    for _ in range(_ROUNDS):
        done = cut_up(most)
        if done is None:
            break
        share = max(
            limits.share(limits.taken(solid.to_mesh(part), upside_down)) for part in done[1].parts
        )
        if share < best_share:
            best, best_share = done, share
        if share <= 1:
            break
        most *= _SPARE / share
    if best is None:
        raise _out_of_reach(body, limits, whole, volume)
    return best


def _out_of_reach(
    body: solid.Solid, limits: PartLimits, whole: Taken, volume_mm3: float
) -> BadParameter:
    share = least_part_mm3(body, limits.printer) / volume_mm3
    low, high = np.reshape(body.bounding_box(), (2, 3))
    x, y, z = high - low
    return BadParameter(
        f"{limits.said(whole)}: a body of {x:.0f} x {y:.0f} x {z:.0f} mm, of about "
        f"{whole.grams:.0f} g and {whole.hours:.1f} h, would need more than 64 parts",
        f"The least that can be kept is about {1.3 * share * whole.grams:.0f} g or "
        f"{1.3 * share * whole.hours:.1f} h a part",
    )
