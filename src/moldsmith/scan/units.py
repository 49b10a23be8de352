"""The unit a scan is in: stated, known from the file, or guessed from its size."""

from __future__ import annotations

from typing import Literal, TypeAlias

from ..errors import BadParameter, BadScan
from ..workpiece import Finding

__all__ = ["MM_PER_UNIT", "Unit", "check_unit", "guessed_unit", "size_findings"]

Unit: TypeAlias = Literal["mm", "cm", "m", "inch"]

# The inch is 25.4 mm exactly (international yard and pound agreement, 1959).
MM_PER_UNIT: dict[str, float] = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4}

# Longest side of what is scanned to be padded: from a child's forearm or a mask to a tall
# person or a dress form on its stand. From memory.
PLAUSIBLE_MM = (150.0, 2300.0)
# Beyond these no body part was scanned in the unit given.
POSSIBLE_MM = (5.0, 5000.0)


def check_unit(unit: str | None) -> None:
    """`BadParameter` unless the unit is known or left out."""
    if unit is not None and unit not in MM_PER_UNIT:
        raise BadParameter(f"unit = {unit!r} is not known", f"Give one of {_listed(MM_PER_UNIT)}")


def guessed_unit(size: float) -> tuple[Unit, Finding]:
    """The only unit that makes a longest side of `size` that of a body part, and a finding.

    Raises
    ------
    BadScan : two units do, or none
    """
    found = plausible_units(size)
    low, high = PLAUSIBLE_MM
    if len(found) != 1:
        sizes = [f"{size * MM_PER_UNIT[unit]:.0f} mm in {unit}" for unit in found or MM_PER_UNIT]
        told = "could be " + " or ".join(sizes) if found else "would be " + ", ".join(sizes)
        raise BadScan(
            f"the unit cannot be told from the size: the longest side, {size:.6g}, {told}"
            + ("" if found else f", none within {low:.0f} to {high:.0f} mm"),
            f"Give unit as one of {_listed(MM_PER_UNIT)}",
        )
    others = [
        f"{size * factor:.4g} mm in {unit}"
        for unit, factor in MM_PER_UNIT.items()
        if unit != found[0]
    ]
    message = (
        f"no unit was given: read as {found[0]}, which makes the longest side "
        f"{size * MM_PER_UNIT[found[0]]:.0f} mm (it would be {', '.join(others)}). "
        f"Give unit = '{found[0]}' if that is right, or the right one"
    )
    return found[0], Finding("unit-guessed", "warning", message, "scan")


def plausible_units(size: float) -> list[Unit]:
    """The units in which a longest side of `size` is that of a body part."""
    units: list[Unit] = ["mm", "cm", "m", "inch"]
    return [u for u in units if PLAUSIBLE_MM[0] <= size * MM_PER_UNIT[u] <= PLAUSIBLE_MM[1]]


def size_findings(size: float, unit: Unit) -> list[Finding]:
    """A warning where `size` in `unit` is not that of a body part; `BadScan` where it is absurd."""
    size_mm = size * MM_PER_UNIT[unit]
    others = [f"{size * MM_PER_UNIT[u]:.0f} mm in {u}" for u in plausible_units(size) if u != unit]
    remedy = (
        f"Check the unit; the longest side would be {' or '.join(others)}"
        if others
        else ("Check the unit, and for stray points far from the body")
    )
    if not POSSIBLE_MM[0] <= size_mm <= POSSIBLE_MM[1]:
        raise BadScan(
            f"the longest side is {size_mm:.4g} mm with unit = '{unit}', no body part "
            f"(allowed: {POSSIBLE_MM[0]:.0f} to {POSSIBLE_MM[1]:.0f} mm)",
            remedy,
        )
    if PLAUSIBLE_MM[0] <= size_mm <= PLAUSIBLE_MM[1]:
        return []
    message = f"the longest side is {size_mm:.0f} mm, unusual for a body part. {remedy}"
    return [Finding("unit-unlikely", "warning", message, "scan")]


def _listed(units: dict[str, float]) -> str:
    return ", ".join(units)
