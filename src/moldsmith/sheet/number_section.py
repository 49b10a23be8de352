"""Where the sheet's numbers are from: what was set, what was measured, what the supplies are."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from ..route import ROUTE, worker
from ..supplies.filament import Filament
from ..supplies.printer import Printer
from ..workpiece import Workpiece
from .blocks import Block, Column, Section, Table, Text
from .wording import decimal, grouped, listed, quantity, sizes

__all__ = ["numbers"]

_SUPPLIES = ("printer", "filament", "material")  # what the job has for all stages
_USUAL = {"printer": Printer, "filament": Filament}
# Of no weight here, or told elsewhere on the sheet.
_UNTOLD = ("file", "sha256", "unit", "up", "facing", "sources", "left_g")
_LONGEST = 6  # numbers of a list that are printed out
_MM2_IN_CM2 = 100.0
_LONG_S = 600.0  # from here on minutes are told

Told = Callable[[Mapping[str, Any]], str]


def numbers(piece: Workpiece) -> Section | None:
    """Settings that differ from the usual, what explains the figures, and the supplies' values."""
    if not piece.records:
        return None
    versions = piece.records[-1]["libraries"]
    said = ", ".join(f"{name} {version}" for name, version in versions.items())
    blocks: list[Block] = [
        Text("All settings and all that was measured are in log.json in each stage's folder."),
        Text(f"moldsmith {piece.records[-1]['moldsmith']}; {said}.", small=True),
    ]
    if rows := _set(piece):
        heads = [Column("Stage", 1.2), Column("Set", 1.5), Column("To", 2.2), Column("Usual", 1.4)]
        blocks.append(Table(tuple(heads), rows, title="Set for this piece"))
    if rows := _found(piece):
        heads = [Column("Stage", 1.2), Column("What", 3), Column("Found", 2.6)]
        blocks.append(Table(tuple(heads), rows, title="Measured on the way"))
    blocks += _values(piece)
    return Section("numbers", "How the numbers came about", tuple(blocks))


def _set(piece: Workpiece) -> tuple[tuple[str, ...], ...]:
    """Every setting that is not what it is when left out, of stages and of supplies."""
    rows = []
    for record in piece.records:
        stage, usual = str(record["stage"]), _usual(str(record["stage"]))
        own = {key: value for key, value in record["parameters"].items() if key not in _SUPPLIES}
        rows += [(stage, *row) for row in _unlike(own, usual)]
    for supply, kind in _USUAL.items():
        if given := _supply(piece, supply):
            usual = {key: getattr(kind(), key) for key in given if hasattr(kind(), key)}
            rows += [(supply, *row) for row in _unlike(given, usual)]
    return tuple(rows)


def _usual(stage: str) -> dict[str, Any]:
    """The stage's parameters as they are when they are left out."""
    if stage not in ROUTE:
        return {}
    asked = inspect.signature(worker(stage)).parameters.values()
    return {one.name: one.default for one in asked if one.default is not one.empty}


def _unlike(given: Mapping[str, Any], usual: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    rows = []
    for key, value in given.items():
        known = _listed(usual.get(key))
        if key in _UNTOLD or value is None or _listed(value) == known:
            continue
        name, said = quantity(key, _said(value))
        rows.append((name, said, quantity(key, _said(known))[1] if key in usual else ""))
    return rows


def _listed(value: Any) -> Any:
    """Tuples as the lists that a log has in their place."""
    return [_listed(one) for one in value] if isinstance(value, tuple | list) else value


def _said(value: Any) -> str:
    match value:
        case None:
            return "not set"
        case bool():
            return "yes" if value else "no"
        case int() | float():
            return decimal(float(value), 3 if abs(value) < 10 else 2)
        case []:
            return "none"
        case [*items] if all(isinstance(item, str) for item in items):
            return listed(items)
        case [*items] if len(items) <= _LONGEST and all(
            isinstance(item, int | float) for item in items
        ):
            return ", ".join(_said(item) for item in items)
        case [*items]:
            return f"{len(items)} of them, as in the job"
        case Mapping():
            return "as in the job"
    return str(value)


def _found(piece: Workpiece) -> tuple[tuple[str, str, str], ...]:
    """What the stages measured that the figures of this sheet rest on."""
    rows = []
    for record in piece.records:
        stage = str(record["stage"])
        for what, told in _EXPLAINING.get(stage, ()):
            try:
                said = told(record["figures"])
            except (KeyError, IndexError, TypeError, ValueError):
                continue  # the stage had no such thing to measure
            if said:
                rows.append((stage, what, said))
    return tuple(rows)


def _mm(key: str, digits: int = 1) -> Told:
    return lambda told: f"{decimal(float(told[key]), digits)} mm"


def _count(key: str) -> Told:
    return lambda told: grouped(float(told[key])) if told[key] else ""


def _cm2(mm2: float) -> str:
    return f"{decimal(mm2 / _MM2_IN_CM2)} cm\u00b2"


def _span(told: Mapping[str, Any]) -> str:
    least, mean, most = (
        decimal(float(told[f"thickness_{which}_mm"])) for which in ("min", "mean", "max")
    )
    return f"{least} to {most} mm, {mean} mm on average"


def _steep(told: Mapping[str, Any]) -> str:
    draft = told["draft"]
    return _cm2(sum(float(draft[key]) for key in ("below_0_mm2", "0_to_1_mm2", "1_to_3_mm2")))


def _push(told: Mapping[str, Any]) -> str:
    cm2 = float(told["projected_cm2"])
    kpa = 10 * float(told["force_n"]) / cm2
    return f"{grouped(cm2)} cm\u00b2, by {decimal(kpa)} kPa in the mean"


def _ways(told: Mapping[str, Any]) -> str:
    ways = [decimal(float(value)) for value in told["ways_cm3"].values()]
    return f"{listed(ways)} cm\u00b3"


# Stage -> what is told of it, and how it is read off the stage's figures.
_EXPLAINING: Mapping[str, Sequence[tuple[str, Told]]] = {
    "load_scan": (
        ("Size of the scan", lambda told: f"{sizes(told['size_mm'])} mm"),
        ("Triangles read", _count("triangles_read")),
    ),
    "heal": (
        ("Loose fragments dropped", _count("fragments_dropped")),
        ("Holes filled", _count("holes_filled")),
        (
            "The widest of them",
            lambda told: _mm("widest_filled_mm")(told) if told["holes_filled"] else "",
        ),
        ("Surface made anew", lambda told: "yes" if told["resurfaced"] else ""),
    ),
    "crop": (
        ("Skin within the trim line", lambda told: _cm2(float(told["area_mm2"]))),
        (
            "Trim line",
            lambda told: listed(
                [f"{grouped(float(row['length_mm']))} mm" for row in told["borders"]]
            ),
        ),
    ),
    "shell": (
        ("Thickness", _span),
        ("Inner face off by, on 99 % of it at most", _mm("offset_error_p99_mm", 2)),
    ),
    "block": (
        ("Width of the land round the casting", lambda told: _mm("least_mm")(told["land"])),
        ("Cavity with less than 3\u00b0 of draft", _steep),
        ("Undercut", lambda told: _mm("depth_mm", 2)(told["undercut"])),
        ("Deepest place that holds the casting", _mm("held_mm", 2)),
    ),
    "channels": (("Places where air would stay", _count("pockets")),),
    "overhangs": (
        (
            "Leans out over air, all parts",
            lambda told: _cm2(sum(float(row["flagged_mm2"]) for row in told["parts"])),
        ),
    ),
    "estimate": (("Filament", lambda told: f"{grouped(float(told['metres']))} m"),),
    "fill": (
        (
            "Air that no vent lets out",
            lambda told: (
                f"{decimal(sum(float(row['left_cm3']) for row in told['pockets']))} cm\u00b3"
            ),
        ),
    ),
    "mix": (("Void of the mold, measured in three ways", _ways),),
    "clamp": (("What pushes the mold open", _push),),
    "coat": (
        (
            "Layer steps over what is wished",
            lambda told: (
                f"over {decimal(float(told['cusp']['wished_mm']), 2)} mm on "
                f"{decimal(100 * float(told['cusp']['over_share']), 0)} % of the face"
            ),
        ),
    ),
}


def _values(piece: Workpiece) -> list[Block]:
    """The cast material's values, each with its usual range and who says so."""
    given = _supply(piece, "material")
    rows = []
    for key, value, low, high, source in given.get("told") or ():
        part, _, own = str(key).rpartition(".")
        if own.endswith("_s") and not own.endswith("mpa_s") and low >= _LONG_S:
            own = f"{own.removesuffix('_s')}_min"
            value, low, high = value / 60, low / 60, high / 60
        name, said = quantity(own, _number(value))
        usual = f"{_number(low)} to {_number(high)}"
        rows.append((_of_part(part, name, given), said, usual, str(source)))
    if not rows:
        return []
    columns = (Column("Value", 1.5), Column("", 1), Column("Usual", 1.1), Column("By", 3.3))
    return [Table(columns, tuple(rows), title=f"Material: {given.get('name', '')}")]


def _of_part(part: str, name: str, given: Mapping[str, Any]) -> str:
    """A value's name, with that of the part it is of: part[1] is the first of them."""
    number = part.removeprefix("part[").removesuffix("]")
    if not number.isdigit() or not 0 < int(number) <= len(given.get("parts") or ()):
        return name
    return f"{name}, {given['parts'][int(number) - 1][0]}"


def _supply(piece: Workpiece, key: str) -> Mapping[str, Any]:
    """Printer, filament or material as the newest stage to be given it was."""
    for record in reversed(piece.records):
        values = record["parameters"].get(key)
        if isinstance(values, Mapping):
            return values
    return {}


def _number(value: float) -> str:
    return decimal(float(value), 3 if abs(value) < 10 else 1)
