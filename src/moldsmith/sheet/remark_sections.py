"""The sheet's findings, pictures of the way here, and where the numbers are from."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from itertools import zip_longest
from typing import Any

from ..pouring.cautions import cautions
from ..workpiece import Finding, Workpiece
from .blocks import Block, Column, Pictures, Remark, Section, Table, Text
from .logs import material_of, ran
from .scene import Scene, stage_pictures
from .wording import count, decimal, hours, plain

__all__ = ["care", "findings", "numbers", "pictures_of_stages"]

_MOST_OF_A_KIND = 4
_GIVEN = ("printer", "filament", "material")  # what the job has for all stages
_SECONDS = re.compile(r"seconds$|(?<!_mm)(?<!_mm3)(?<!_ml)(?<!_mpa)_s$")  # no speeds, no Pa s
_SOURCES = ("told", "sources", "parts")
_LONGEST = 6  # numbers of a list that are printed out


def findings(piece: Workpiece) -> Section | None:
    """What the stages noticed, warnings first, each with what to do."""
    told: list[tuple[str, Finding]] = [
        (
            str(record["stage"]),
            Finding(item["code"], item["severity"], item["message"], item["body"], item["where"]),
        )
        for record in piece.records
        for item in record["findings"]
    ]
    if not told:
        return Section("findings", "Findings", (Text("None: nothing was found that needs you."),))
    blocks: list[Block] = []
    for severity in ("stop", "warning", "note"):
        kinds: dict[tuple[str, str], list[Finding]] = {}
        for stage, finding in told:
            if finding.severity == severity:
                kinds.setdefault((stage, finding.code), []).append(finding)
        for (_, code), group in kinds.items():
            blocks += [_remark(code, finding) for finding in group[:_MOST_OF_A_KIND]]
            if len(group) > _MOST_OF_A_KIND:
                rest = len(group) - _MOST_OF_A_KIND
                blocks.append(
                    Text(f"And {rest} more of this kind, in the stage's log.", small=True)
                )
    return Section("findings", "Findings and what to do", tuple(blocks))


def _remark(code: str, finding: Finding) -> Remark:
    where = finding.body
    if finding.where is not None:
        x, y, z = (round(float(value)) for value in finding.where)
        where = f"{where}: x {x}, y {y}, z {z} mm".lstrip(": ")
    text = finding.message[:1].upper() + finding.message[1:]
    return Remark(
        finding.severity, code.replace("-", " ").capitalize(), text.rstrip(".") + ".", where
    )


def care(piece: Workpiece) -> Section | None:
    """What can hurt, before anything is begun."""
    if not ran(piece, "block"):
        return None
    told = cautions(material_of(piece), closed_mold=True, printed=True)
    blocks = tuple(
        Remark("warning", one.heading, one.text, source=one.source, named=False) for one in told
    )
    return Section("care", "Take care", blocks)


def pictures_of_stages(scene: Scene) -> Section | None:
    pictures = stage_pictures(scene)
    if not pictures:
        return None
    return Section("stages", "From scan to mold", (Pictures(pictures, 3),))


def numbers(piece: Workpiece) -> Section | None:
    """Each stage's settings and what it measured; what it was given, and who says so."""
    if not piece.records:
        return None
    blocks: list[Block] = [
        Text(
            "Every stage, in working order, with its settings and what it measured. The whole of "
            "it is in the logs beside the stages' files."
        )
    ]
    for number, record in enumerate(piece.records, 1):
        own = {key: value for key, value in record["parameters"].items() if key not in _GIVEN}
        given = [(plain(key), value) for key, value in _flat(own)]
        found = [(plain(key), value) for key, value in _flat(record["figures"])]
        rows = tuple(
            (*left, *right) for left, right in zip_longest(given, found, fillvalue=("", ""))
        )
        if rows:
            columns = (Column("Set", 1.3), Column("", 1), Column("Found", 1.6), Column("", 1.2))
            blocks.append(Table(columns, rows, title=f"{number}. {record['stage']}", dense=True))
    blocks += [block for key in _GIVEN for block in _given(piece, key)]
    versions = piece.records[-1]["libraries"]
    said = ", ".join(f"{name} {version}" for name, version in versions.items())
    blocks.append(Text(f"moldsmith {piece.records[-1]['moldsmith']}; {said}.", small=True))
    return Section("numbers", "How the numbers came about", tuple(blocks))


def _given(piece: Workpiece, key: str) -> list[Block]:
    """Printer, filament or material, once for all stages; values with range and source if told."""
    for record in reversed(piece.records):
        values = record["parameters"].get(key)
        if not isinstance(values, Mapping):
            continue
        rows = [(plain(name), said) for name, said in _flat(values) if name not in _SOURCES]
        half = (len(rows) + 1) // 2
        pairs = zip_longest(rows[:half], rows[half:], fillvalue=("", ""))
        columns = (Column("", 1.3), Column("", 1.2), Column("", 1.3), Column("", 1.2))
        lines = tuple((*left, *right) for left, right in pairs)
        blocks: list[Block] = [Table(columns, lines, title=key.capitalize(), dense=True)]
        told = tuple(
            (plain(row[0]), _number(row[1]), f"{_number(row[2])} to {_number(row[3])}", row[4])
            for row in values.get("told") or ()
        )
        if told:
            heads = (Column("Value", 1.2), Column("", 0.6), Column("Usual", 0.9), Column("By", 4))
            blocks.append(Table(heads, told, dense=True))
        return blocks
    return []


def _number(value: float) -> str:
    return decimal(float(value), 3 if abs(value) < 10 else 1)


def _flat(values: Mapping[str, Any], before: str = "", depth: int = 0) -> list[tuple[str, str]]:
    """Keys and values that read in a line; long lists by their length."""
    rows: list[tuple[str, str]] = []
    for key, value in values.items():
        name = f"{before}{key}"
        if key in ("sha256", "sources") or value is None or value in ("", [], {}):
            continue
        if isinstance(value, Mapping):
            if depth < 2:
                rows += _flat(value, f"{name}: ", depth + 1)
            continue
        rows.append((name, _said(key, value)))
    return rows


def _said(key: str, value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        if _SECONDS.search(key):
            return f"{decimal(float(value), 1)} s ({hours(float(value) / 3600)})"
        return decimal(float(value), 3 if abs(value) < 10 else 2)
    if isinstance(value, Sequence) and not isinstance(value, str):
        if all(isinstance(item, int | float) for item in value) and len(value) <= _LONGEST:
            return ", ".join(decimal(float(item), 3) for item in value)
        if all(isinstance(item, str) for item in value):
            return ", ".join(value)
        return count(len(value), "entry", "entries")
    return str(value)
