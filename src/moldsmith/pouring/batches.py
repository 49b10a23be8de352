"""Arithmetic of a batch: how much of each part, by weight, volume and cups.

Free-rise density, packing factor (density in the mold over free-rise density)
and the cup test as in ASTM D7487; the rest follows from what is conserved:
weights add up, and so do the volumes of the unmixed parts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from ..errors import BadParameter
from ..mold.pressure import GRAVITY_M_S2
from ..supplies.materials import Part

__all__ = [
    "CupTest",
    "Portion",
    "cup_test",
    "free_rise_kg_m3",
    "portions",
    "pour_ml_s",
    "pours_needed",
    "ratio_slip",
    "rounded_up",
    "volume_ratio",
    "weight_ratio",
]

_HAND_ML_S = 100.0  # as fast as a hand pours well: from memory
_OVERFILL = 1.5  # a test cup must rise well over its brim to be cut off there


@dataclass(frozen=True, slots=True)
class Portion:
    """What to weigh in of one part; ml and cups are None for a powder."""

    name: str
    grams: float
    ml: float | None
    cups: float | None


@dataclass(frozen=True, slots=True)
class CupTest:
    """A batch that overfills a cup, to find one's own free-rise density."""

    cup_ml: float
    grams: float
    portions: tuple[Portion, ...]


def volume_ratio(parts: Sequence[Part]) -> tuple[float, ...]:
    """The parts by volume for their ratio by weight, the last as 1."""
    volumes = [part.by_weight / part.density_g_cm3 for part in parts]
    return tuple(volume / volumes[-1] for volume in volumes)


def weight_ratio(by_volume: Sequence[float], densities: Sequence[float]) -> tuple[float, ...]:
    """The parts by weight for a ratio by volume, the last as 1; densities in g/cm³."""
    weights = [share * density for share, density in zip(by_volume, densities, strict=True)]
    return tuple(weight / weights[-1] for weight in weights)


def portions(
    parts: Sequence[Part], mixed_g: float, scale_g: float, cup_ml: float
) -> tuple[Portion, ...]:
    """Each part's share of a mix of at least `mixed_g`, as the scale can show it.

    The largest part is rounded up to the scale's resolution, by up to 3 % or two steps more
    where the others then keep the ratio better: it matters more than the amount.
    """
    total = sum(part.by_weight for part in parts)
    leading = max(part.by_weight for part in parts)
    least = rounded_up(mixed_g * leading / total, scale_g)
    spare = max(2, int(0.03 * least / scale_g))
    choices = [least + step * scale_g for step in range(min(spare, 10) + 1)]
    weighings = [
        [round(lead * part.by_weight / leading / scale_g) * scale_g for part in parts]
        for lead in choices
    ]
    best = min(weighings, key=lambda grams: round(ratio_slip(parts, grams), 4))
    return tuple(
        _portion(part, round(grams, 6), cup_ml) for part, grams in zip(parts, best, strict=True)
    )


def ratio_slip(parts: Sequence[Part], grams: Sequence[float]) -> float:
    """By what share the worst part's share of the mix is off."""
    total, got = sum(part.by_weight for part in parts), sum(grams)
    return max(
        abs(weight / got / (part.by_weight / total) - 1)
        for weight, part in zip(grams, parts, strict=True)
    )


def _portion(part: Part, grams: float, cup_ml: float) -> Portion:
    if part.powder:
        return Portion(part.name, grams, None, None)
    ml = grams / part.density_g_cm3
    return Portion(part.name, grams, ml, ml / cup_ml)


def rounded_up(value: float, step: float) -> float:
    """The least multiple of a step that is not under the value."""
    return math.ceil(value / step - 1e-9) * step


def cup_test(
    parts: Sequence[Part], expected_kg_m3: float, scale_g: float, cup_ml: float
) -> CupTest:
    """What to mix so that foam of the density expected rises half as high again as the cup."""
    mixed = _OVERFILL * cup_ml * expected_kg_m3 / 1000
    weighed = portions(parts, mixed, scale_g, cup_ml)
    return CupTest(cup_ml, round(sum(item.grams for item in weighed), 6), weighed)


def free_rise_kg_m3(full_g: float, empty_g: float, cup_ml: float) -> float:
    """The free-rise density of foam cut off flush with the brim of a cup.

    full_g, empty_g : the cup with the foam, and empty; cup_ml : its volume (weigh it with
    water: 1 g is 1 ml)

    Raises
    ------
    BadParameter : the cup weighs no more full than empty
    """
    if not (full_g > empty_g >= 0 and cup_ml > 0):
        raise BadParameter(
            f"full_g = {full_g:g}, empty_g = {empty_g:g}, cup_ml = {cup_ml:g}",
            "Weigh the cup full and empty, in g; its volume in ml",
        )
    return 1000 * (full_g - empty_g) / cup_ml


def pour_ml_s(bores_mm: Sequence[float], density_kg_m3: float, viscosity_mpa_s: float) -> float:
    """How fast a mix runs in: by its own weight through upright bores, or as a hand pours.

    Hagen and Poiseuille: a full upright bore under no other head runs
    pi r^4 rho g / (8 mu), whatever its length. No bore: an open cavity.
    """
    if not bores_mm:
        return _HAND_ML_S
    radii_m = [bore / 2000 for bore in bores_mm]
    per_m4 = math.pi * density_kg_m3 * GRAVITY_M_S2 / (8 * viscosity_mpa_s / 1000)
    return min(_HAND_ML_S, 1e6 * sum(per_m4 * radius**4 for radius in radii_m))


def pours_needed(pour_s: float, pot_life_s: float, mixing_s: float) -> int:
    """Into how many batches to divide what takes `pour_s` to pour, each within its pot life.

    Raises
    ------
    BadParameter : stirring takes all of the pot life
    """
    if not pot_life_s > mixing_s:
        raise BadParameter(
            f"pot_life_s = {pot_life_s:g} leaves no time to pour after mixing_s = {mixing_s:g}",
            "Give the material's own mixing_s, less than its pot life, or choose a slower one",
        )
    return max(1, math.ceil(pour_s / (pot_life_s - mixing_s) - 1e-9))
