"""The job file: what is to be made of which scans, read and checked as a whole.

    [printer]                       # optional
    volume_mm = [220, 220, 250]
    nozzle_mm = 0.4
    layer_mm = 0.2

    [defaults.shell]                # for every piece, one table a stage
    thickness_mm = 8

    [[piece]]
    name = "belly"
    scan = "scan/troll.ply"         # from the job file's folder
    unit = "m"
    [piece.shell]                   # for this piece
    thickness_mm = 12

The keys of a stage's table are the parameters of its function, under the
same names. Every problem in the file is reported at once, with its key,
value, and what the key can take.
"""

from __future__ import annotations

import difflib
import json
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, get_type_hints

from .errors import BadJob, BadParameter
from .printing.printer import Printer
from .route import LOADING, ONLY_WHEN_NAMED, ROUTE, parameters
from .values import Misfit, conform, described

__all__ = ["Job", "PieceOrder", "read_job"]

_NAME = re.compile(r"\w([\w .-]*\w)?")


@dataclass(frozen=True)
class PieceOrder:
    """One piece of a job: its scan, and for each stage it goes through the stage's settings.

    number : its place in the job file, from 1; settings : stage -> parameters,
    in working order, `load_scan` first
    """

    name: str
    number: int
    scan: Path
    settings: Mapping[str, Mapping[str, Any]]


@dataclass(frozen=True)
class Job:
    """A job file, checked."""

    path: Path
    printer: Printer
    pieces: tuple[PieceOrder, ...]

    def only(self, name: str) -> Job:
        """The job for one of its pieces; `BadJob` if it has none of that name."""
        chosen = tuple(piece for piece in self.pieces if piece.name == name)
        if not chosen:
            names = [piece.name for piece in self.pieces]
            raise BadJob(
                f"{self.path.name}: no piece is named {_shown(name)}{_meant(name, names)}",
                f"It has: {', '.join(names)}",
            )
        return Job(self.path, self.printer, chosen)


@dataclass
class _Problems:
    """What is wrong with a job file, gathered until all of it was seen."""

    lines: list[str] = field(default_factory=list)

    def add(self, key: str, what: str) -> None:
        if (line := f"{key}{what}") not in self.lines:
            self.lines.append(line)

    def misfit(self, found: Misfit) -> None:
        self.add(found.key, f" = {_shown(found.value)}: must be {found.allowed}")

    def unknown(self, where: str, key: str, known: Iterable[str]) -> None:
        known = list(known)
        self.add(
            f"{where}{key}",
            f": no such key{_meant(key, known)}; {where.rstrip('.') or 'the file'} can have "
            f"{', '.join(known) or 'none'}",
        )

    def missing(self, key: str, allowed: str) -> None:
        self.add(key, f": missing; must be {allowed}")


def read_job(path: str | Path) -> Job:
    """Read and check a job file.

    Raises
    ------
    BadJob : the file cannot be read, is not TOML, or has problems; all are named
    """
    path = Path(path)
    data = _toml(path)
    problems = _Problems()
    for key in data:
        if key not in ("printer", "defaults", "piece"):
            problems.unknown("", key, ["printer", "defaults", "piece"])
    printer = _printer(data.get("printer", {}), problems)
    defaults = _defaults(data.get("defaults", {}), problems)
    pieces = _pieces(data.get("piece"), defaults, path.parent, problems)
    if problems.lines:
        count = len(problems.lines)
        heading = f"{path}: {count} problem{'s' if count > 1 else ''}"
        raise BadJob("\n  ".join([heading, *problems.lines]))
    return Job(path, printer, pieces)


def _toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise BadJob(
            f"{path}: cannot be read ({error.strerror or error})", "Give the path of a job file"
        ) from error
    except UnicodeDecodeError as error:
        raise BadJob(f"{path}: is not UTF-8 text", "Save the job file as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise BadJob(f"{path}: is not TOML: {error}", "Correct that line") from error


def _printer(table: Any, problems: _Problems) -> Printer:
    if not _is_table(table, "printer", problems):
        return Printer()
    hints = get_type_hints(Printer)
    known = [item.name for item in fields(Printer)]
    given = _conformed(table, {name: hints[name] for name in known}, "printer.", problems)
    try:
        return Printer(**given)
    except BadParameter as error:
        problems.add("printer.", f"{error.problem}: {error.remedy}")
    return Printer()


def _defaults(table: Any, problems: _Problems) -> dict[str, dict[str, Any]]:
    if not _is_table(table, "defaults", problems):
        return {}
    settings: dict[str, dict[str, Any]] = {}
    for stage, values in table.items():
        if stage not in ROUTE:
            problems.unknown("defaults.", stage, ROUTE)
        elif _is_table(values, f"defaults.{stage}", problems):
            settings[stage] = _stage_values(stage, values, f"defaults.{stage}.", problems)
    return settings


def _pieces(
    tables: Any, defaults: Mapping[str, Mapping[str, Any]], folder: Path, problems: _Problems
) -> tuple[PieceOrder, ...]:
    if not isinstance(tables, list) or not tables or not all(isinstance(t, dict) for t in tables):
        problems.add("piece", ": missing; give each piece a [[piece]] table with name and scan")
        return ()
    names: dict[str, int] = {}
    pieces = []
    for number, table in enumerate(tables, start=1):
        piece = _piece(table, number, defaults, folder, problems)
        earlier = names.setdefault(piece.name.casefold(), number)
        if piece.name and earlier != number:
            problems.add(
                f"piece[{number}].name",
                f" = {_shown(piece.name)}: piece[{earlier}] has it; each needs a name of its own",
            )
        pieces.append(piece)
    return tuple(pieces)


def _piece(
    table: Mapping[str, Any],
    number: int,
    defaults: Mapping[str, Mapping[str, Any]],
    folder: Path,
    problems: _Problems,
) -> PieceOrder:
    where = f"piece[{number}]."
    loading = parameters(LOADING)
    stages = [stage for stage in ROUTE if stage != LOADING]
    for key in table:
        if key not in ("name", "scan", *loading, *stages):
            problems.unknown(where, key, ["name", "scan", *loading, *stages])
    name = _text(table, "name", where, problems)
    if name and not _NAME.fullmatch(name):
        problems.add(
            f"{where}name",
            f" = {_shown(name)}: must be letters, digits, '-', '_', '.' or spaces between them "
            "(it names a folder)",
        )
    scan = folder / _text(table, "scan", where, problems)
    own = {key: value for key, value in table.items() if key in loading}
    settings = {
        LOADING: {
            **defaults.get(LOADING, {}),
            **_stage_values(LOADING, own, where, problems),
        }
    }
    for stage in stages:
        if stage in ONLY_WHEN_NAMED and stage not in table and stage not in defaults:
            continue
        values = table.get(stage, {})
        if not _is_table(values, f"{where}{stage}", problems):
            continue
        own = _stage_values(stage, values, f"{where}{stage}.", problems)
        settings[stage] = _beside(folder, {**defaults.get(stage, {}), **own})
        for key, parameter in parameters(stage).items():
            if parameter.required and key not in settings[stage] and key not in values:
                problems.missing(f"{where}{stage}.{key}", described(parameter.hint))
    return PieceOrder(name, number, scan, settings)


def _beside(folder: Path, settings: dict[str, Any]) -> dict[str, Any]:
    """The settings with their paths, like the scan's, from the job file's folder."""
    return {
        key: folder / value if isinstance(value, Path) else value for key, value in settings.items()
    }


def _stage_values(
    stage: str, table: Mapping[str, Any], where: str, problems: _Problems
) -> dict[str, Any]:
    hints = {name: parameter.hint for name, parameter in parameters(stage).items()}
    return _conformed(table, hints, where, problems)


def _conformed(
    table: Mapping[str, Any], hints: Mapping[str, Any], where: str, problems: _Problems
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


def _text(table: Mapping[str, Any], key: str, where: str, problems: _Problems) -> str:
    value = table.get(key)
    if value is None:
        problems.missing(f"{where}{key}", "a text")
    elif not isinstance(value, str) or not value.strip():
        problems.misfit(Misfit(f"{where}{key}", value, "a text that is not empty"))
    else:
        return value
    return ""


def _is_table(value: Any, key: str, problems: _Problems) -> bool:
    if isinstance(value, dict):
        return True
    problems.misfit(Misfit(key, value, f"a table: [{key}]"))
    return False


def _shown(value: Any) -> str:
    """A value as the job file would have it, cut short if it is long."""
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _meant(name: str, known: Iterable[str]) -> str:
    near = difflib.get_close_matches(name, list(known), n=1)
    return f" (did you mean {near[0]}?)" if near else ""
