"""Charts of the pour: how the mold fills, and what follows what."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from textwrap import wrap
from typing import Any

import numpy as np

from .drawing import Circle, Drawing, Label, Shape, Tone, line
from .wording import decimal, grouped, hours, listed

__all__ = ["fill_chart", "timeline_chart"]

_WIDTH_MM = 186.0
_LEFT_MM, _BOTTOM_MM = 22.0, 16.0
_MOST_PLATES = 6
_NAME_LETTERS = 27
_RING_MM = 5.0  # across the ring of a vent


def fill_chart(
    curve: Sequence[Sequence[float]],
    vents: Sequence[tuple[int, float, float]],
    rises: bool = False,
) -> Drawing:
    """Height over the volume that is in the mold.

    curve : (k, 2) height mm and cm³; vents : number, height mm and cm³ at which each is reached;
    rises : it is foam, of which far less is poured
    """
    rows = np.asarray(curve, dtype=float)
    tall, wide = 54.0, _WIDTH_MM - _LEFT_MM - 8
    height = tall - _BOTTOM_MM - 6
    most_cm3, most_mm = float(rows[:, 1].max()) or 1.0, float(rows[:, 0].max()) or 1.0

    def at(cm3: float, mm: float) -> tuple[float, float]:
        return _LEFT_MM + wide * cm3 / most_cm3, _BOTTOM_MM + height * mm / most_mm

    counted = "foam in the mold, cm³" if rises else "poured, cm³"
    shapes: list[Shape] = []
    for value in _ticks(most_mm, 5):
        x, y = at(0, value)
        shapes += [
            line([(x, y), (_LEFT_MM + wide, y)], "pale", 0.25),
            Label(x - 2, y, decimal(value), 3.6, "end"),
        ]
    for value in _ticks(most_cm3, 6):
        x, y = at(value, 0)
        shapes += [
            line([(x, y), (x, y - 1.5)], "ink", 0.4),
            Label(x, y - 4.4, grouped(value), 3.6, "middle"),
        ]
    shapes += [
        line([at(0, most_mm), at(0, 0), at(most_cm3, 0)], "ink", 0.6),
        line([at(cm3, mm) for mm, cm3 in rows.tolist()], "accent", 1.2),
        Label(_LEFT_MM + wide, 3.4, counted, 3.6, "end", "soft"),
        Label(2, tall - 2.5, "height, mm", 3.6, tone="soft"),
    ]
    for (x, y), numbers in _together([(at(cm3, mm), number) for number, mm, cm3 in vents]):
        shapes.append(Circle(x, y, 2.9, "ink", 0.5, "paper"))
        if len(numbers) == 1:
            shapes.append(Label(x, y, str(numbers[0]), 3.4, "middle"))
        else:
            said = f"vents {listed([str(number) for number in numbers])}"
            shapes.append(Label(x - 4.4, y + 0.6, said, 3.4, "end"))
    return Drawing(_WIDTH_MM, tall, tuple(shapes))


def _together(
    places: Sequence[tuple[tuple[float, float], int]],
) -> list[tuple[tuple[float, float], list[int]]]:
    """Rings that would lie on each other as one, with all their numbers."""
    groups: list[tuple[tuple[float, float], list[int]]] = []
    for place, number in places:
        if groups and float(np.hypot(*np.subtract(groups[-1][0], place))) < _RING_MM:
            groups[-1][1].append(number)
        else:
            groups.append((place, [number]))
    return groups


def timeline_chart(steps: Sequence[Mapping[str, Any]]) -> Drawing:
    """A bar for each step; its share that wants hands is in the accent, waiting is pale.

    Time is counted from the first of these steps.
    """
    steps = _plates_as_one(steps)
    row, name = 9.0, 62.0
    tall = row * len(steps) + 12
    wide = _WIDTH_MM - name - 30
    first = min(float(step["starts_h"]) for step in steps)
    last = max(float(step["starts_h"]) + float(step["hours"]) for step in steps) - first or 1.0
    shapes: list[Shape] = []
    for value in _ticks(last, 5):
        x = name + wide * value / last
        shapes += [
            line([(x, 9), (x, tall)], "pale", 0.25),
            Label(x, 4.5, f"{decimal(value, 2)} h", 3.4, "middle", "soft"),
        ]
    for number, step in enumerate(steps):
        y = tall - row * (number + 0.5)
        start, long = float(step["starts_h"]) - first, float(step["hours"])
        x, end = name + wide * start / last, name + wide * (start + long) / last
        end = max(end, x + 1.0)
        by_hand = float(step.get("hand_h", long if step.get("hands_on") else 0.0))
        share = min(by_hand / long, 1.0) if long else 0.0
        shapes += [
            *_named(str(step["what"]), y, by_hand > 0),
            _bar(x, end, y, "pale"),
            *([_bar(x, x + share * (end - x), y, "accent")] if share > 0 else []),
            Label(end + 1.8, y, hours(long), 3.5),
        ]
    return Drawing(_WIDTH_MM, tall, tuple(shapes))


def _bar(start: float, end: float, y: float, fill: Tone) -> Shape:
    corners = [(start, y - 2.6), (end, y - 2.6), (end, y + 2.6), (start, y + 2.6)]
    return line(corners, "ink", 0.3, closed=True, fill=fill)


def _plates_as_one(steps: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """The steps, with many plates of one print as one bar."""
    plates = [step for step in steps if str(step["what"]).startswith("print plate")]
    if len(plates) <= _MOST_PLATES:
        return list(steps)
    start = min(float(step["starts_h"]) for step in plates)
    end = max(float(step["starts_h"]) + float(step["hours"]) for step in plates)
    whole = {"what": f"print {len(plates)} plates", "starts_h": start, "hours": end - start}
    return [whole, *(step for step in steps if step not in plates)]


def _named(text: str, y: float, bold: bool) -> list[Shape]:
    """A step's name, on two lines if it is long."""
    text = text[:1].upper() + text[1:]
    lines = wrap(text, _NAME_LETTERS, max_lines=2, placeholder=" …")
    size = 3.6 if len(lines) == 1 else 3.1
    offsets = (0.0,) if len(lines) == 1 else (2.0, -2.0)
    return [
        Label(0, y + offset, one, size, bold=bold)
        for offset, one in zip(offsets, lines, strict=True)
    ]


def _ticks(most: float, about: int) -> list[float]:
    """Round values from 0 up to `most`, about so many."""
    rough = most / about
    decade = 10 ** np.floor(np.log10(rough))
    step = float(next(k * decade for k in (1, 2, 5, 10) if k * decade >= rough - 1e-12))
    return [float(value) for value in np.arange(0, most + 1e-9 * most, step)]
