"""The letters of a PDF: a font that is carried in the file, and what it cannot write."""

from __future__ import annotations

import unicodedata
from functools import cache

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

__all__ = ["BOLD", "PLAIN", "load_fonts", "writable"]

PLAIN = "Vera"  # comes with the PDF library
BOLD = "VeraBd"
_INSTEAD = {"\u2192": "to", "\u2212": "-", "\u2248": "about", "\u2009": " ", "\u202f": " "}


@cache
def load_fonts() -> None:
    """Make both fonts known, and let bold in a paragraph find the bold one."""
    for name in (PLAIN, BOLD):
        pdfmetrics.registerFont(TTFont(name, f"{name}.ttf"))
    pdfmetrics.registerFontFamily(PLAIN, normal=PLAIN, bold=BOLD, italic=PLAIN, boldItalic=BOLD)


def writable(text: str) -> str:
    """The text with letters that the font lacks put into ones that it has."""
    if text.isascii():
        return text
    known = _letters()
    return "".join(letter if ord(letter) in known else _nearest(letter, known) for letter in text)


def _nearest(letter: str, known: frozenset[int]) -> str:
    if letter in _INSTEAD:
        return _INSTEAD[letter]
    parts = unicodedata.normalize("NFKD", letter)
    return "".join(part for part in parts if ord(part) in known) or "?"


@cache
def _letters() -> frozenset[int]:
    load_fonts()
    return frozenset(pdfmetrics.getFont(PLAIN).face.charToGlyph)
