"""@stage: what makes a plain function a stage of the job.

It checks the call, runs the function, times it, settles the bodies to what
their STL says, writes the STL files and, last, the log. A stage that finished
before with the same input, parameters and code is read back instead.
Only this module writes stage files.
"""

from __future__ import annotations

import functools
import hashlib
import inspect
import json
import logging
import math
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import asdict, is_dataclass, replace
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import (
    Any,
    Concatenate,
    Literal,
    ParamSpec,
    cast,
    get_args,
    get_origin,
    get_type_hints,
)

import numpy as np
import trimesh

from . import __version__
from .errors import BadParameter, CannotBuild, MoldsmithError
from .geometry import stl
from .metering import Meter
from .sources import sources_digest
from .values import Misfit, first_misfit, simple_hints
from .workpiece import Draft, Finding, Frame, Workpiece, digest, frozen_mesh, settled
from .writing import remove, write_bytes, write_text

__all__ = ["SCHEMA_ID", "SCHEMA_VERSION", "anew", "stage"]

SCHEMA_ID = "moldsmith/stage-log"
SCHEMA_VERSION = 1
LOG_NAME = "log.json"
FAILED_NAME = "failed.json"
FAILED_PREFIX = "failed-"  # of what a stage attached that a finding stopped
_LIBRARIES = (
    "numpy",
    "scipy",
    "trimesh",
    "manifold3d",
    "shapely",
    "networkx",
    "potpourri3d",
    "fast-simplification",
)

_TOLD = 80  # letters of a wrong value in a message

P = ParamSpec("P")
log = logging.getLogger(__name__)

_ANEW: ContextVar[bool] = ContextVar("anew", default=False)


@contextmanager
def anew(wanted: bool = True) -> Iterator[None]:
    """Within this block stages do their work again, also where they had finished before.

    Holds for the thread that opened the block. What had finished stays until
    the new result replaces it.
    """
    token = _ANEW.set(wanted)
    try:
        yield
    finally:
        _ANEW.reset(token)


def stage(
    function: Callable[Concatenate[Workpiece, P], Workpiece],
) -> Callable[Concatenate[Workpiece, P], Workpiece]:
    """Make `function(piece, *, parameters) -> Workpiece` a stage.

    Its name is the function's. The signature stays as it is.
    """
    signature = inspect.signature(function)
    name = function.__name__.strip("_")

    @functools.wraps(function)
    def run(piece: Workpiece, *args: P.args, **kwargs: P.kwargs) -> Workpiece:
        bound = signature.bind(piece, *args, **kwargs)
        given = dict(bound.arguments)
        bound.apply_defaults()
        parameters = {key: _plain(value) for key, value in list(bound.arguments.items())[1:]}
        heading = _heading(piece, name, parameters)
        folder = _stage_folder(piece, heading)
        finished = _read_back(piece, folder, heading)
        if finished is not None:
            _tell("read back", piece.name, name, 0.0)
            return finished
        meter, started = Meter(), datetime.now(UTC)
        try:
            misfit = first_misfit(given, simple_hints(function))
            # What is no finite number is out of a range, which the stage names.
            if misfit is not None and not _infinite(misfit.value):
                raise _refusal(misfit, function)
            result = function(replace(piece, draft=Draft()), *args, **kwargs)
            _refuse_stops(result, folder)
            return _finish(piece, result, folder, heading, started, meter)
        except MoldsmithError as error:
            located = error.located(piece.name, name)
            _write_failure(folder, heading, started, meter, located)
            raise located from error
        except Exception as error:
            # Of lists and tables stages say themselves what is wrong, where they can.
            misfit = first_misfit(given, get_type_hints(function))
            if misfit is None:
                _write_failure(folder, heading, started, meter, error)
                raise
            wrong = _refusal(misfit, function).located(piece.name, name)
            _write_failure(folder, heading, started, meter, wrong)
            raise wrong from error

    return cast("Callable[Concatenate[Workpiece, P], Workpiece]", run)


def _refusal(misfit: Misfit, function: Callable[..., Workpiece]) -> BadParameter:
    """Names the parameter, the value and what it can be."""
    told = repr(misfit.value)
    short = told if len(told) <= _TOLD else f"{told[:_TOLD]} ..."
    hint = get_type_hints(function)[misfit.key]
    if get_origin(hint) is Literal:
        *others, last = (repr(choice) for choice in get_args(hint))
        return BadParameter(f"{misfit.key} = {short}", f"Choose {', '.join(others)} or {last}")
    choices = [kind for kind in (hint, *get_args(hint)) if isinstance(kind, type)]
    kinds = [f"a {kind.__name__}" for kind in choices if is_dataclass(kind)]
    return BadParameter(f"{misfit.key} = {short}", f"Give {', '.join(kinds) or misfit.allowed}")


def _infinite(value: Any) -> bool:
    return isinstance(value, float) and not math.isfinite(value)


def _heading(piece: Workpiece, name: str, parameters: Mapping[str, Any]) -> dict[str, Any]:
    """The part of the log that is known before the work, and the key made of it."""
    inputs = {key: piece.digests.get(key) or digest(mesh) for key, mesh in piece.bodies.items()}
    heading = {
        "schema": SCHEMA_ID,
        "schema_version": SCHEMA_VERSION,
        "moldsmith": __version__,
        "stage": name,
        "piece": piece.name,
        "sequence": len(piece.records) + 1,
        "parameters": parameters,
        "inputs": dict(sorted(inputs.items())),
        "frame_in": _plain(piece.frame),
        "libraries": dict(_library_versions()),
    }
    figures = [record["figures"] for record in piece.records]
    made_of = [heading, figures, sources_digest()]
    heading["key"] = hashlib.sha256(_dumps(made_of).encode()).hexdigest()
    return heading


@functools.cache
def _library_versions() -> tuple[tuple[str, str], ...]:
    """Versions of the libraries that the results depend on; looking them up reads files."""
    return tuple((library, version(library)) for library in _LIBRARIES)


def _finish(
    piece: Workpiece,
    result: Workpiece,
    folder: Path | None,
    heading: dict[str, Any],
    started: datetime,
    meter: Meter,
) -> Workpiece:
    """Settle and write what the stage made, then its log."""
    bodies: dict[str, trimesh.Trimesh] = {}
    digests: dict[str, str] = {}
    outputs: dict[str, Any] = {}
    for name, mesh in result.bodies.items():
        if piece.bodies.get(name) is mesh:
            bodies[name], digests[name] = mesh, heading["inputs"][name]
            continue
        bodies[name] = settled(mesh)
        data = stl.encode(bodies[name].vertices, bodies[name].faces)
        digests[name] = hashlib.sha256(data).hexdigest()
        outputs[name] = _measured(name, bodies[name], digests[name])
        if folder is not None:
            write_bytes(folder / f"{name}.stl", data)
    for file, data in result.draft.attachments.items():
        if folder is not None:
            write_bytes(folder / file, data)
    record = {
        **heading,
        "status": "finished",
        "started_utc": started.isoformat(timespec="seconds"),
        "seconds": round(meter.seconds, 3),
        "peak_memory_mb": _rounded(meter.peak_memory_mb),
        "outputs": dict(sorted(outputs.items())),
        "bodies": digests,  # in the order they were made, so that a piece read back has it too
        "attachments": {
            file: hashlib.sha256(data).hexdigest()
            for file, data in sorted(result.draft.attachments.items())
        },
        "frame": _plain(result.frame),
        "figures": _plain(result.draft.figures),
        "findings": [_plain(_placed(finding)) for finding in result.draft.findings],
    }
    if folder is not None:
        stale = _files(folder) - _named(record)
        write_text(folder / LOG_NAME, _dumps(record) + "\n")
        failed = {path.name for path in folder.glob(f"{FAILED_PREFIX}*")}
        for file in sorted(stale | failed | {FAILED_NAME}):
            remove(folder / file)
    _tell(f"{record['seconds']:.1f} s", piece.name, heading["stage"], record["seconds"])
    return replace(
        result,
        bodies=bodies,
        digests=digests,
        records=(*piece.records, json.loads(_dumps(record))),
        draft=Draft(),
    )


def _tell(what: str, piece: str, name: str, seconds: float) -> None:
    extra = {"piece": piece, "stage": name, "seconds": seconds}
    log.info("%s: %s: %s", piece, name, what, extra=extra)


def _files(folder: Path) -> set[str]:
    """The files that the folder's finished log names; none without such a log."""
    try:
        return _named(json.loads((folder / LOG_NAME).read_text(encoding="utf-8")))
    except (OSError, ValueError, KeyError, TypeError):
        return set()


def _named(record: Mapping[str, Any]) -> set[str]:
    return {output["file"] for output in record["outputs"].values()} | set(record["attachments"])


def _read_back(
    piece: Workpiece, folder: Path | None, heading: Mapping[str, Any]
) -> Workpiece | None:
    """The result of this very stage if it finished before and its files are whole."""
    if folder is None or _ANEW.get():
        return None
    try:
        record = json.loads((folder / LOG_NAME).read_text(encoding="utf-8"))
        if record["key"] != heading["key"] or record["status"] != "finished":
            return None
        bodies: dict[str, trimesh.Trimesh] = {}
        for name, sha256 in record["bodies"].items():
            if name not in record["outputs"]:
                bodies[name] = piece.bodies[name]
                continue
            data = (folder / record["outputs"][name]["file"]).read_bytes()
            if hashlib.sha256(data).hexdigest() != sha256:
                return None
            bodies[name] = frozen_mesh(*stl.decode(data))
        for file, sha256 in record["attachments"].items():
            if hashlib.sha256((folder / file).read_bytes()).hexdigest() != sha256:
                return None
    except (OSError, ValueError, KeyError, TypeError):
        return None  # an unreadable log is an unfinished stage
    return replace(
        piece,
        bodies=bodies,
        digests=record["bodies"],
        frame=_frame(record["frame"]),
        records=(*piece.records, record),
        draft=Draft(),
    )


def _refuse_stops(result: Workpiece, folder: Path | None) -> None:
    """`CannotBuild` for a finding that stops; what the stage attached shows why, so it is kept."""
    for finding in result.draft.findings:
        if finding.severity == "stop":
            for file, data in result.draft.attachments.items():
                if folder is not None:
                    write_bytes(folder / f"{FAILED_PREFIX}{file}", data)
            raise CannotBuild(finding.message)


def _placed(finding: Finding) -> Finding:
    """The finding without its place if that is no point."""
    if finding.where is None or np.isfinite(finding.where).all():
        return finding
    return replace(finding, where=None)


def _write_failure(
    folder: Path | None,
    heading: Mapping[str, Any],
    started: datetime,
    meter: Meter,
    error: Exception,
) -> None:
    """Say beside the stage's files why it failed; an earlier finished log stays."""
    if folder is None:
        return
    record = {
        **heading,
        "status": "failed",
        "started_utc": started.isoformat(timespec="seconds"),
        "seconds": round(meter.seconds, 3),
        "peak_memory_mb": _rounded(meter.peak_memory_mb),
        "error": {"type": type(error).__name__, "message": str(error)},
    }
    try:
        write_text(folder / FAILED_NAME, _dumps(record) + "\n")
    except MoldsmithError:
        log.debug("the failure itself could not be written to %s", folder)


def _stage_folder(piece: Workpiece, heading: Mapping[str, Any]) -> Path | None:
    if piece.folder is None:
        return None
    return piece.folder / f"{heading['sequence']:02d}-{heading['stage']}"


def _measured(name: str, mesh: trimesh.Trimesh, sha256: str) -> dict[str, Any]:
    # What is reckoned here is not kept with the body: edges and triangles are six times its size.
    mesh = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False, validate=False)
    watertight = bool(mesh.is_watertight)
    return {
        "file": f"{name}.stl",
        "sha256": sha256,
        "triangles": len(mesh.faces),
        "volume_mm3": _rounded(float(mesh.volume)) if watertight else None,
        "area_mm2": _rounded(float(mesh.area)),
        "bounds_mm": _plain(np.round(mesh.bounds, 4)),
        "watertight": watertight,
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 3)


def _frame(data: Mapping[str, Any]) -> Frame:
    def vector(key: str) -> Any:
        return None if data[key] is None else tuple(data[key])

    return Frame(
        vector("up"), vector("facing"), vector("pull"), tuple(tuple(row) for row in data["moved"])
    )


def _plain(value: Any) -> Any:
    """The value in JSON's own types; what JSON lacks becomes text or null."""
    if isinstance(value, np.generic | np.ndarray):
        return _plain(value.tolist())
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, trimesh.Trimesh):
        return f"mesh {digest(value)}"
    if is_dataclass(value) and not isinstance(value, type):
        return _plain(asdict(value))
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(item) for item in value]
    return value.name if isinstance(value, Path) else str(value)


def _dumps(value: Any) -> str:
    return json.dumps(_plain(value), indent=2, ensure_ascii=False, allow_nan=False)
