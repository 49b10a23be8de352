"""A material's data sheet, held as a whole against what its values can be."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, TypeGuard

import numpy as np

from ..errors import BadParameter
from ..problems import meant

__all__ = ["HAZARDS", "Sheet", "checked"]

HAZARDS = (
    "isocyanate", "amine", "dust", "exotherm", "fire", "skin", "methanol", "ethanol",
)  # fmt: skip

# Key -> least and most that is not a slip of the pen, and whether it is for foams only.
_LIMITS: Mapping[str, tuple[float, float]] = {
    "free_rise_kg_m3": (15, 800),
    "packing_factor": (1, 2),
    "density_kg_m3": (15, 4000),
    "viscosity_mpa_s": (1, 500_000),
    "mixing_s": (3, 1800),
    "pot_life_s": (5, 86_400),
    "cream_s": (3, 3600),
    "gel_s": (5, 14_400),
    "rise_s": (10, 28_800),
    "demold_s": (60, 2_000_000),
    "shrink_percent": (-2, 10),
    "permitted_undercut_percent": (0, 200),
    "exotherm_c": (15, 260),
}
_ALWAYS = ("pot_life_s", "demold_s", "shrink_percent", "permitted_undercut_percent")
_FOAM = ("free_rise_kg_m3", "packing_factor", "cream_s", "gel_s", "rise_s")
_WORDS = ("name", "kind", "ratio_by", "part", "hazards", "note")
# What a sheet may leave out, what is taken then, and on whose word.
_ASSUMED: Mapping[str, tuple[float, str]] = {
    "mixing_s": (30, "common practice"),
    "viscosity_mpa_s": (1000, "from memory"),
}
_PART = ("name", "ratio", "density_g_cm3", "powder", "range", "source")


@dataclass
class Sheet:
    """A data sheet's values, and the range and source told for each.

    kind : None where it is not told, or not rightly
    parts : name, share of the ratio, density in g/cm³, whether it is a powder
    assumed : the keys that it leaves out and that were filled in
    note : what else whoever casts it must know
    """

    name: str = ""
    kind: Literal["foam", "rubber", "gypsum"] | None = None
    ratio_by: Literal["weight", "volume"] = "weight"
    parts: list[tuple[str, float, float, bool]] = field(default_factory=list)
    hazards: tuple[str, ...] = ()
    values: dict[str, float] = field(default_factory=dict)
    told: dict[str, tuple[float, float, float, str]] = field(default_factory=dict)
    assumed: list[str] = field(default_factory=list)
    note: str = ""


def checked(table: Mapping[str, Any], where: str) -> Sheet:
    """The sheet of a TOML table; a value is a number, or `{ value, range, source }`.

    Raises
    ------
    BadParameter : problems, all of them, each with key, value and allowed range
    """
    sheet, problems = Sheet(), list[str]()
    _words(table, sheet, problems)
    for key, value in table.items():
        if key in _LIMITS:
            _number(key, value, sheet, problems)
        elif key not in _WORDS:
            known = (*_WORDS, *_LIMITS)
            problems.append(f"{key}: no such key{meant(key, known)}; there are {', '.join(known)}")
    _kind(table, sheet, problems)
    if not problems:
        _assume(sheet)
        _order(sheet, problems)
        _weight(sheet, problems)
    if problems:
        count = f"{len(problems)} problem{'s' if len(problems) > 1 else ''}"
        raise BadParameter("\n  ".join([f"{where}: {count}", *problems]))
    return sheet


def _kind(table: Mapping[str, Any], sheet: Sheet, problems: list[str]) -> None:
    """What its kind asks for, or rules out; nothing is asked of a kind that is not known."""
    needed = {"foam": _FOAM, "rubber": ("density_kg_m3",), "gypsum": ("density_kg_m3",)}
    for key in (*_ALWAYS, *(needed[sheet.kind] if sheet.kind else ())):
        if key not in table:
            low, high = _LIMITS[key]
            problems.append(f"{key}: missing; must be {low:g} to {high:.10g}")
    if sheet.kind in ("rubber", "gypsum"):
        problems += [
            f"{key} = {table[key]}: only a foam has it (kind = '{sheet.kind}')"
            for key in _FOAM
            if key in table
        ]


def _words(table: Mapping[str, Any], sheet: Sheet, problems: list[str]) -> None:
    name = table.get("name")
    if isinstance(name, str) and name.strip():
        sheet.name = name
    else:
        problems.append(f"name = {name!r}: must be a text that is not empty")
    kind = table.get("kind")
    if kind == "foam" or kind == "rubber" or kind == "gypsum":
        sheet.kind = kind
    else:
        problems.append(f"kind = {kind!r}: must be 'foam', 'rubber' or 'gypsum'")
    ratio_by = table.get("ratio_by")
    if ratio_by == "weight" or ratio_by == "volume":
        sheet.ratio_by = ratio_by
    else:
        problems.append(f"ratio_by = {ratio_by!r}: must be 'weight' or 'volume'")
    hazards = table.get("hazards", "missing")  # what can hurt is said, or said not to be
    if isinstance(hazards, list) and all(item in HAZARDS for item in hazards):
        sheet.hazards = tuple(hazards)
    else:
        problems.append(
            f"hazards = {hazards}: must be an array of {', '.join(HAZARDS)}; [] if none"
        )
    note = table.get("note", "")
    if isinstance(note, str):
        sheet.note = note.strip()
    else:
        problems.append(f"note = {note!r}: must be a text")
    parts = table.get("part")
    if not isinstance(parts, list) or not 1 <= len(parts) <= 6:
        problems.append("part: must be 1 to 6 [[part]] tables with name, ratio and density_g_cm3")
        return
    for number, part in enumerate(parts, start=1):
        _part(f"part[{number}]", part, sheet, problems)


def _part(where: str, part: Any, sheet: Sheet, problems: list[str]) -> None:
    if not isinstance(part, Mapping):
        problems.append(f"{where} = {part!r}: must be a table")
        return
    problems += [
        f"{where}.{key}: no such key; there are {', '.join(_PART)}"
        for key in part
        if key not in _PART
    ]
    name, powder = part.get("name"), part.get("powder", False)
    if not isinstance(name, str) or not name.strip():
        problems.append(f"{where}.name = {name!r}: must be a text that is not empty")
    if not isinstance(powder, bool):
        problems.append(f"{where}.powder = {powder!r}: must be true or false")
    numbers: list[float] = []
    for key, low, high in (("ratio", 0.001, 10_000.0), ("density_g_cm3", 0.3, 8.0)):
        value = part.get(key)
        if _is_number(value) and low <= value <= high:
            numbers.append(float(value))
        else:
            given = f" = {value!r}:" if key in part else ": missing;"
            problems.append(f"{where}.{key}{given} must be {low:g} to {high:g}")
    if len(numbers) == 2:
        if powder and sheet.ratio_by == "volume":
            problems.append(f"{where}: a powder is weighed: give ratio_by = 'weight'")
        sheet.parts.append((str(name), numbers[0], numbers[1], bool(powder)))
        told = {"value": numbers[1], **{k: part[k] for k in ("range", "source") if k in part}}
        _told(f"{where}.density_g_cm3", told, numbers[1], sheet, problems)


def _number(key: str, given: Any, sheet: Sheet, problems: list[str]) -> None:
    low, high = _LIMITS[key]
    told: Mapping[str, Any] = given if isinstance(given, Mapping) else {"value": given}
    value = told.get("value")
    if not (_is_number(value) and low <= value <= high):
        problems.append(f"{key} = {value!r}: must be {low:g} to {high:.10g}")
        return
    sheet.values[key] = float(value)
    problems += [
        f"{key}.{name}: no such key; there are value, range, source"
        for name in told
        if name not in ("value", "range", "source")
    ]
    _told(key, told, float(value), sheet, problems)


def _told(
    key: str, told: Mapping[str, Any], value: float, sheet: Sheet, problems: list[str]
) -> None:
    """Note the range and the source of a value."""
    span: Any = told.get("range", [value, value])
    source: Any = told.get("source", "own data sheet")
    good = isinstance(span, list) and len(span) == 2 and all(_is_number(item) for item in span)
    if not good or not span[0] <= value <= span[1]:
        problems.append(f"{key}.range = {span}: must be two numbers with {value:g} between them")
    elif not isinstance(source, str):
        problems.append(f"{key}.source = {source!r}: must be a text")
    else:
        sheet.told[key] = (value, float(span[0]), float(span[1]), source)


def _assume(sheet: Sheet) -> None:
    """Fill in what the sheet leaves out, and say that it was."""
    for key, (value, source) in _ASSUMED.items():
        if key not in sheet.values:
            sheet.values[key] = value
            sheet.told[key] = (value, value, value, f"assumed, for the sheet lacks it: {source}")
            sheet.assumed.append(key)


def _order(sheet: Sheet, problems: list[str]) -> None:
    """What must come after what; a foam creams, then gels, and has risen soon after."""
    chains = [("mixing_s", "pot_life_s"), ("pot_life_s", "demold_s")]
    if sheet.kind == "foam":
        chains += [("cream_s", "gel_s"), ("cream_s", "rise_s"), ("rise_s", "demold_s")]
    for early, late in chains:
        if sheet.values[early] >= sheet.values[late]:
            problems.append(f"{_said(late, sheet)}: must be more than {_said(early, sheet)}")
    if sheet.kind == "foam":
        for early, late in (("pot_life_s", "cream_s"), ("gel_s", "rise_s")):
            if sheet.values[early] > sheet.values[late]:
                problems.append(f"{_said(early, sheet)}: must be at most {_said(late, sheet)}")


def _said(key: str, sheet: Sheet) -> str:
    assumed = " (assumed: give your own)" if key in sheet.assumed else ""
    return f"{key} = {sheet.values[key]:g}{assumed}"


def _weight(sheet: Sheet, problems: list[str]) -> None:
    """A foam is lighter than the liquid that it rises from."""
    if sheet.kind != "foam":
        return
    shares = np.array([share for _, share, _, _ in sheet.parts])
    densities = np.array([density for _, _, density, _ in sheet.parts])
    weights = shares * densities if sheet.ratio_by == "volume" else shares
    liquid = 1000 * float(weights.sum() / (weights / densities).sum())
    packed = sheet.values["free_rise_kg_m3"] * sheet.values["packing_factor"]
    for what, foam in (
        ("free_rise_kg_m3 times packing_factor", packed),
        ("density_kg_m3", sheet.values.get("density_kg_m3", packed)),
    ):
        if foam >= liquid:
            problems.append(
                f"{what} = {foam:g}: must be less than {liquid:.0f} kg/m³, the density of the "
                "liquid mix"
            )
            return


def _is_number(value: Any) -> TypeGuard[float]:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
