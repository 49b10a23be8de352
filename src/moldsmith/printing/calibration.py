"""One real print held against its estimate."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypedDict

from ..errors import BadParameter

__all__ = ["Calibration", "MeasuredPrint", "calibrated"]

_MOST = 4.0  # an estimate further off than this is of another print


class _Weighed(TypedDict):
    grams: float
    hours: float


class MeasuredPrint(_Weighed, total=False):
    """The grams and hours of a print that was weighed and timed, and what it was estimated at.

    part : a part of this piece, to be estimated anew; or else
    estimated_grams, estimated_hours : what was estimated of it, uncalibrated
    """

    part: str
    estimated_grams: float
    estimated_hours: float


@dataclass(frozen=True, slots=True)
class Calibration:
    """What estimates are multiplied by, and why."""

    grams_factor: float = 1.0
    time_factor: float = 1.0
    said: str = "not calibrated: computed from the printer's settings alone"

    @property
    def done(self) -> bool:
        return (self.grams_factor, self.time_factor) != (1.0, 1.0)


def calibrated(
    measured: MeasuredPrint | None, parts: Mapping[str, tuple[float, float]]
) -> Calibration:
    """The factors by which a real print differs from its estimate.

    parts : name -> grams and seconds as estimated, of the parts that there are

    Raises
    ------
    BadParameter : it is not said what was estimated, no part has the name, or
        print and estimate differ more than four times
    """
    if measured is None:
        return Calibration()
    grams, seconds = _estimated(measured, parts)
    factors = []
    for key, real, expected in (
        ("grams", measured["grams"], grams),
        ("hours", measured["hours"], seconds / 3600),
    ):
        if not expected / _MOST <= real <= expected * _MOST:
            raise BadParameter(
                f"measured.{key} = {real:g} against {expected:.3g} estimated",
                "Give the print's own figures; if they are right, correct the printer's settings",
            )
        factors.append(real / expected)
    of = measured.get("part", "a print")
    said = (
        f"calibrated by {of}: {measured['grams']:g} g and {measured['hours']:g} h against "
        f"{grams:.1f} g and {seconds / 3600:.2f} h estimated; grams x {factors[0]:.3f}, "
        f"time x {factors[1]:.3f}"
    )
    return Calibration(factors[0], factors[1], said)


def _estimated(
    measured: MeasuredPrint, parts: Mapping[str, tuple[float, float]]
) -> tuple[float, float]:
    if "estimated_grams" in measured and "estimated_hours" in measured:
        return measured["estimated_grams"], measured["estimated_hours"] * 3600
    if measured.get("part") in parts:
        return parts[measured["part"]]
    if "part" in measured:
        raise BadParameter(
            f"measured.part = {measured['part']} is no part of this piece",
            f"Name one of {', '.join(parts)}, or give estimated_grams and estimated_hours",
        )
    raise BadParameter(
        "measured: what of it was estimated is missing",
        "Give its part, or both estimated_grams and estimated_hours",
    )
