"""Rectangles side by side on as few beds as they find room on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["Place", "arranged"]

_SPARE_MM = 0.02  # rounding may not push a part over the edge


@dataclass(frozen=True, slots=True)
class Place:
    """Where a rectangle lies: plate from 1, its low corner, and whether it is turned by 90 deg."""

    plate: int
    x_mm: float
    y_mm: float
    turned: bool


@dataclass(frozen=True, slots=True)
class _Rectangle:
    x: float
    y: float
    width: float
    depth: float


def arranged(
    sizes_mm: Sequence[tuple[float, float]], bed_mm: tuple[float, float], spacing_mm: float
) -> list[Place]:
    """Lay rectangles (width, depth) on plates, `spacing_mm` apart, the largest first.

    Each goes on the first plate with room, to the lowest and then leftmost
    corner that the others leave (bottom-left rule, Baker, Coffman, Rivest,
    SIAM J. Comput. 9 (1980) 846). Then what is on a plate is moved to its
    middle. Plates are numbered by the first rectangle on them. A rectangle
    larger than the bed has a plate of its own, in the middle.
    """
    plates: list[list[tuple[int, _Rectangle, bool]]] = []
    order = sorted(range(len(sizes_mm)), key=lambda k: (-sizes_mm[k][0] * sizes_mm[k][1], k))
    for number in order:
        for plate in plates:
            found = _room([item[1] for item in plate], sizes_mm[number], bed_mm, spacing_mm)
            if found is not None:
                plate.append((number, *found))
                break
        else:
            plates.append([(number, _Rectangle(0, 0, *sizes_mm[number]), False)])
    plates.sort(key=lambda plate: min(number for number, _, _ in plate))
    places: dict[int, Place] = {}
    for count, plate in enumerate(plates, start=1):
        across = (bed_mm[0] - max(box.x + box.width for _, box, _ in plate)) / 2
        back = (bed_mm[1] - max(box.y + box.depth for _, box, _ in plate)) / 2
        for number, box, turned in plate:
            places[number] = Place(count, box.x + across, box.y + back, turned)
    return [places[number] for number in range(len(sizes_mm))]


def _room(
    placed: Sequence[_Rectangle],
    size: tuple[float, float],
    bed: tuple[float, float],
    spacing: float,
) -> tuple[_Rectangle, bool] | None:
    """The lowest, then leftmost free place on a plate, turned or not; None for none."""
    right = sorted({0.0, *(box.x + box.width + spacing for box in placed)})
    back = sorted({0.0, *(box.y + box.depth + spacing for box in placed)})
    for y in back:
        for x in right:
            for turned in (False, True):
                width, depth = size[::-1] if turned else size
                box = _Rectangle(x, y, width, depth)
                inside = x + width <= bed[0] + _SPARE_MM and y + depth <= bed[1] + _SPARE_MM
                if inside and not any(_near(box, other, spacing) for other in placed):
                    return box, turned
    return None


def _near(one: _Rectangle, two: _Rectangle, spacing: float) -> bool:
    """Whether two rectangles are less than the spacing apart, across or back."""
    gap = spacing - 1e-9
    across = one.x < two.x + two.width + gap and two.x < one.x + one.width + gap
    return across and one.y < two.y + two.depth + gap and two.y < one.y + one.depth + gap
