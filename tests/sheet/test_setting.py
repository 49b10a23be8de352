"""Words, letters and tiles that a sheet is set from."""

from __future__ import annotations

from itertools import pairwise

import pytest

from moldsmith.sheet.drawing import Drawing, line
from moldsmith.sheet.flowing import WIDTH_MM
from moldsmith.sheet.lettering import writable
from moldsmith.sheet.one_to_one import Template, tiles
from moldsmith.sheet.page_setting import svg
from moldsmith.sheet.wording import decimal, grouped, hours, listed, shares


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (15 / 3600, "15 s"),
        (0.75, "45 min"),
        (7.5, "7 h 30 min"),
        (8.0, "8 h"),
        (25.0, "25 h"),
        (60.0, "2 d 12 h"),
        (102.57, "4 d 7 h"),
        (47.999, "2 d"),
        (0.0, "0 min"),
    ],
)
def test_hours_are_said_as_one_says_them(value: float, said: str) -> None:
    assert hours(value) == said


def test_numbers_carry_no_idle_digits() -> None:
    assert decimal(12.50) == "12.5"
    assert decimal(100.0) == "100"
    assert decimal(-0.01) == "0"
    assert grouped(12400) == "12\u00a0400"
    assert listed(["a", "b", "c"]) == "a, b and c"


def test_rounded_shares_add_up_to_the_rounded_whole() -> None:
    assert shares([851.5, 851.5, 261.4, 276.6]) == [852, 851, 261, 277]
    assert shares([0.4, 0.4, 0.4], 1.2) == [1, 0, 0]
    assert shares([]) == []


def test_letters_the_font_lacks_are_replaced() -> None:
    assert writable("3 cm³, 45°") == "3 cm³, 45°"
    assert writable("\u210btto") == "Htto"
    assert writable("龍") == "?"


@pytest.mark.parametrize("size", [(100.0, 80.0), (330.0, 300.0), (500.0, 150.0), (150.0, 500.0)])
def test_tiles_cover_the_drawing_and_overlap_by_10_mm(size: tuple[float, float]) -> None:
    drawing = Drawing(*size, (line([(0, 0), size]),))
    pages = tiles(Template("plan", drawing, ""))
    width, height = size[::-1] if pages[0].turned else size
    tall = 214.0
    lefts = sorted({page.left for page in pages})
    lows = sorted({page.low for page in pages})
    assert len(pages) == len(lefts) * len(lows)
    assert lefts[0] <= 0
    assert lefts[-1] + WIDTH_MM >= width - 1e-9
    assert lows[0] <= 0
    assert lows[-1] + tall >= height - 1e-9
    for starts, long in ((lefts, WIDTH_MM), (lows, tall)):
        for one, other in pairwise(starts):
            assert one + long - other == pytest.approx(10)


def test_a_turned_template_takes_fewer_pages() -> None:
    wide = tiles(Template("plan", Drawing(200.0, 180.0, ()), ""))
    assert len(wide) == 1
    assert wide[0].turned


def test_a_drawing_keeps_up_as_up_in_svg() -> None:
    text = svg(Drawing(10, 20, (line([(1, 2), (3, 4)]),)), "a < b")
    assert 'points="1,18 3,16"' in text
    assert "<title>a &lt; b</title>" in text
