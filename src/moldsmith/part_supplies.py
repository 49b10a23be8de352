"""The printer and filament that a part in a `parts` folder was made for, by its piece's logs."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, TypeVar

from .gathering import PARTS_NAME
from .stage import LOG_NAME
from .supplies.filament import Filament
from .supplies.printer import Printer

__all__ = ["REPRINT_NAME", "PartSupplies", "part_supplies"]

REPRINT_NAME = "reprint"  # folder in that of the parts, which a job clears of what is no part

T = TypeVar("T", Printer, Filament)


@dataclass(frozen=True, slots=True)
class PartSupplies:
    """Printer and filament of a part, and the stage's log that tells them."""

    printer: Printer
    filament: Filament
    log: Path


def part_supplies(part: Path) -> PartSupplies | None:
    """What the newest log beside the folder of the part tells; None where there is none.

    part : its STL, `<piece>/parts/<body>.stl`, as a job writes it, or one of `parts/reprint`
    """
    folder = part.resolve().parent
    folder = folder.parent if folder.name == REPRINT_NAME else folder
    if folder.name != PARTS_NAME:
        return None
    logs = sorted(folder.parent.glob(f"[0-9][0-9]-*/{LOG_NAME}"), reverse=True)
    given = [(path, _parameters(path)) for path in logs]
    printers = [(path, row["printer"]) for path, row in given if _is_told(row, "printer")]
    filaments = [row["filament"] for _, row in given if _is_told(row, "filament")]
    if not printers:
        return None
    log, printer = printers[0]
    spools = _made(Filament, filaments[0]) if filaments else Filament()
    return PartSupplies(_made(Printer, printer), spools, log)


def _parameters(log: Path) -> Mapping[str, Any]:
    """The parameters of a finished stage; none where the log is broken."""
    try:
        record = json.loads(log.read_text(encoding="utf-8"))
        parameters = record["parameters"] if record["status"] == "finished" else {}
    except (OSError, ValueError, KeyError, TypeError):
        return {}
    return parameters if isinstance(parameters, Mapping) else {}


def _is_told(parameters: Mapping[str, Any], key: str) -> bool:
    return isinstance(parameters.get(key), Mapping)


def _made(kind: type[T], told: Mapping[str, Any]) -> T:
    """The supply of a log; what it does not tell stays as usual."""
    known = {item.name for item in fields(kind)}
    values = {key: value for key, value in told.items() if key in known}
    if "sources" in values:
        values["sources"] = tuple(values["sources"])
    return kind(**values)
