"""Drawings at full size, tiled over pages that print on A4 and Letter, each with a ruler."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

from reportlab.lib.units import mm
from reportlab.platypus import Flowable

from .drawing import Drawing, Label, Shape, Tone, line
from .flowing import WIDTH_MM
from .strokes import draw

__all__ = ["RULER_MM", "Template", "Tile", "ruler", "tiles"]

RULER_MM = 100.0
_HEAD_MM = 15.0  # over the tile, for its title
_FOOT_MM = 19.0  # under it, for the ruler
_TALL_MM = 214.0  # of the tile
_OVERLAP_MM = 10.0
_CROSS_MM = 3.0


@dataclass(frozen=True, slots=True)
class Template:
    """A drawing in true mm, its title, and what to do with it."""

    title: str
    drawing: Drawing
    note: str


def ruler(x: float, y: float) -> tuple[Shape, ...]:
    """A line of 100 mm from x, y to the right, with a mark each 10 mm, to check a print by."""
    marks = [
        line(
            [(x + k, y), (x + k, y + (4.5 if k % 50 == 0 else 3.0 if k % 10 == 0 else 1.6))],
            width_mm=0.25,
        )
        for k in range(0, int(RULER_MM) + 1, 5)
    ]
    numbers = [Label(x + k, y + 6.8, str(k), 2.8, "middle") for k in (0, 50, 100)]
    base = line([(x, y), (x + RULER_MM, y)], width_mm=0.35)
    said = (
        Label(x + RULER_MM + 5, y + 3.4, "100 mm: measure it. If it is off,", 2.8),
        Label(x + RULER_MM + 5, y - 0.6, "print again at 100 %, not 'fit to page'.", 2.8),
    )
    return (base, *marks, *numbers, *said)


class Tile(Flowable):  # type: ignore[misc]
    """One page of a template: the part of the drawing from `left`, `low` on, and the ruler."""

    def __init__(
        self,
        template: Template,
        corner: tuple[float, float],
        cell: tuple[int, int],
        cells: tuple[int, int],
        turned: bool,
    ) -> None:
        super().__init__()
        self.template, self.turned = template, turned
        self.left, self.low = corner
        self.cell, self.cells = cell, cells

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        return WIDTH_MM * mm, (_HEAD_MM + _TALL_MM + _FOOT_MM) * mm

    def draw(self) -> None:
        canvas = self.canv
        top = _FOOT_MM + _TALL_MM
        head: tuple[Shape, ...] = (
            Label(0, top + 10.5, self.template.title, 5.5, bold=True),
            *self._place(WIDTH_MM, top + 14.0),
            Label(0, top + 4.2, self.template.note, 2.9, tone="soft"),
        )
        draw(canvas, Drawing(WIDTH_MM, top + _HEAD_MM, (*head, *ruler(0.0, 7.0))))
        canvas.saveState()
        canvas.translate(0, _FOOT_MM * mm)
        window = canvas.beginPath()
        window.rect(0, 0, WIDTH_MM * mm, _TALL_MM * mm)
        canvas.clipPath(window, stroke=0, fill=0)
        canvas.saveState()
        canvas.translate(-self.left * mm, -self.low * mm)
        if self.turned:
            canvas.translate(self.template.drawing.height_mm * mm, 0)
            canvas.rotate(90)
        draw(canvas, self.template.drawing)
        canvas.restoreState()
        draw(canvas, Drawing(WIDTH_MM, _TALL_MM, self._marks()))
        canvas.restoreState()

    def _place(self, right: float, top: float) -> list[Shape]:
        """Which page of how many this is, as a small map of them."""
        columns, rows = self.cells
        if columns * rows == 1:
            return []
        size = min(5.0, 12.0 / rows)
        shapes: list[Shape] = []
        for column in range(columns):
            for row in range(rows):
                x, y = right - (columns - column) * size, top - (rows - row) * size
                corners = [(x, y), (x + size, y), (x + size, y + size), (x, y + size)]
                fill: Tone = "accent" if (column, row) == self.cell else "paper"
                shapes.append(line(corners, "ink", 0.3, closed=True, fill=fill))
        return shapes

    def _marks(self) -> tuple[Shape, ...]:
        """Crosses in the middle of the overlaps, at the same places on both pages."""
        half = _OVERLAP_MM / 2
        marks: list[Shape] = []
        for x in (half, WIDTH_MM - half):
            for y in (half, _TALL_MM - half):
                marks.append(line([(x - _CROSS_MM, y), (x + _CROSS_MM, y)], "accent", 0.2))
                marks.append(line([(x, y - _CROSS_MM), (x, y + _CROSS_MM)], "accent", 0.2))
        return tuple(marks)


def tiles(template: Template) -> list[Tile]:
    """The template's pages: columns from the left, rows from below; turned if that saves pages.

    Neighbours overlap by 10 mm: lay the crosses on each other.
    """
    width, height = template.drawing.width_mm, template.drawing.height_mm
    upright, across = _counts(width, height), _counts(height, width)
    turned = across[0] * across[1] < upright[0] * upright[1]
    columns, rows = across if turned else upright
    wide, tall = (height, width) if turned else (width, height)
    # What is over is shared out, so that the drawing stands in the middle of its pages.
    left = (wide - (columns * (WIDTH_MM - _OVERLAP_MM) + _OVERLAP_MM)) / 2
    low = (tall - (rows * (_TALL_MM - _OVERLAP_MM) + _OVERLAP_MM)) / 2
    pages = []
    for row in range(rows):
        for column in range(columns):
            corner = (
                left + column * (WIDTH_MM - _OVERLAP_MM),
                low + row * (_TALL_MM - _OVERLAP_MM),
            )
            pages.append(Tile(template, corner, (column, row), (columns, rows), turned))
    return pages


def _counts(width: float, height: float) -> tuple[int, int]:
    """Pages beside and over each other for a drawing of this size."""
    columns = ceil((width - _OVERLAP_MM) / (WIDTH_MM - _OVERLAP_MM) - 1e-9)
    rows = ceil((height - _OVERLAP_MM) / (_TALL_MM - _OVERLAP_MM) - 1e-9)
    return max(columns, 1), max(rows, 1)
