"""The scale of values is even to the eye, also in grey."""

from __future__ import annotations

import numpy as np

from moldsmith.geometry import colours


def lightness(rgb: np.ndarray) -> np.ndarray:
    """CIE L* of sRGB colours (IEC 61966-2-1; CIE 15)."""
    value = rgb / 255
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    y = linear @ [0.2126, 0.7152, 0.0722]
    return 116 * np.cbrt(y) - 16


def test_lightness_rises_all_along_the_scale() -> None:
    level = lightness(colours.scale(np.linspace(0, 1, 64)))
    assert (np.diff(level) > 0).all()
    assert level[0] < 25
    assert level[-1] > 85


def test_lightness_rises_in_even_steps() -> None:
    steps = np.diff(lightness(colours.scale(np.linspace(0, 1, 17))))
    assert steps.max() < 2 * steps.min()


def test_values_outside_take_the_nearer_end_and_unknown_ones_grey() -> None:
    low, below, high, above, unknown = colours.scale([5, 4, 9, 99, np.nan], 5, 9)
    assert (low == below).all()
    assert (high == above).all()
    assert tuple(unknown) == colours.REST


def test_scale_keeps_the_shape_of_its_values() -> None:
    assert colours.scale(np.zeros((3, 4))).shape == (3, 4, 3)


def test_grey_of_the_rest_is_not_on_the_scale() -> None:
    every = colours.scale(np.linspace(0, 1, 256)).astype(int)
    assert np.abs(every - np.array(colours.REST)).sum(axis=1).min() > 60


def test_split_parts_have_their_bodys_colour() -> None:
    assert colours.body_colour("cavity-2") == colours.body_colour("cavity")


def test_side_pieces_differ_and_their_parts_do_not() -> None:
    assert colours.body_colour("side-1") != colours.body_colour("side-2")
    assert colours.body_colour("side-1-2") == colours.body_colour("side-1")
    assert colours.body_colour("side-7") == colours.body_colour("side-1")
