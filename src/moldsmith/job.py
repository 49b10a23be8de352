"""The job file: what is to be made of which scans, read and checked as a whole.

    [printer]                       # optional
    volume_mm = [220, 220, 250]
    nozzle_mm = 0.4
    layer_mm = 0.2

    [filament]                      # optional
    like = "PLA"
    left_g = [820, 140]

    [material]                      # without it, nothing is planned of mixing and pouring
    like = "foam-80"                # or sheet = "my_foam.toml"

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

import re
import tomllib
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from .errors import BadJob
from .given import Supplies, material_of, supplies_of
from .problems import Problems, conformed, is_table, meant, shown
from .route import LOADING, ONLY_WHEN_NAMED, ROUTE, needs_material, parameters
from .values import Misfit, described

__all__ = ["Job", "PieceOrder", "read_job"]

_TABLES = ("printer", "filament", "material", "defaults", "piece")
_NAME = re.compile(r"\w([\w .-]*\w)?")
_LONGEST = 60  # letters, of up to four bytes: file systems take 255
# Files beside the pieces' folders, and devices under Windows, whatever ending they are given.
_TAKEN = re.compile(
    r"summary\.json|index\.html|(con|prn|aux|nul|(com|lpt)\d)(\..*)?", re.IGNORECASE
)


@dataclass(frozen=True)
class PieceOrder:
    """One piece of a job: its scan, and for each stage it goes through the stage's settings.

    number : its place in the job file, from 1; settings : stage -> parameters,
    in working order, `load_scan` first; left_out : stages that need a material
    while the job names none
    """

    name: str
    number: int
    scan: Path
    settings: Mapping[str, Mapping[str, Any]]
    supplies: Supplies = field(default_factory=Supplies)
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True)
class Job:
    """A job file, checked."""

    path: Path
    supplies: Supplies
    pieces: tuple[PieceOrder, ...]

    def only(self, name: str) -> Job:
        """The job for one of its pieces; `BadJob` if it has none of that name."""
        wanted = unicodedata.normalize("NFC", name)
        chosen = tuple(piece for piece in self.pieces if piece.name == wanted)
        if not chosen:
            names = [piece.name for piece in self.pieces]
            raise BadJob(
                f"{self.path.name}: no piece is named {shown(name)}{meant(name, names)}",
                f"It has: {', '.join(names)}",
            )
        return replace(self, pieces=chosen)


@dataclass(frozen=True, slots=True)
class _Given:
    """What all pieces of a job share as it is read."""

    folder: Path
    defaults: Mapping[str, Mapping[str, Any]]
    supplies: Supplies
    tables: frozenset[str]
    problems: Problems


def read_job(path: str | Path) -> Job:
    """Read and check a job file.

    Raises
    ------
    BadJob : the file cannot be read, is not TOML, or has problems; all are named
    """
    path = Path(path)
    data = _toml(path)
    problems = Problems()
    for key in data:
        if key not in _TABLES:
            problems.unknown("", key, _TABLES)
    supplies = supplies_of(data, path.parent, problems)
    defaults = _defaults(data.get("defaults", {}), problems)
    given = _Given(path.parent, defaults, supplies, frozenset(data), problems)
    pieces = _pieces(data.get("piece"), given)
    if problems.lines:
        count = len(problems.lines)
        heading = f"{path}: {count} problem{'s' if count > 1 else ''}"
        raise BadJob("\n  ".join([heading, *problems.lines]))
    return Job(path, supplies, pieces)


def _toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))  # some editors put a mark first
    except OSError as error:
        raise BadJob(
            f"{path}: cannot be read ({error.strerror or error})", "Give the path of a job file"
        ) from error
    except UnicodeDecodeError as error:
        raise BadJob(f"{path}: is not UTF-8 text", "Save the job file as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise BadJob(f"{path}: is not TOML: {error}", "Correct that line") from error


def _defaults(table: Any, problems: Problems) -> dict[str, dict[str, Any]]:
    if not is_table(table, "defaults", problems):
        return {}
    settings: dict[str, dict[str, Any]] = {}
    for stage, values in table.items():
        if stage not in ROUTE:
            problems.unknown("defaults.", stage, ROUTE)
        elif is_table(values, f"defaults.{stage}", problems):
            settings[stage] = _stage_values(stage, values, f"defaults.{stage}.", problems)
    return settings


def _pieces(tables: Any, given: _Given) -> tuple[PieceOrder, ...]:
    problems = given.problems
    if not isinstance(tables, list) or not tables or not all(isinstance(t, dict) for t in tables):
        problems.add("piece", ": missing; give each piece a [[piece]] table with name and scan")
        return ()
    names: dict[str, int] = {}
    pieces = []
    for number, table in enumerate(tables, start=1):
        piece = _piece(table, number, given)
        earlier = names.setdefault(piece.name.casefold(), number)
        if piece.name and earlier != number:
            problems.add(
                f"piece[{number}].name",
                f" = {shown(piece.name)}: piece[{earlier}] has it; each needs a name of its own",
            )
        pieces.append(piece)
    return tuple(pieces)


def _piece(table: Mapping[str, Any], number: int, given: _Given) -> PieceOrder:
    where, problems = f"piece[{number}].", given.problems
    loading = parameters(LOADING)
    stages = [stage for stage in ROUTE if stage != LOADING]
    known = ["name", "scan", "material", *loading, *stages]
    for key in table:
        if key not in known:
            problems.unknown(where, key, known)
    name = _name(table, where, problems)
    scan = given.folder / _text(table, "scan", where, problems)
    supplies = given.supplies
    if "material" in table:
        own = material_of(table["material"], f"{where}material", given.folder, problems)
        supplies = replace(supplies, material=own)
    elif supplies.material is None:
        _refuse_unsupplied(table, where, given)
    settings = {LOADING: _loading_settings(table, where, given)}
    left_out = []
    for stage in stages:
        if stage in ONLY_WHEN_NAMED and stage not in table and stage not in given.defaults:
            continue
        if supplies.material is None and needs_material(stage):
            left_out.append(stage)
        elif is_table(table.get(stage, {}), f"{where}{stage}", problems):
            settings[stage] = _settings(stage, table.get(stage, {}), where, given)
    return PieceOrder(name, number, scan, settings, supplies, tuple(left_out))


def _name(table: Mapping[str, Any], where: str, problems: Problems) -> str:
    """The piece's name, which is that of its folder."""
    name = unicodedata.normalize("NFC", _text(table, "name", where, problems))
    allowed = ""
    if name and not _NAME.fullmatch(name):
        allowed = "letters, digits, '-', '_', '.' or spaces between them"
    elif len(name) > _LONGEST:
        allowed = f"at most {_LONGEST} letters long"
    elif _TAKEN.fullmatch(name):
        allowed = "another name, this one is taken"
    if allowed:
        problems.add(f"{where}name", f" = {shown(name)}: must be {allowed} (it names a folder)")
    return name


def _refuse_unsupplied(table: Mapping[str, Any], where: str, given: _Given) -> None:
    """Say of each stage named that it needs the material which the job lacks."""
    if "material" in given.tables:
        return
    for stage in table:
        if stage in ROUTE and needs_material(stage):
            given.problems.add(f"{where}{stage}", ": needs a [material] table")


def _loading_settings(table: Mapping[str, Any], where: str, given: _Given) -> dict[str, Any]:
    own = {key: value for key, value in table.items() if key in parameters(LOADING)}
    return {
        **given.defaults.get(LOADING, {}),
        **_stage_values(LOADING, own, where, given.problems),
    }


def _settings(stage: str, table: Mapping[str, Any], where: str, given: _Given) -> dict[str, Any]:
    own = _stage_values(stage, table, f"{where}{stage}.", given.problems)
    settings = _beside(given.folder, {**given.defaults.get(stage, {}), **own})
    for key, parameter in parameters(stage).items():
        if parameter.required and key not in settings and key not in table:
            given.problems.missing(f"{where}{stage}.{key}", described(parameter.hint))
    return settings


def _beside(folder: Path, settings: dict[str, Any]) -> dict[str, Any]:
    """The settings with their paths, like the scan's, from the job file's folder."""
    return {
        key: folder / value if isinstance(value, Path) else value for key, value in settings.items()
    }


def _stage_values(
    stage: str, table: Mapping[str, Any], where: str, problems: Problems
) -> dict[str, Any]:
    hints = {name: parameter.hint for name, parameter in parameters(stage).items()}
    return conformed(table, hints, where, problems)


def _text(table: Mapping[str, Any], key: str, where: str, problems: Problems) -> str:
    value = table.get(key)
    if value is None:
        problems.missing(f"{where}{key}", "a text")
    elif not isinstance(value, str) or not value.strip() or "\0" in value:
        problems.misfit(Misfit(f"{where}{key}", value, "a text that is not empty"))
    else:
        return value
    return ""
