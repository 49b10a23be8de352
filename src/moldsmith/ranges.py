"""Numbers held against the range that a parameter can take."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import fields
from numbers import Integral, Real
from typing import TYPE_CHECKING, Any

from .errors import BadParameter

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

__all__ = ["check_none_left_out", "check_range", "check_whole", "numbers"]


def check_range(key: str, value: float | None, least: float, most: float, unit: str = "") -> None:
    """Refuse no number and one out of its range; None, a parameter left out, is within each.

    unit : put behind the range in the remedy, with its space, as ' mm'

    Raises
    ------
    BadParameter : names the key, the value and the range
    """
    if value is None:
        return
    if not isinstance(value, Real) or isinstance(value, bool) or math.isnan(value):
        raise BadParameter(f"{key} = {value!r}", f"Give a number, {least:g} to {most:g}{unit}")
    if not least <= value <= most:
        raise BadParameter(f"{key} = {value:g}", f"Choose {least:g} to {most:g}{unit}")


def check_none_left_out(value: DataclassInstance) -> None:
    """Refuse None in a field of a value; what may be left out has a default.

    Raises
    ------
    BadParameter : names the field
    """
    for field in fields(value):
        if getattr(value, field.name) is None:
            raise BadParameter(f"{field.name} = None", "Give a value, or leave it out")


def check_whole(key: str, value: int | None, least: int, most: int, unit: str = "") -> None:
    """As `check_range`, for what is counted.

    Raises
    ------
    BadParameter : names the key, the value and the range
    """
    if value is not None and (not isinstance(value, Integral) or isinstance(value, bool)):
        raise BadParameter(
            f"{key} = {value!r}", f"Give a whole number, {least:g} to {most:g}{unit}"
        )
    check_range(key, value, least, most, unit)


def numbers(value: Any) -> tuple[float, ...] | None:
    """A row of numbers as floats; None for what is no such row."""
    if not isinstance(value, Iterable) or isinstance(value, str):
        return None
    row = tuple(value)
    if not all(isinstance(item, Real) and not isinstance(item, bool) for item in row):
        return None
    return tuple(float(item) for item in row)
