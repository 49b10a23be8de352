"""Numbers held against the range that a parameter can take."""

from __future__ import annotations

from .errors import BadParameter

__all__ = ["check_range"]


def check_range(key: str, value: float | None, least: float, most: float, unit: str = "") -> None:
    """Refuse a value out of its range; None, a parameter left out, is within every one.

    unit : put behind the range in the remedy, with its space, as ' mm'

    Raises
    ------
    BadParameter : names the key, the value and the range
    """
    if value is not None and not least <= value <= most:
        raise BadParameter(f"{key} = {value:g}", f"Choose {least:g} to {most:g}{unit}")
