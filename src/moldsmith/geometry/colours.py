"""Colours that say a value: a scale whose steps look even, also without hue.

The scale runs at evenly rising lightness from a deep blue over plum and amber
to a pale yellow, on an arc of the OKLab colour space. Source of the space: B.
Ottosson, A perceptual color space for image processing, 2020; its matrices
are published in the public domain.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["BODY_COLOURS", "PAPER", "REST", "SIDE_COLOURS", "body_colour", "diverging", "scale"]

PAPER = (247, 245, 240)
REST = (196, 194, 188)  # faces that carry no value

BODY_COLOURS = {
    "scan": (205, 187, 164),
    "pad": (201, 130, 110),
    "cavity": (126, 148, 166),
    "core": (176, 166, 122),
    "lid": (150, 168, 150),
}
SIDE_COLOURS = (
    (126, 148, 166),
    (150, 168, 150),
    (166, 142, 160),
    (142, 166, 168),
    (168, 156, 138),
    (146, 146, 172),
)

_OKLAB_TO_LMS = np.array(
    [
        [1.0, 0.3963377774, 0.2158037573],
        [1.0, -0.1055613458, -0.0638541728],
        [1.0, -0.0894841775, -1.2914855480],
    ]
)
_LMS_TO_RGB = np.array(
    [
        [4.0767416621, -3.3077115913, 0.2309699292],
        [-1.2684380046, 2.6097574011, -0.3413193965],
        [-0.0041960863, -0.7034186147, 1.7076147010],
    ]
)


def scale(values: ArrayLike, low: float = 0.0, high: float = 1.0) -> NDArray[np.uint8]:
    """Colours (..., 3), red, green, blue of 0 to 255, of values between `low` and `high`.

    Values outside take the colour of the nearer end, NaN takes `REST`.
    """
    given = np.asarray(values, dtype=float)
    place = np.clip((given - low) / (high - low), 0, 1) * 255
    known = np.isfinite(place)
    colours: NDArray[np.uint8] = _table()[np.rint(np.where(known, place, 0)).astype(int)]
    colours[~known] = REST
    return colours


def diverging(values: ArrayLike, reach: float) -> NDArray[np.uint8]:
    """Colours (..., 3) of values about 0: red at −reach, pale at 0, blue at +reach.

    Both sides darken alike with the value's size, so that equal sizes look equally
    far from 0. Values beyond take the colour of the end, NaN takes `REST`.
    """
    given = np.asarray(values, dtype=float)
    place = np.clip(given / reach, -1, 1) * 127.5 + 127.5
    known = np.isfinite(place)
    colours: NDArray[np.uint8] = _two_sided()[np.rint(np.where(known, place, 0)).astype(int)]
    colours[~known] = REST
    return colours


def body_colour(name: str) -> tuple[int, int, int]:
    """The colour a body is drawn in, that of 'cavity' for 'cavity-2'; each 'side-N' has its own."""
    family, *number = name.split("-")
    if family == "side" and number and number[0].isdigit():
        return SIDE_COLOURS[(int(number[0]) - 1) % len(SIDE_COLOURS)]
    return BODY_COLOURS.get(family, REST)


@cache
def _table() -> NDArray[np.uint8]:
    """The 256 colours of the scale."""
    step = np.linspace(0, 1, 256)
    lightness = 0.30 + 0.62 * step
    hue = np.radians(275 + 190 * step)  # blue 275, plum 330, amber 60, yellow 105
    chroma = 0.125 - 0.02 * np.cos(2 * np.pi * step)
    return _coded(lightness, chroma, hue)


@cache
def _two_sided() -> NDArray[np.uint8]:
    """The 256 colours of the scale about 0."""
    step = np.linspace(-1, 1, 256)
    size = np.abs(step)
    hue = np.radians(np.where(step < 0, 35, 255))
    return _coded(0.95 - 0.50 * size, 0.13 * size, hue)


def _coded(
    lightness: NDArray[np.float64], chroma: NDArray[np.float64], hue: NDArray[np.float64]
) -> NDArray[np.uint8]:
    """OKLab lightness, chroma and hue (n,) as red, green, blue (n, 3) of 0 to 255."""
    lab = np.stack([lightness, chroma * np.cos(hue), chroma * np.sin(hue)], axis=1)
    linear = np.clip((lab @ _OKLAB_TO_LMS.T) ** 3 @ _LMS_TO_RGB.T, 0, 1)
    # The curve of the sRGB standard, IEC 61966-2-1.
    coded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    table: NDArray[np.uint8] = np.rint(coded * 255).astype(np.uint8)
    return table
