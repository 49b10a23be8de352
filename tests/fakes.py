"""Stages of a trivial piece: a box taken through the job's stations in no time."""

from __future__ import annotations

import logging
import os
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

import numpy as np
import pytest
import trimesh

from moldsmith.errors import BadParameter, BadScan
from moldsmith.route import ROUTE
from moldsmith.stage import stage
from moldsmith.supplies.printer import Printer
from moldsmith.workpiece import Finding, Workpiece

Vector = tuple[float, float, float]
CALLS: list[str] = []  # names of the stages that did work, in order


def take_over(monkeypatch: pytest.MonkeyPatch) -> None:
    """Send a job's pieces through the stages of this module alone."""
    names = list(ROUTE)
    # Undone the other way round, so from the last to the first: the route's order comes back.
    for name in reversed(names):
        monkeypatch.delitem(ROUTE, name)  # type: ignore[arg-type]
    for name in names:
        if name in globals():
            monkeypatch.setitem(ROUTE, name, f"fakes:{name}")  # type: ignore[arg-type]


def stop_after_overhangs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have the jobs of this process make parts alone: no plans, no sheets."""
    names = list(ROUTE)
    for name in reversed(names[names.index("overhangs") + 1 :]):
        monkeypatch.delitem(ROUTE, name)  # type: ignore[arg-type]
    monkeypatch.setattr("moldsmith.making.write_shop_sheet", lambda piece, folder: ())


def take_over_here() -> None:
    """`take_over` for a worker process, which lives as long as its test."""
    for name in list(ROUTE):
        if name in globals():
            ROUTE[name] = f"fakes:{name}"  # type: ignore[index]
        else:
            del ROUTE[name]  # type: ignore[attr-defined]


def box(size: float = 10.0) -> trimesh.Trimesh:
    return trimesh.creation.box((size, size, size))


def load_scan(
    path: str | Path,
    *,
    unit: Literal["mm", "m"] | None = None,
    name: str | None = None,
    up: str | Vector = "z",
    folder: Path | None = None,
) -> Workpiece:
    data = Path(path)
    if not data.is_file():
        raise BadScan(f"there is no file {data}", "Check the path", name or "", "load_scan")
    return _load_scan(Workpiece(name or data.stem, folder=folder), size=float(data.read_text()))


@stage
def _load_scan(piece: Workpiece, *, size: float) -> Workpiece:
    CALLS.append("load_scan")
    return piece.with_bodies(scan=box(size))


@stage
def heal(piece: Workpiece, *, hole_mm: float = 30.0) -> Workpiece:
    CALLS.append("heal")
    return piece.note({"filled": 0, "odd": float("nan")})


@stage
def crop(
    piece: Workpiece,
    *,
    planes: Sequence[tuple[Vector, Vector]] | None = None,
    keep: Literal["largest", "all"] = "largest",
) -> Workpiece:
    CALLS.append("crop")
    return piece


@stage
def shell(
    piece: Workpiece, *, thickness_mm: float, side: Literal["inward", "outward"] = "inward"
) -> Workpiece:
    CALLS.append("shell")
    if thickness_mm > 5:
        raise BadParameter(f"thickness_mm = {thickness_mm:g}", "Choose at most 5 mm")
    return piece.with_bodies(pad=box(thickness_mm))


@stage
def block(piece: Workpiece, *, wall_mm: float = 6.0, sleep_s: float = 0.0) -> Workpiece:
    CALLS.append("block")
    time.sleep(sleep_s)
    return piece.with_bodies(cavity=box(40), lid=box(30)).without("scan")


@stage
def channels(piece: Workpiece, *, count: int = 1) -> Workpiece:
    CALLS.append("channels")
    if count == 13:
        raise ZeroDivisionError("a slip of the programmer")
    return piece.note(findings=[Finding("tight", "warning", "Make it wider", "lid", (1, 2, 3))])


@stage
def split(piece: Workpiece, *, printer: Printer, halves: bool = False) -> Workpiece:
    CALLS.append("split")
    pose = np.eye(4)
    pose[:3, :3] = trimesh.transformations.rotation_matrix(0.7, (1, 2, 3))[:3, :3]
    bodies = ["cavity"] if halves else ["cavity", "lid"]
    return piece.note({"parts": [{"body": body, "pose": pose} for body in bodies]})


@stage
def overhangs(piece: Workpiece, *, printer: Printer, limit_deg: float = 45.0) -> Workpiece:
    CALLS.append("overhangs")
    return piece


def greet(name: str) -> int:
    logging.getLogger("moldsmith.stage").info("%s: greeted", name)
    return os.getpid()


def die_on_belly(task: object) -> object:
    """Like `run_piece`, but the belly takes its process down."""
    from moldsmith.summary import PieceSummary

    name = task.order.name  # type: ignore[attr-defined]
    if name == "belly":
        os._exit(9)
    return PieceSummary(name, "finished", 0.1)
