"""A sheet set as a PDF that prints on A4 and on Letter without scaling."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from xml.sax.saxutils import escape

from reportlab import rl_config
from reportlab.lib.colors import HexColor
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    Flowable,
    Frame,
    PageBreak,
    PageTemplate,
    Paragraph,
    Spacer,
)

from .blocks import Sheet
from .drawing import TONES
from .flowing import HEIGHT_MM, WIDTH_MM, style, told
from .lettering import BOLD, PLAIN, load_fonts, writable
from .one_to_one import Template, tiles

__all__ = ["pdf"]

# An A4 page whose print lies within a Letter page too, wherever the driver puts it:
# Letter is 17.6 mm shorter and 5.9 mm wider.
_PAGE = (210.0 * mm, 297.0 * mm)
_SIDE_MM, _BOTTOM_MM = 12.0, 26.0


def pdf(sheet: Sheet, templates: Sequence[Template] = ()) -> bytes:
    """The sheet's pages, then each template at 1:1. Equal sheets give equal bytes."""
    load_fonts()
    target = io.BytesIO()
    document = BaseDocTemplate(
        target,
        pagesize=_PAGE,
        title=f"{sheet.name}: {sheet.kind}",
        author="",
        subject=sheet.lead,
        creator="moldsmith",
        invariant=1,
        pageCompression=1,
    )
    frame = Frame(
        _SIDE_MM * mm,
        _BOTTOM_MM * mm,
        WIDTH_MM * mm,
        HEIGHT_MM * mm,
        0,
        0,
        0,
        0,
    )

    def furnish(canvas: Canvas, document: BaseDocTemplate) -> None:
        _footer(canvas, sheet, document.page)

    document.addPageTemplates(PageTemplate("plain", [frame], onPage=furnish))
    story: list[Flowable] = _head(sheet)
    for number, section in enumerate(sheet.sections, 1):
        story += told(section, number)
    for template in templates:
        for tile in tiles(template):
            story += [PageBreak(), tile]
    with _binary():
        document.build(story)
    return target.getvalue()


@contextmanager
def _binary() -> Iterator[None]:
    """Streams as they are: put into letters they are a quarter larger, and slow to make."""
    before = rl_config.useA85
    rl_config.useA85 = 0
    try:
        yield
    finally:
        rl_config.useA85 = before


def _head(sheet: Sheet) -> list[Flowable]:
    return [
        Paragraph(writable(sheet.kind), style("kind")),
        Paragraph(_escaped(sheet.name), style("name")),
        Spacer(0, 2 * mm),
        Paragraph(_escaped(sheet.lead), style("lead")),
        Spacer(0, 4 * mm),
    ]


def _footer(canvas: Canvas, sheet: Sheet, number: int) -> None:
    canvas.saveState()
    canvas.setFont(BOLD, 8.5)
    canvas.setFillColor(HexColor(TONES["ink"]))
    level = (_BOTTOM_MM - 5.5) * mm
    canvas.drawString(_SIDE_MM * mm, level, writable(f"{sheet.name}  {number}"))
    canvas.setFont(PLAIN, 8)
    canvas.setFillColor(HexColor(TONES["soft"]))
    text = "Print at 100 %, A4 or Letter. Safety data sheet and local codes come first."
    canvas.drawRightString((_SIDE_MM + WIDTH_MM) * mm, level, text)
    canvas.restoreState()


def _escaped(text: str) -> str:
    return escape(writable(text))
