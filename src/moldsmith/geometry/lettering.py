"""Texts as plan polygons, from the outlines of a font's glyphs."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
import shapely
from fontTools.pens.basePen import BasePen
from fontTools.ttLib import TTFont
from numpy.typing import NDArray
from shapely import affinity

__all__ = ["lettering", "up_arrow"]

Floats = NDArray[np.float64]
_FONT = "VeraBd.ttf"  # bold: its strokes stay wider than two printed lines from 5 mm of height on
_STEPS = 6  # straight pieces of a curve


class _Tracer(BasePen):  # type: ignore[misc]  # fontTools has no types
    """Collects a glyph's outlines as rings of points."""

    def __init__(self, glyphs: Any) -> None:
        super().__init__(glyphs)
        self.rings: list[list[tuple[float, float]]] = []

    def _moveTo(self, point: tuple[float, float]) -> None:  # noqa: N802 - the pen's own name
        self.rings.append([point])

    def _lineTo(self, point: tuple[float, float]) -> None:  # noqa: N802 - the pen's own name
        self.rings[-1].append(point)

    def _curveToOne(self, one: Any, two: Any, end: Any) -> None:  # noqa: N802 - the pen's own name
        start = self.rings[-1][-1]
        for t in np.linspace(0, 1, _STEPS + 1)[1:].tolist():
            s = 1 - t
            weights = (s**3, 3 * s * s * t, 3 * s * t * t, t**3)
            self._weighed((start, one, two, end), weights)

    def _qCurveToOne(self, middle: Any, end: Any) -> None:  # noqa: N802 - the pen's own name
        start = self.rings[-1][-1]
        for t in np.linspace(0, 1, _STEPS + 1)[1:].tolist():
            s = 1 - t
            self._weighed((start, middle, end), (s * s, 2 * s * t, t * t))

    def _weighed(self, points: Any, weights: Any) -> None:
        x, y = np.asarray(weights) @ np.asarray(points, dtype=float)
        self.rings[-1].append((float(x), float(y)))


def lettering(text: str, height_mm: float) -> shapely.Geometry:
    """The text's outlines, capitals `height_mm` high, standing on y = 0 from x = 0 on.

    Signs that the font lacks are left out. Source of the outlines: the free font
    Bitstream Vera Sans Bold.
    """
    glyphs, names = _font().getGlyphSet(), _font().getBestCmap()
    unit = height_mm / _glyph(names[ord("H")]).bounds[3]
    shapes, pen = [], 0.0
    for sign in text:
        name = names.get(ord(sign))
        if name is None:
            continue
        shapes.append(affinity.translate(_glyph(name), pen, 0.0))
        pen += glyphs[name].width
    whole = shapely.union_all(shapes)
    return affinity.scale(whole, unit, unit, origin=(0.0, 0.0))


def up_arrow(height_mm: float) -> shapely.Polygon:
    """An arrow that points along +y, its tip `height_mm` over y = 0, from x = 0 on."""
    head, shaft = 0.7 * height_mm, 0.22 * height_mm
    middle = head / 2
    points = [
        (middle - shaft / 2, 0.0),
        (middle + shaft / 2, 0.0),
        (middle + shaft / 2, height_mm - middle),
        (head, height_mm - middle),
        (middle, height_mm),
        (0.0, height_mm - middle),
        (middle - shaft / 2, height_mm - middle),
    ]
    return shapely.Polygon(points)


@cache
def _font() -> Any:
    with (files("reportlab") / "fonts" / _FONT).open("rb") as file:
        return TTFont(file, lazy=False)


@cache
def _glyph(name: str) -> shapely.Geometry:
    """The glyph in the font's own units: inner outlines are holes."""
    glyphs = _font().getGlyphSet()
    tracer = _Tracer(glyphs)
    glyphs[name].draw(tracer)
    shape: shapely.Geometry = shapely.Polygon()
    for ring in tracer.rings:
        if len(ring) > 2:
            shape = shape.symmetric_difference(shapely.Polygon(ring).buffer(0))
    return shape
