"""Texts as polygons."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from moldsmith.geometry.lettering import lettering, up_arrow


@pytest.mark.parametrize("height", [5.0, 12.0])
def test_capitals_are_as_high_as_asked_and_stand_on_the_line(height: float) -> None:
    low_x, low_y, _, high_y = lettering("H", height).bounds
    assert low_y == pytest.approx(0)
    assert high_y == pytest.approx(height)
    assert low_x > 0


def test_letters_have_their_holes_and_texts_their_letters() -> None:
    assert len(shapely.get_parts(lettering("core-12", 8.0))) == 7
    (ring,) = shapely.get_parts(lettering("o", 8.0))
    assert len(ring.interiors) == 1
    eight = shapely.get_parts(lettering("8", 8.0))[0]
    assert len(eight.interiors) == 2


def test_letters_stand_one_after_another_the_right_way_round() -> None:
    both, left, right = (lettering(text, 10.0) for text in ("L1", "L", "1"))
    assert both.bounds[2] > left.bounds[2] + right.bounds[2] - right.bounds[0]
    # An L has its foot to the right: more of it is low, and its stem is on the left.
    x, y = left.centroid.coords[0]
    assert x < (left.bounds[0] + left.bounds[2]) / 2
    assert y < 5.0


def test_strokes_print_as_two_lines_or_more_from_five_millimetres_on() -> None:
    text = lettering("cavity-1", 5.0)
    assert text.buffer(-0.3).area > 0
    assert all(part.buffer(-0.25).area > 0 for part in shapely.get_parts(text))


def test_signs_that_the_font_lacks_are_left_out() -> None:
    assert lettering("a\u4e00b", 8.0).equals(lettering("ab", 8.0))
    assert lettering("", 8.0).is_empty


def test_the_arrow_points_up() -> None:
    arrow = up_arrow(10.0)
    points = np.asarray(arrow.exterior.coords)
    tip = points[points[:, 1].argmax()]
    assert tip[1] == pytest.approx(10)
    assert tip[0] == pytest.approx((arrow.bounds[0] + arrow.bounds[2]) / 2)
    widths = [arrow.intersection(shapely.box(-1, y, 20, y + 0.1)).area for y in (1.0, 6.6, 9.5)]
    assert widths[1] > 2 * widths[0] > 0
    assert widths[2] < widths[1]
