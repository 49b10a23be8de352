"""What is wrong with a job file, gathered until all of it was seen."""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from .values import Misfit, conform

__all__ = ["Problems", "conformed", "is_table", "meant", "shown"]


@dataclass
class Problems:
    """Lines that say what is wrong, each naming its key."""

    lines: list[str] = field(default_factory=list)

    def add(self, key: str, what: str) -> None:
        if (line := f"{key}{what}") not in self.lines:
            self.lines.append(line)

    def misfit(self, found: Misfit) -> None:
        self.add(found.key, f" = {shown(found.value)}: must be {found.allowed}")

    def unknown(self, where: str, key: str, known: Iterable[str]) -> None:
        known = list(known)
        self.add(
            f"{where}{key}",
            f": no such key{meant(key, known)}; {where.rstrip('.') or 'the file'} can have "
            f"{', '.join(known) or 'none'}",
        )

    def missing(self, key: str, allowed: str) -> None:
        self.add(key, f": missing; must be {allowed}")


def conformed(
    table: Mapping[str, Any], hints: Mapping[str, Any], where: str, problems: Problems
) -> dict[str, Any]:
    """The table's values in the types asked for; those that do not fit are reported."""
    values = {}
    for key, value in table.items():
        if key not in hints:
            problems.unknown(where, key, hints)
            continue
        try:
            values[key] = conform(value, hints[key], f"{where}{key}")
        except Misfit as found:
            problems.misfit(found)
    return values


def is_table(value: Any, key: str, problems: Problems) -> bool:
    if isinstance(value, dict):
        return True
    problems.misfit(Misfit(key, value, f"a table: [{key}]"))
    return False


def shown(value: Any) -> str:
    """A value as the job file would have it, cut short if it is long."""
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else f"{text[:57]}..."


def meant(name: str, known: Iterable[str]) -> str:
    """What a misspelt name was meant for, to put behind it; empty where nothing is near."""
    near = difflib.get_close_matches(name, list(known), n=1)
    return f" (did you mean {near[0]}?)" if near else ""
