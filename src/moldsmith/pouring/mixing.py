"""The mix plan: how much to weigh in, by the void that is really there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..errors import BadParameter
from ..geometry.visibility import grid_over, lowest
from ..mold.bodies import opens_sideways
from ..ranges import check_range
from ..stage import stage
from ..supplies.materials import Material
from ..workpiece import Finding, Workpiece
from .batches import (
    Portion,
    cup_test,
    portions,
    pour_ml_s,
    pours_needed,
    ratio_slip,
    volume_ratio,
)
from .channels import channel_rows
from .voids import void_by_columns_mm3, void_of

__all__ = ["mix"]

_AGREE = 0.005
_RATIO_SLIP = 0.01
_STIRRING_ROOM = 1.5  # a vessel of half as much again as is stirred in it: common practice


@dataclass(frozen=True, slots=True)
class _Amount:
    """The void and what goes into it, cm³ and g."""

    void_cm3: float
    channels_cm3: float
    coat_cm3: float
    level_mm: float
    ways_cm3: dict[str, float]
    density_kg_m3: float
    packing_factor: float

    @property
    def filled_cm3(self) -> float:
        return self.void_cm3 + self.channels_cm3 - self.coat_cm3

    @property
    def grams(self) -> float:
        return self.filled_cm3 * self.density_kg_m3 * self.packing_factor / 1000


@stage
def mix(
    piece: Workpiece,
    *,
    material: Material,
    packing_factor: float | None = None,
    measured_free_rise_kg_m3: float | None = None,
    cup_ml: float = 300.0,
    waste_cup_g: float = 10.0,
    waste_percent: float = 3.0,
    scale_g: float = 1.0,
    fill_level_mm: float | None = None,
    pour_rate_ml_s: float | None = None,
) -> Workpiece:
    """Say how much of each part to weigh in for this mold.

    Parameters
    ----------
    material : what is cast
    packing_factor : of a foam, density in the mold over free-rise density; 1 to 2, the
        material's if left out
    measured_free_rise_kg_m3 : one's own, from a test cup (`free_rise_kg_m3`), in place of the
        data sheet's; 15 to 800
    cup_ml : of the cups on hand; 20 to 20000
    waste_cup_g : what stays in cup and on tools with every batch; 0 to 500
    waste_percent : what is spilled and trimmed; 0 to 50
    scale_g : the scale's resolution; 0.01 to 10
    fill_level_mm : height (mold z unless `channels` tilted it) up to which sprues and vents
        stand full, from the void's top to the highest mouth; left out, the foot of the lowest
        funnel
    pour_rate_ml_s : how fast it is poured; 0.1 to 1000. Left out, what runs through the sprues
        by the material's viscosity, at most 100

    The void is measured on the mold's bodies and held against two other ways. Bodies
    stay as they are.

    Findings: 'void-ways-differ', 'several-pours', 'ratio-rounded', 'packing-unusual',
    'free-rise-not-measured', 'large-vessel'.

    Raises
    ------
    BadParameter : a value out of range, or the piece has no mold
    """
    _check(packing_factor, measured_free_rise_kg_m3, cup_ml, waste_cup_g, waste_percent, scale_g)
    check_range("pour_rate_ml_s", pour_rate_ml_s, 0.1, 1000)
    if not material.rises and (packing_factor or measured_free_rise_kg_m3):
        raise BadParameter(
            "packing_factor and measured_free_rise_kg_m3 are for foams",
            f"{material.name} does not rise: leave them out",
        )
    amount = _amount(piece, material, packing_factor, measured_free_rise_kg_m3, fill_level_mm)
    rate = pour_rate_ml_s or pour_ml_s(
        [row["void_mm"] for row in channel_rows(piece) if not row["vent"]],
        material.mix_density_kg_m3,
        material.viscosity_mpa_s,
    )
    liquid_ml = 1000 * amount.grams / material.mix_density_kg_m3
    pours = pours_needed(liquid_ml / rate, material.pot_life_s, material.mixing_s)
    mixed_g = amount.grams * (1 + waste_percent / 100) + pours * waste_cup_g
    weighed = portions(material.parts, mixed_g / pours, scale_g, cup_ml)
    batch_g = sum(item.grams for item in weighed)
    batch_ml = 1000 * batch_g / material.mix_density_kg_m3
    figures: dict[str, Any] = {
        "material": material.name,
        "void_cm3": round(amount.void_cm3, 3),
        "ways_cm3": {name: round(value, 3) for name, value in amount.ways_cm3.items()},
        "channels_cm3": round(amount.channels_cm3, 3),
        "coat_cm3": round(amount.coat_cm3, 3),
        "fill_level_mm": round(amount.level_mm, 3),
        "density_kg_m3": round(amount.density_kg_m3, 2),
        "sheet_free_rise_kg_m3": material.free_rise_kg_m3,
        "packing_factor": amount.packing_factor,
        "cast_g": round(amount.grams, 2),
        "waste_g": round(mixed_g - amount.grams, 2),
        "mixed_g": round(pours * batch_g, 3),
        "pours": pours,
        "batch_g": round(batch_g, 3),
        "batch_ml": round(batch_ml, 1),
        "vessel_ml": round(_STIRRING_ROOM * batch_ml, 0),
        "parts": [_row(item) for item in weighed],
        "volume_ratio": [round(value, 4) for value in volume_ratio(material.parts)],
        "pour_rate_ml_s": round(rate, 2),
        "pour_s": round(liquid_ml / rate, 1),
        "open_guess": _open_guess(piece, material, amount, mixed_g),
        "test_cup": _test_cup(material, scale_g, cup_ml) if material.rises else None,
        "assumed": {key: getattr(material, key) for key in material.assumed},
        "mixing_s": material.mixing_s,
        "pot_life_s": material.pot_life_s,
        "cream_s": material.cream_s,
        "rise_s": material.rise_s,
        "demold_h": round(material.demold_s / 3600, 3),
        "cup_ml": cup_ml,
        "scale_g": scale_g,
    }
    findings = [
        *_measuring_findings(amount),
        *_foam_findings(material, amount, measured_free_rise_kg_m3),
        *_batch_findings(material, weighed, pours, figures),
    ]
    return piece.note(figures, findings)


def _check(
    packing: float | None,
    free_rise: float | None,
    cup_ml: float,
    waste_cup_g: float,
    waste_percent: float,
    scale_g: float,
) -> None:
    check_range("packing_factor", packing, 1, 2)
    check_range("measured_free_rise_kg_m3", free_rise, 15, 800)
    check_range("cup_ml", cup_ml, 20, 20_000)
    check_range("waste_cup_g", waste_cup_g, 0, 500)
    check_range("waste_percent", waste_percent, 0, 50)
    check_range("scale_g", scale_g, 0.01, 10)


def _amount(
    piece: Workpiece,
    material: Material,
    packing: float | None,
    free_rise: float | None,
    level: float | None,
) -> _Amount:
    void = void_of(piece, level)
    columns = void_by_columns_mm3(piece, void.level_mm) - void.channels_mm3
    ways = {
        "booleans": void.void_mm3 / 1000,
        "rays": columns / 1000,
        "pad": float(piece.body("pad").volume) / 1000,
    }
    if material.free_rise_kg_m3 is None:
        density, factor = material.mix_density_kg_m3, 1.0
    else:
        density = free_rise or material.free_rise_kg_m3
        factor = packing or material.packing_factor
        _refuse_heavier(density * factor, material)
    return _Amount(
        void.void_mm3 / 1000,
        void.channels_mm3 / 1000,
        void.coat_mm3 / 1000,
        void.level_mm,
        ways,
        density,
        factor,
    )


def _refuse_heavier(packed_kg_m3: float, material: Material) -> None:
    if packed_kg_m3 >= material.mix_density_kg_m3:
        raise BadParameter(
            f"packing_factor times the free-rise density is {packed_kg_m3:.0f} kg/m³, no less than "
            f"the {material.mix_density_kg_m3:.0f} kg/m³ of the liquid mix",
            "Choose a smaller packing_factor, or weigh the test cup again",
        )


def _row(item: Portion) -> dict[str, Any]:
    return {
        "name": item.name,
        "grams": item.grams,
        "ml": None if item.ml is None else round(item.ml, 1),
        "cups": None if item.cups is None else round(item.cups, 2),
    }


def _open_guess(
    piece: Workpiece, material: Material, amount: _Amount, mixed_g: float
) -> dict[str, float]:
    """What guessing by open volume would have given.

    By water in the open cavity, core and lid off, where there is one; and by the void at
    free-rise density, without packing, channels and waste.
    """
    guesses = {
        "free_rise": amount.void_cm3 * amount.density_kg_m3 / 1000,
        "liquid_volume": amount.void_cm3 * material.mix_density_kg_m3 / 1000,
    }
    figures = {}
    if not opens_sideways(piece):
        water = _open_cavity_cm3(piece)
        figures["open_cavity_cm3"] = round(water, 1)
        guesses = {"open_cavity": water * amount.density_kg_m3 / 1000, **guesses}
    for name, grams in guesses.items():
        if name == "liquid_volume" and not material.rises:
            continue
        figures[f"{name}_g"] = round(grams, 1)
        figures[f"{name}_off_percent"] = round(100 * (grams / mixed_g - 1), 1)
    return figures


def _open_cavity_cm3(piece: Workpiece) -> float:
    """Water that the open cavity holds before it runs over the lowest place of the rim."""
    pad = piece.body("pad")
    step = max(float(np.ptp(pad.bounds[:, :2], axis=0).max()) / 120, 0.5)
    grid = grid_over(pad.bounds[0, :2], pad.bounds[1, :2], step)
    floor = lowest(np.asarray(pad.vertices), np.asarray(pad.faces), grid)
    inside = np.isfinite(floor)
    ring = np.pad(inside, 1)
    enclosed = ring[:-2, 1:-1] & ring[2:, 1:-1] & ring[1:-1, :-2] & ring[1:-1, 2:]
    rim = inside & ~enclosed
    spill = float(floor[rim].min())
    depth = np.where(inside, np.maximum(spill - floor, 0), 0)
    return float(depth.sum()) * step**2 / 1000


def _test_cup(material: Material, scale_g: float, cup_ml: float) -> dict[str, Any]:
    assert material.free_rise_kg_m3 is not None
    cup = cup_test(material.parts, material.free_rise_kg_m3, scale_g, cup_ml)
    poured = " and ".join(f"{item.grams:g} g {item.name}" for item in cup.portions)
    return {
        "cup_ml": cup.cup_ml,
        "grams": cup.grams,
        "parts": [_row(item) for item in cup.portions],
        "steps": [
            f"Weigh a cup of {cup_ml:g} ml empty, then full of water: the difference in g is its "
            "volume in ml. Dry it",
            f"Mix {poured}, stirred as the real pour and as warm, and pour it into the cup",
            "When it has cured, cut the foam off flush with the brim and weigh the cup",
            "Free-rise density in kg/m³ = 1000 \u00d7 (full g - empty g) / volume in ml: give it "
            "to mix as measured_free_rise_kg_m3",
        ],
        "grams_at_data_sheet": round(cup.cup_ml * material.free_rise_kg_m3 / 1000, 1),
    }


def _measuring_findings(amount: _Amount) -> list[Finding]:
    values = list(amount.ways_cm3.values())
    if max(values) - min(values) <= _AGREE * amount.void_cm3:
        return []
    told = ", ".join(f"{name} {value:.1f}" for name, value in amount.ways_cm3.items())
    return [
        Finding(
            "void-ways-differ",
            "warning",
            f"the void's volume differs by the way it is measured ({told} cm³): look for a gap "
            "between the parts, and mix for the largest",
            "pad",
        )
    ]


def _foam_findings(material: Material, amount: _Amount, measured: float | None) -> list[Finding]:
    if material.free_rise_kg_m3 is None:
        return []
    findings = []
    if measured is None:
        findings.append(
            Finding(
                "free-rise-not-measured",
                "note",
                f"free-rise density {material.free_rise_kg_m3:g} kg/m³ is the data sheet's; a "
                "test cup of one's own (on the sheet under Mix) tells it for this batch and room",
            )
        )
    low, high = next(
        ((row.low, row.high) for row in material.told if row.key == "packing_factor"), (1.0, 2.0)
    )
    if not low - 1e-9 <= amount.packing_factor <= high + 1e-9:
        findings.append(
            Finding(
                "packing-unusual",
                "warning",
                f"packing factor {amount.packing_factor:g} is outside {low:g} to {high:g}: too "
                "little leaves corners empty, too much presses the mold open. Choose within it",
            )
        )
    return findings


def _batch_findings(
    material: Material, weighed: tuple[Portion, ...], pours: int, figures: dict[str, Any]
) -> list[Finding]:
    findings = []
    if pours > 1:
        findings.append(
            Finding(
                "several-pours",
                "warning",
                f"pouring takes {figures['pour_s']:.0f} s, more than the "
                f"{material.pot_life_s - material.mixing_s:.0f} s left of the pot life: mix "
                f"{pours} batches one after another, or make sprue_mm wider"
                + (". Layers of foam show a line" if material.rises else ""),
            )
        )
    slip = ratio_slip(material.parts, [item.grams for item in weighed])
    if slip > _RATIO_SLIP:
        findings.append(
            Finding(
                "ratio-rounded",
                "warning",
                f"the scale's steps put the ratio off by {100 * slip:.1f} %: use a finer scale "
                "(scale_g), or mix more",
            )
        )
    if figures["vessel_ml"] > figures["cup_ml"]:
        findings.append(
            Finding(
                "large-vessel",
                "note",
                f"stir the {figures['batch_ml']:.0f} ml in a vessel of {figures['vessel_ml']:.0f} "
                f"ml or more: the cups of {figures['cup_ml']:g} ml are for measuring",
            )
        )
    return findings
