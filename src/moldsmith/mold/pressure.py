"""What presses on a mold: the weight of the mix, and foam that would rise further."""

from __future__ import annotations

from ..errors import BadParameter
from ..supplies.materials import Material

__all__ = ["ATMOSPHERE_KPA", "GRAVITY_M_S2", "assumed_kpa", "head_kpa", "sealed_pressure_kpa"]

GRAVITY_M_S2 = 9.80665
ATMOSPHERE_KPA = 101.325
_UNKNOWN_KPA = 11.0  # of a foam at 80 kg/m³ packed to 1.1 times its free rise, by the model below


def head_kpa(height_mm: float, density_kg_m3: float) -> float:
    """Pressure under a column of liquid: rho g h, g = 9.80665 m/s²."""
    return density_kg_m3 * GRAVITY_M_S2 * height_mm / 1e6


def sealed_pressure_kpa(
    packing_factor: float, free_rise_kg_m3: float, mix_density_kg_m3: float
) -> float:
    """Pressure over the air's in a sealed mold that foam is packed into: our model, a bound.

    The gas that would make the foam rise to its free volume at the air's
    pressure is held in the mold's, isothermal (Boyle), with none escaping:
    p = p_air (k (1 - f) / (1 - k f) - 1), with f the free-rise over the liquid density.
    A vented mold stays far under it; heat of the reaction would add to it.
    """
    share = free_rise_kg_m3 / mix_density_kg_m3
    if not 1 <= packing_factor < 1 / share:
        raise BadParameter(
            f"packing_factor = {packing_factor:g}",
            f"Choose 1 to less than {1 / share:.2f}, where the mold would be full of liquid",
        )
    gas = packing_factor * (1 - share) / (1 - packing_factor * share)
    return ATMOSPHERE_KPA * (gas - 1)


def assumed_kpa(material: Material | None) -> float:
    """What to reckon with beside the head while nobody measured it: the bound of a sealed mold."""
    if material is None:
        return _UNKNOWN_KPA
    if material.free_rise_kg_m3 is None:
        return 0.0
    return sealed_pressure_kpa(
        material.packing_factor, material.free_rise_kg_m3, material.mix_density_kg_m3
    )
