"""The printer that the parts must fit, and how it prints."""

from __future__ import annotations

from dataclasses import dataclass

from ..errors import BadParameter
from ..ranges import check_none_left_out, check_range, check_whole, numbers

__all__ = ["Printer"]

# Field -> least, most, unit.
_RANGES = {
    "nozzle_mm": (0.1, 2.0, "mm"),
    "brim_mm": (0.0, 50.0, "mm"),
    "infill_share": (0.0, 1.0, "(1 is solid)"),
    "support_share": (0.0, 1.0, "(0 prints no support)"),
    "overhang_deg": (20.0, 80.0, "degrees from the vertical"),
    "outer_wall_mm_s": (1.0, 1000.0, "mm/s"),
    "inner_wall_mm_s": (1.0, 1000.0, "mm/s"),
    "skin_mm_s": (1.0, 1000.0, "mm/s"),
    "infill_mm_s": (1.0, 1000.0, "mm/s"),
    "support_mm_s": (1.0, 1000.0, "mm/s"),
    "first_layer_mm_s": (1.0, 1000.0, "mm/s"),
    "travel_mm_s": (1.0, 2000.0, "mm/s"),
    "acceleration_mm_s2": (50.0, 50_000.0, "mm/s2"),
    "max_flow_mm3_s": (0.5, 100.0, "mm3/s"),
    "min_layer_s": (0.0, 120.0, "s"),
}
_COUNTS = {
    "walls": (1, 50, "lines"),
    "top_layers": (0, 100, "layers"),
    "bottom_layers": (0, 100, "layers"),
}


@dataclass(frozen=True, slots=True)
class Printer:
    """A filament printer and its settings.

    Parameters
    ----------
    volume_mm : width, depth and height it can fill, each below 10,000
    nozzle_mm : bore of the nozzle, 0.1 to 2
    layer_mm : layer height, 0.02 to the nozzle's bore
    line_mm : width of one printed line, 0.5 to 2 bores; 0 for the bore
    walls : lines round each outline, 1 to 50
    top_layers, bottom_layers : solid layers under and over level faces, 0 to 100
    infill_share : of the inside that infill takes up, 0 to 1
    support_share : of the room under overhangs that support takes up, 0 to 1
    overhang_deg : steepest lean from the vertical printed without support, 20 to 80
    brim_mm : width of the brim round the first layer, 0 to 50
    outer_wall_mm_s, inner_wall_mm_s, skin_mm_s, infill_mm_s, support_mm_s : speeds, 1 to 1000
    first_layer_mm_s : speed of all lines of the first layer, 1 to 1000
    travel_mm_s : speed between lines, 1 to 2000
    acceleration_mm_s2 : 50 to 50,000
    max_flow_mm3_s : the most that the hot end melts a second, 0.5 to 100
    min_layer_s : a layer takes at least so long, to cool, 0 to 120

    Raises
    ------
    BadParameter : a value out of its range

    The defaults are common practice for a small desktop printer: 45 degrees
    as under `overhangs`, three walls, 15 % infill, and moderate speeds. Set
    your own printer's, or calibrate `estimate` with one real print.
    """

    volume_mm: tuple[float, float, float] = (220.0, 220.0, 250.0)
    nozzle_mm: float = 0.4
    layer_mm: float = 0.2
    line_mm: float = 0.0
    walls: int = 3
    top_layers: int = 5
    bottom_layers: int = 4
    infill_share: float = 0.15
    support_share: float = 0.15
    overhang_deg: float = 45.0
    brim_mm: float = 0.0
    outer_wall_mm_s: float = 40.0
    inner_wall_mm_s: float = 60.0
    skin_mm_s: float = 60.0
    infill_mm_s: float = 80.0
    support_mm_s: float = 60.0
    first_layer_mm_s: float = 20.0
    travel_mm_s: float = 150.0
    acceleration_mm_s2: float = 1500.0
    max_flow_mm3_s: float = 12.0
    min_layer_s: float = 8.0

    def __post_init__(self) -> None:
        check_none_left_out(self)
        size = numbers(self.volume_mm)
        if size is None or len(size) != 3 or not all(0 < value < 10_000 for value in size):
            given = self.volume_mm if size is None else list(size)
            raise BadParameter(
                f"volume_mm = {given!r} is not a printer's size",
                "Give width, depth and height in mm, each above 0 and below 10000",
            )
        object.__setattr__(self, "volume_mm", size)
        for key, (fewest, most, unit) in _COUNTS.items():
            check_whole(key, getattr(self, key), fewest, most, f" {unit}")
        for key, (low, high, unit) in _RANGES.items():
            check_range(key, getattr(self, key), low, high, f" {unit}")
        check_range("layer_mm", self.layer_mm, 0.02, self.nozzle_mm, " mm (the nozzle)")
        check_range("line_mm", self.line_mm, 0, 2 * self.nozzle_mm, " mm (two bores)")
        if 0 < self.line_mm < 0.5 * self.nozzle_mm:
            raise BadParameter(
                f"line_mm = {self.line_mm:g}",
                f"Choose {0.5 * self.nozzle_mm:g} to {2 * self.nozzle_mm:g} mm, or 0",
            )

    @property
    def line_width_mm(self) -> float:
        """Width of one printed line: `line_mm`, or the nozzle's bore."""
        return self.line_mm or self.nozzle_mm
