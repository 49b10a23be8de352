"""A line drawing drawn on the canvas of a PDF."""

from __future__ import annotations

import io

from reportlab.lib.colors import Color, HexColor
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas

from .drawing import TONES, Circle, Drawing, Label, Line, Raster, Shape, Tone
from .lettering import BOLD, PLAIN, load_fonts, writable

__all__ = ["draw"]


def draw(canvas: Canvas, drawing: Drawing) -> None:
    """Draw with the canvas's origin as the drawing's lower left corner, 1:1."""
    load_fonts()
    canvas.saveState()
    canvas.setLineJoin(1)
    canvas.setLineCap(1)
    for shape in drawing.shapes:
        _shape(canvas, shape)
    canvas.restoreState()


def _shape(canvas: Canvas, shape: Shape) -> None:
    match shape:
        case Line(points, stroke, width, closed, fill, dash):
            path = canvas.beginPath()
            path.moveTo(points[0][0] * mm, points[0][1] * mm)
            for x, y in points[1:]:
                path.lineTo(x * mm, y * mm)
            if closed:
                path.close()
            canvas.setDash([dash * mm] if dash else [])
            _ink(canvas, stroke, width, fill)
            canvas.drawPath(path, stroke=int(stroke is not None), fill=int(fill is not None))
        case Circle(x, y, radius, stroke, width, fill):
            canvas.setDash([])
            _ink(canvas, stroke, width, fill)
            canvas.circle(
                x * mm, y * mm, radius * mm, stroke=int(stroke is not None), fill=int(bool(fill))
            )
        case Label(x, y, text, size, anchor, tone, bold):
            canvas.setFillColor(_colour(tone))
            canvas.setFont(BOLD if bold else PLAIN, size * mm)
            place = {
                "start": canvas.drawString,
                "middle": canvas.drawCentredString,
                "end": canvas.drawRightString,
            }[anchor]
            place(x * mm, (y - 0.36 * size) * mm, writable(text))
        case Raster(x, y, wide, tall, png):
            image = ImageReader(io.BytesIO(png))
            canvas.drawImage(image, x * mm, y * mm, wide * mm, tall * mm)


def _ink(canvas: Canvas, stroke: Tone | None, width: float, fill: Tone | None) -> None:
    if stroke:
        canvas.setStrokeColor(_colour(stroke))
        canvas.setLineWidth(width * mm)
    if fill:
        canvas.setFillColor(_colour(fill))


def _colour(tone: Tone) -> Color:
    return HexColor(TONES[tone])
