"""What a sheet is made of, before it is set as HTML or PDF."""

from __future__ import annotations

from dataclasses import dataclass, field

from ..workpiece import Severity
from .drawing import Drawing

__all__ = [
    "MOST_KEPT_ROWS",
    "MOST_KEPT_STEPS",
    "Block",
    "Check",
    "Column",
    "Figure",
    "Figures",
    "Picture",
    "Pictures",
    "Plan",
    "Remark",
    "Section",
    "Sheet",
    "Table",
    "Text",
    "Ticks",
]


@dataclass(frozen=True, slots=True)
class Figure:
    """One number in large type: value, unit, and what it is."""

    value: str
    unit: str
    what: str


@dataclass(frozen=True, slots=True)
class Figures:
    """Large numbers side by side."""

    items: tuple[Figure, ...]


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph; small for where a number is from."""

    text: str
    small: bool = False


@dataclass(frozen=True, slots=True)
class Column:
    """A column's heading, its share of the width, and whether it holds numbers."""

    title: str
    share: float = 1.0
    number: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of text; with `tick` each row begins with a box to tick."""

    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    tick: bool = False
    title: str = ""


@dataclass(frozen=True, slots=True)
class Check:
    """One step: what to do, and what to mind."""

    what: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Ticks:
    """Steps in order, each with a box to tick."""

    items: tuple[Check, ...]
    title: str = ""
    numbered: bool = True


@dataclass(frozen=True, slots=True)
class Remark:
    """A finding or a caution, set off from the text.

    where : of what it speaks; source : who says so; named : the severity is written out
    """

    severity: Severity
    heading: str
    text: str
    where: str = ""
    source: str = ""
    named: bool = True


@dataclass(frozen=True, slots=True)
class Picture:
    """A PNG, what it shows, and in a page the address it leads to."""

    png: bytes
    width_px: int
    height_px: int
    caption: str
    link: str = ""


@dataclass(frozen=True, slots=True)
class Pictures:
    """Pictures side by side, so many a row, and what holds for all of them."""

    items: tuple[Picture, ...]
    columns: int = 3
    caption: str = ""


@dataclass(frozen=True, slots=True)
class Plan:
    """A line drawing across the page and what it shows."""

    drawing: Drawing
    caption: str = ""


Block = Figures | Text | Table | Ticks | Remark | Pictures | Plan

# A table of so many rows, a list of so many steps is not broken over two pages.
MOST_KEPT_ROWS = 12
MOST_KEPT_STEPS = 6


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and what stands under it. `key` is its anchor in the page.

    whole : it is one step at the bench, kept on one page of paper where one can hold it
    """

    key: str
    title: str
    blocks: tuple[Block, ...]
    whole: bool = False


@dataclass(frozen=True, slots=True)
class Sheet:
    """A whole sheet. `kind` stands over the name; `mark` tells one state of the work from another.

    links : text and address, to the files beside the page
    """

    name: str
    kind: str
    lead: str
    sections: tuple[Section, ...]
    mark: str = ""
    links: tuple[tuple[str, str], ...] = field(default_factory=tuple)
