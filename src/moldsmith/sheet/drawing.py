"""Line drawings as values: drawn as SVG in a page and as strokes in a PDF.

x to the right, y up, in mm. What is not filled has no fill; a tone is a name
for one of the few colours of a sheet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

__all__ = ["TONES", "Circle", "Drawing", "Label", "Line", "Raster", "Shape", "Tone", "line"]

Tone = Literal["ink", "soft", "pale", "accent", "tint", "paper"]

# Black on white and one accent, dark enough to survive a grey print.
TONES: dict[Tone, str] = {
    "ink": "#111111",
    "soft": "#6b6b6b",
    "pale": "#d9d9d9",
    "accent": "#b3361b",
    "tint": "#f6e3dd",
    "paper": "#ffffff",
}


@dataclass(frozen=True, slots=True)
class Line:
    """A run of straight lines; closed, it can be filled. `dash_mm` 0 is a full line."""

    points: tuple[tuple[float, float], ...]
    stroke: Tone | None = "ink"
    width_mm: float = 0.4
    closed: bool = False
    fill: Tone | None = None
    dash_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Circle:
    x: float
    y: float
    radius: float
    stroke: Tone | None = "ink"
    width_mm: float = 0.4
    fill: Tone | None = None


@dataclass(frozen=True, slots=True)
class Label:
    """Text; y is the middle of its height."""

    x: float
    y: float
    text: str
    size_mm: float = 3.5
    anchor: Literal["start", "middle", "end"] = "start"
    tone: Tone = "ink"
    bold: bool = False


@dataclass(frozen=True, slots=True)
class Raster:
    """A PNG with its lower left corner at x, y."""

    x: float
    y: float
    width: float
    height: float
    png: bytes


Shape = Line | Circle | Label | Raster


@dataclass(frozen=True, slots=True)
class Drawing:
    """Shapes over a sheet of paper of this size, the origin in its lower left corner."""

    width_mm: float
    height_mm: float
    shapes: tuple[Shape, ...]

    def scaled(self, share: float) -> Drawing:
        """The same drawing larger or smaller, line widths and letters with it."""
        if share == 1:
            return self
        return Drawing(
            self.width_mm * share,
            self.height_mm * share,
            tuple(_scaled(shape, share) for shape in self.shapes),
        )


def line(
    points: ArrayLike | Sequence[tuple[float, float]],
    stroke: Tone | None = "ink",
    width_mm: float = 0.4,
    *,
    closed: bool = False,
    fill: Tone | None = None,
    dash_mm: float = 0.0,
) -> Line:
    """A line through points (n, 2) of any kind."""
    pairs = np.asarray(points, dtype=float)[:, :2].tolist()
    return Line(tuple((x, y) for x, y in pairs), stroke, width_mm, closed, fill, dash_mm)


def _scaled(shape: Shape, k: float) -> Shape:
    match shape:
        case Line(points, stroke, width, closed, fill, dash):
            moved = tuple((x * k, y * k) for x, y in points)
            return Line(moved, stroke, width * k, closed, fill, dash * k)
        case Circle(x, y, radius, stroke, width, fill):
            return Circle(x * k, y * k, radius * k, stroke, width * k, fill)
        case Label(x, y, text, size, anchor, tone, bold):
            return Label(x * k, y * k, text, size * k, anchor, tone, bold)
        case Raster(x, y, width, height, png):
            return Raster(x * k, y * k, width * k, height * k, png)
