"""Numbers as they are read on the bench: few digits, thin groups, hours and minutes."""

from __future__ import annotations

import re
from collections.abc import Sequence
from math import floor

__all__ = [
    "count",
    "decimal",
    "grams",
    "grouped",
    "hours",
    "listed",
    "plain",
    "quantity",
    "raised",
    "shares",
    "sizes",
]

# How a key ends, and the unit that this is; of two that fit the longer.
_UNITS = {
    "_mm3_s": "mm³/s",
    "_mm_s2": "mm/s²",
    "_kg_m3": "kg/m³",
    "_g_cm3": "g/cm³",
    "_mpa_s": "mPa s",
    "_percent": "%",
    "_mm_s": "mm/s",
    "_ml_s": "ml/s",
    "_mm2": "mm²",
    "_cm3": "cm³",
    "_kpa": "kPa",
    "_mpa": "MPa",
    "_deg": "°",
    "_min": "min",
    "_mm": "mm",
    "_ml": "ml",
    "_g": "g",
    "_n": "N",
    "_s": "s",
    "_h": "h",
    "_c": "°C",
}
_POWER = re.compile(r"\b(mm|cm|m)([23])\b")


def decimal(value: float, digits: int = 1) -> str:
    """With at most so many digits after the point, and no zeros at the end: 12.50 -> 12.5."""
    text = f"{value:.{digits}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text


def grouped(value: float) -> str:
    """Whole, thousands apart by a space: 12 400."""
    return f"{value:,.0f}".replace(",", "\u00a0")


def grams(value: float) -> str:
    """To the gram, below 10 to the tenth."""
    return grouped(value) if value >= 10 else decimal(value)


def hours(value: float) -> str:
    """0.75 -> 45 min, 7.5 -> 7 h 30 min, 60 -> 2 d 12 h."""
    minutes = round(value * 60)
    if minutes < 1 and value > 0:
        return f"{max(round(value * 3600), 1)} s"
    if minutes >= 48 * 60:
        days, whole = divmod(round(minutes / 60), 24)
        return _joined((days, "d"), (whole, "h"))
    whole, left = divmod(minutes, 60)
    return _joined((whole, "h"), (left, "min"))


def shares(values: Sequence[float], total: float | None = None) -> list[int]:
    """Whole numbers that add up to the rounded total, each less than 1 off its value.

    total : of the values, where they belong to one that is told elsewhere; else their sum

    What rounding down leaves goes to the largest remainders (Hamilton's method).
    """
    whole = [floor(value) for value in values]
    missing = round(sum(values) if total is None else total) - sum(whole)
    order = sorted(range(len(values)), key=lambda k: (whole[k] - values[k], k))
    for k in order[: max(missing, 0)]:
        whole[k] += 1
    return whole


def sizes(values: Sequence[float], digits: int = 0) -> str:
    """Lengths with a cross between them: 120 × 80 × 30."""
    return " \u00d7 ".join(decimal(value, digits) for value in values)


def count(number: int, one: str, more: str = "") -> str:
    """1 vent, 2 vents."""
    return f"{number} {one if number == 1 else more or one + 's'}"


def listed(words: Sequence[str]) -> str:
    """a, b and c."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def plain(name: str) -> str:
    """A key of a log as words: longest_seconds -> longest seconds."""
    return name.replace("_", " ").strip()


def quantity(key: str, value: str) -> tuple[str, str]:
    """A key and its value as name and measure: wall_mm, 6 -> wall, 6 mm."""
    for ending, unit in _UNITS.items():
        if key.endswith(ending):
            told = f"{value} {unit}" if value[-1:].isdigit() else value
            return plain(key.removesuffix(ending)), told
    return plain(key), value


def raised(text: str) -> str:
    """Powers of lengths and changes as one reads them: 474 -> 0 mm2 as 474 to 0 mm²."""
    text = _POWER.sub(lambda found: found[1] + "²³"[int(found[2]) - 2], text)
    return text.replace(" -> ", " to ")


def _joined(*pairs: tuple[int, str]) -> str:
    said = [f"{number} {unit}" for number, unit in pairs if number]
    return " ".join(said) or f"0 {pairs[-1][1]}"
