"""Blocks of a sheet as things that flow down the pages of a PDF."""

from __future__ import annotations

import io
from collections.abc import Sequence
from functools import cache
from itertools import pairwise
from typing import Any, cast
from xml.sax.saxutils import escape

from reportlab.lib.colors import HexColor
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.platypus import (
    CondPageBreak,
    Flowable,
    Image,
    KeepTogether,
    Paragraph,
    Spacer,
    TableStyle,
)
from reportlab.platypus import Table as Grid

from .blocks import (
    MOST_KEPT_ROWS,
    MOST_KEPT_STEPS,
    Block,
    Figures,
    Picture,
    Pictures,
    Plan,
    Remark,
    Section,
    Table,
    Text,
    Ticks,
)
from .drawing import TONES, Drawing, Tone
from .lettering import BOLD, PLAIN, load_fonts, writable
from .strokes import draw

__all__ = ["HEIGHT_MM", "WIDTH_MM", "heading", "style", "told"]

WIDTH_MM = 186.0  # between the margins, on A4 and on Letter
HEIGHT_MM = 250.0
_BOX_MM = 5.5
_HEAD_MM = 17.0
_FEW_ROWS_MM = 50.0  # of a long table, that its heading must have under it
_SMALL_PT = 9.5
_WORDS = {"note": "", "warning": "Warning. ", "stop": "Stop. "}


def told(section: Section, number: int) -> list[Flowable]:
    """A section: its heading kept with what follows it, or all of it kept together."""
    blocks = [_block(block) for block in section.blocks]
    parts = [flowable for block in blocks for flowable in block]
    head = heading(str(number), section.title)
    last = isinstance(parts[-1], Spacer) if parts else False
    need = _HEAD_MM + _height_mm(parts[:-1] if last else parts) if section.whole else HEIGHT_MM + 1
    if need > HEIGHT_MM:
        need = _HEAD_MM + _first_mm(section, blocks)
    return [CondPageBreak(need * mm), head, *parts]


def _first_mm(section: Section, blocks: Sequence[Sequence[Flowable]]) -> float:
    """What the heading must have under it: what leads in, and the first thing of weight."""
    height = 0.0
    for block, parts in zip(section.blocks, blocks, strict=True):
        if not isinstance(block, Figures | Text):
            first = next((one for one in parts if not isinstance(one, CondPageBreak)), None)
            tall = _height_mm([first]) if first is not None else 0.0
            if isinstance(block, Table | Ticks) and not isinstance(first, _Kept):
                tall = _FEW_ROWS_MM
            return height + tall
        height += _height_mm(parts)
    return min(height, _FEW_ROWS_MM)


def _height_mm(parts: Sequence[Flowable]) -> float:
    """How much of a page these take, one below the other."""
    within = [inner for one in parts for inner in (one.parts if isinstance(one, _Kept) else [one])]
    heights = [float(one.wrap(WIDTH_MM * mm, HEIGHT_MM * mm)[1]) for one in within]
    return sum(heights) / float(mm)


@cache
def style(name: str) -> ParagraphStyle:
    load_fonts()
    size, leading, font, colour = {
        "plain": (11.5, 15, PLAIN, "ink"),
        "small": (_SMALL_PT, 12.5, PLAIN, "soft"),
        "bold": (11.5, 15, BOLD, "ink"),
        "cell": (10.5, 13.5, PLAIN, "ink"),
        "cell-bold": (10.5, 13.5, BOLD, "ink"),
        "cell-number": (10.5, 13.5, PLAIN, "ink"),
        "head": (9.5, 12, BOLD, "ink"),
        "head-number": (9.5, 12, BOLD, "ink"),
        "step": (12, 15.5, BOLD, "ink"),
        "h3": (13.5, 18, BOLD, "ink"),
        "kind": (12, 15, BOLD, "accent"),
        "name": (38, 44, BOLD, "ink"),
        "lead": (13, 18, PLAIN, "ink"),
        "figure": (25, 29, BOLD, "ink"),
    }[name]
    return ParagraphStyle(
        name,
        fontName=font,
        fontSize=size,
        leading=leading,
        textColor=HexColor(TONES[cast("Tone", colour)]),
        alignment=TA_RIGHT if name.endswith("number") else 0,
        allowWidows=0,
        allowOrphans=0,
    )


def _paragraph(text: str, name: str) -> Paragraph:
    return Paragraph(escape(writable(text)), style(name))


class _Kept(KeepTogether):  # type: ignore[misc]
    """What stays on one page."""

    def __init__(self, parts: list[Flowable]) -> None:
        super().__init__(parts)
        self.parts = parts


class _Framed(Image):  # type: ignore[misc]
    """A picture with a thin line round it."""

    def draw(self) -> None:
        super().draw()
        self.canv.setStrokeColor(HexColor(TONES["pale"]))
        self.canv.setLineWidth(0.2 * mm)
        self.canv.rect(0, 0, self.drawWidth, self.drawHeight)


class _Heading(Flowable):  # type: ignore[misc]
    """A rule, a number and a title."""

    def __init__(self, number: str, title: str) -> None:
        super().__init__()
        self.number, self.title = number, writable(title)
        self.keepWithNext = 1
        load_fonts()

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        self.width = width
        return width, _HEAD_MM * mm

    def draw(self) -> None:
        canvas = self.canv
        canvas.setStrokeColor(HexColor(TONES["ink"]))
        canvas.setLineWidth(1.1 * mm)
        canvas.line(0, 12.5 * mm, self.width, 12.5 * mm)
        canvas.setFont(BOLD, 19)
        canvas.setFillColor(HexColor(TONES["accent"]))
        canvas.drawString(0, 4.2 * mm, self.number)
        left = canvas.stringWidth(self.number, BOLD, 19) + 4 * mm if self.number else 0
        canvas.setFillColor(HexColor(TONES["ink"]))
        canvas.drawString(left, 4.2 * mm, self.title)


def heading(number: str, title: str) -> Flowable:
    return _Heading(number, title)


class _Drawn(Flowable):  # type: ignore[misc]
    """A line drawing, as wide as the page or as it is."""

    def __init__(self, drawing: Drawing) -> None:
        super().__init__()
        self.drawing = drawing.scaled(min(1.0, WIDTH_MM / drawing.width_mm))

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        return self.drawing.width_mm * mm, self.drawing.height_mm * mm

    def draw(self) -> None:
        draw(self.canv, self.drawing)


class _Box(Flowable):  # type: ignore[misc]
    """A box to tick with a pen."""

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        return _BOX_MM * mm, _BOX_MM * mm

    def draw(self) -> None:
        self.canv.setStrokeColor(HexColor(TONES["ink"]))
        self.canv.setLineWidth(0.6 * mm)
        self.canv.rect(0.3 * mm, 0.3 * mm, (_BOX_MM - 0.6) * mm, (_BOX_MM - 0.6) * mm)


def _block(block: Block) -> list[Flowable]:
    match block:
        case Figures():
            return [_figures(block), Spacer(0, 4 * mm)]
        case Text(text, small):
            return [_paragraph(text, "small" if small else "plain"), Spacer(0, 3 * mm)]
        case Table():
            return _table(block)
        case Ticks():
            return _ticks(block)
        case Remark():
            return [_remark(block), Spacer(0, 3.5 * mm)]
        case Pictures():
            return _pictures(block)
        case Plan(drawing, caption):
            parts: list[Flowable] = [_Drawn(drawing)]
            if caption:
                parts += [Spacer(0, 1.5 * mm), _paragraph(caption, "small")]
            return [_Kept(parts), Spacer(0, 4 * mm)]


def _figures(block: Figures) -> Flowable:
    """Large numbers, as many a row as find room."""
    rows: list[list[Any]] = []
    widths = _widths_of_figures(block)
    row: list[Any] = []
    room = WIDTH_MM
    sizes: list[float] = []
    for item, width in zip(block.items, widths, strict=True):
        if row and width > room:
            rows.append([row, sizes])
            row, sizes, room = [], [], WIDTH_MM
        unit = f' <font size="13">{escape(writable(item.unit))}</font>' if item.unit else ""
        number = Paragraph(f"{escape(writable(item.value))}{unit}", style("figure"))
        row.append([number, _paragraph(item.what, "small")])
        sizes.append(width)
        room -= width
    rows.append([row, sizes])
    bare = [
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), 0),
        ("VALIGN", (0, 0), (-1, -1), "BOTTOM"),
    ]
    grids = [
        Grid([cells], colWidths=[size * mm for size in sizes], style=bare, hAlign="LEFT")
        for cells, sizes in rows
        if cells
    ]
    return _Kept(grids)


def _widths_of_figures(block: Figures) -> list[float]:
    load_fonts()
    widths = []
    for item in block.items:
        number = stringWidth(writable(item.value), BOLD, 25)
        number += stringWidth(f" {writable(item.unit)}", BOLD, 13) if item.unit else 0
        widths.append(max(number, stringWidth(writable(item.what), PLAIN, _SMALL_PT)) / mm + 9)
    return widths


def _table(block: Table) -> list[Flowable]:
    total = sum(column.share for column in block.columns)
    room = WIDTH_MM - (9 if block.tick else 0)
    widths = [room * column.share / total * mm for column in block.columns]
    head: list[Any] = [
        _paragraph(one.title, "head-number" if one.number else "head") for one in block.columns
    ]
    kinds = [
        "cell-number" if column.number else "cell" if place else "cell-bold"
        for place, column in enumerate(block.columns)
    ]
    rows: list[list[Any]] = [
        head,
        *([_paragraph(*cell) for cell in zip(row, kinds, strict=True)] for row in block.rows),
    ]
    # Words after a number stand off it: it ends where they begin.
    apart = [
        ("LEFTPADDING", (place, 0), (place, -1), 4 * mm)
        for place, (one, other) in enumerate(pairwise(block.columns), 2 if block.tick else 1)
        if one.number and not other.number
    ]
    if block.tick:
        widths.insert(0, 9 * mm)
        rows = [[_Box() if place else "", *row] for place, row in enumerate(rows)]
    grid = Grid(rows, colWidths=widths, repeatRows=1, style=_RULED, hAlign="LEFT")
    grid.setStyle(TableStyle(apart))
    return _titled(block.title, grid, len(block.rows) <= MOST_KEPT_ROWS)


_RULED = TableStyle(
    [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
        ("LINEBELOW", (0, 0), (-1, 0), 0.8 * mm, HexColor(TONES["ink"])),
        ("LINEBELOW", (0, 1), (-1, -1), 0.2 * mm, HexColor(TONES["soft"])),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-2, -1), 4.5 * mm),
        ("RIGHTPADDING", (-1, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), 1.5 * mm),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.7 * mm),
        ("NOSPLIT", (0, 0), (-1, 1)),
    ]
)


def _titled(title: str, grid: Flowable, kept: bool) -> list[Flowable]:
    """A table under its small heading: kept together, or if it is long, with its first rows."""
    head = [_paragraph(title, "h3"), Spacer(0, 1 * mm)] if title else []
    if kept:
        return [_Kept([*head, grid]), Spacer(0, 5 * mm)]
    return [CondPageBreak(_FEW_ROWS_MM * mm), *head, grid, Spacer(0, 5 * mm)]


def _ticks(block: Ticks) -> list[Flowable]:
    rows: list[list[Any]] = []
    for number, item in enumerate(block.items, 1):
        said: list[Flowable] = [_paragraph(item.what, "step")]
        if item.note:
            said.append(_paragraph(item.note, "plain"))
        rows.append([_Box(), _paragraph(str(number), "step") if block.numbered else "", said])
    widths = [9 * mm, (9 if block.numbered else 0.1) * mm]
    grid = Grid(
        rows, colWidths=[*widths, WIDTH_MM * mm - sum(widths)], style=_LISTED, hAlign="LEFT"
    )
    return _titled(block.title, grid, len(rows) <= MOST_KEPT_STEPS)


_LISTED = TableStyle(
    [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, -1), 0.2 * mm, HexColor(TONES["soft"])),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), 1.2 * mm),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.4 * mm),
    ]
)


def _remark(block: Remark) -> Flowable:
    bar = "pale" if block.severity == "note" else "accent"
    where = f" ({block.where})" if block.where else ""
    title = writable(f"{block.heading}{where}")
    kind = _WORDS[block.severity] if block.named else ""
    coloured = f'<font color="{TONES["accent"]}">{kind}</font>' if kind else ""
    said = [Paragraph(coloured + escape(title), style("bold")), _paragraph(block.text, "plain")]
    if block.source:
        said.append(_paragraph(f"Source: {block.source}", "small"))
    return Grid(
        [["", said]],
        colWidths=[2.2 * mm, (WIDTH_MM - 2.2) * mm],
        style=[
            ("BACKGROUND", (0, 0), (0, 0), HexColor(TONES[cast("Tone", bar)])),
            ("LEFTPADDING", (1, 0), (1, 0), 4 * mm),
            ("RIGHTPADDING", (0, 0), (-1, -1), 0),
            ("TOPPADDING", (0, 0), (-1, -1), 0.5 * mm),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5 * mm),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ],
        hAlign="LEFT",
    )


def _pictures(block: Pictures) -> list[Flowable]:
    gap = 4.0
    width = (WIDTH_MM - gap * (block.columns - 1)) / block.columns
    rows = [
        block.items[start : start + block.columns]
        for start in range(0, len(block.items), block.columns)
    ]
    parts: list[Flowable] = [_picture_row(row, block.columns, width, gap) for row in rows]
    if block.caption:
        parts[-1] = _Kept([parts[-1], _paragraph(block.caption, "small")])
    return [*parts, Spacer(0, 3 * mm)]


def _picture_row(row: Sequence[Picture], columns: int, width: float, gap: float) -> Flowable:
    cells: list[Any] = []
    for picture in row:
        tall = width * picture.height_px / picture.width_px
        image = _Framed(io.BytesIO(picture.png), width * mm, tall * mm)
        cells.append([image, Spacer(0, 1 * mm), _paragraph(picture.caption, "small")])
    cells += [""] * (columns - len(row))
    return Grid(
        [cells],
        colWidths=[(width + gap) * mm] * (columns - 1) + [width * mm],
        style=[
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("RIGHTPADDING", (0, 0), (-2, -1), gap * mm),
            ("RIGHTPADDING", (-1, 0), (-1, -1), 0),
            ("TOPPADDING", (0, 0), (-1, -1), 0),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 3 * mm),
        ],
        hAlign="LEFT",
    )
