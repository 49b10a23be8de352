"""The printer that the parts must fit."""

from __future__ import annotations

from dataclasses import dataclass

from ..errors import BadParameter

__all__ = ["Printer"]


@dataclass(frozen=True, slots=True)
class Printer:
    """A filament printer.

    Parameters
    ----------
    volume_mm : width, depth and height it can fill
    nozzle_mm : bore of the nozzle, the width of one printed line
    layer_mm : layer height

    Raises
    ------
    BadParameter : a size is not positive, or the layer is taller than the nozzle is wide
    """

    volume_mm: tuple[float, float, float] = (220.0, 220.0, 250.0)
    nozzle_mm: float = 0.4
    layer_mm: float = 0.2

    def __post_init__(self) -> None:
        size = tuple(float(value) for value in self.volume_mm)
        object.__setattr__(self, "volume_mm", size)
        if len(size) != 3 or not all(0 < value < 10_000 for value in size):
            raise BadParameter(
                f"volume_mm = {list(size)} is not a printer's size",
                "Give width, depth and height in mm, each above 0 and below 10000",
            )
        if not 0.1 <= self.nozzle_mm <= 2:
            raise BadParameter(f"nozzle_mm = {self.nozzle_mm:g}", "Choose 0.1 to 2 mm")
        if not 0.02 <= self.layer_mm <= self.nozzle_mm:
            raise BadParameter(
                f"layer_mm = {self.layer_mm:g}",
                f"Choose 0.02 to {self.nozzle_mm:g} mm (the nozzle)",
            )
