"""One piece of a job taken through all its stages."""

from __future__ import annotations

import logging
import time
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .errors import BadParameter, CannotWrite, MoldsmithError
from .gathering import gather
from .route import LOADING, parameters, supplied, worker
from .sheet.shop_sheet import write_shop_sheet
from .stage import anew
from .summary import PieceSummary
from .workpiece import Finding, Workpiece

if TYPE_CHECKING:
    from .batch import Task

__all__ = ["make_piece"]

log = logging.getLogger(__name__)


def make_piece(task: Task) -> PieceSummary:
    """Take one piece through all its stages; whatever fails is in the summary, never raised."""
    start = time.perf_counter()
    piece: Workpiece | None = None
    stage = LOADING
    try:
        with anew(task.again):
            piece = _load(task, task.order.settings[LOADING])
            for stage in list(task.order.settings)[1:]:
                piece = worker(stage)(piece, **_given(task, stage))
        parts = gather(piece, task.folder)
        findings = (*piece.findings, *_sheet_drawn(piece, task.folder))
    except BadParameter as error:
        return _failure(task, piece, _at_key(error, task, stage), start)
    except MoldsmithError as error:
        return _failure(task, piece, str(error), start)
    except Exception as error:
        log.exception("%s: %s failed unexpectedly", task.order.name, stage)
        text = f"{task.order.name}: {stage}: {type(error).__name__}: {error}"
        return _failure(task, piece, text, start)
    return PieceSummary(
        task.order.name,
        "finished",
        round(time.perf_counter() - start, 3),
        parts=parts,
        pad_volume_cm3=_pad_volume_cm3(piece),
        findings=findings,
        left_out=task.order.left_out,
    )


def _sheet_drawn(piece: Workpiece, folder: Path) -> tuple[Finding, ...]:
    """Write the shop sheet. A fault in drawing it must not cost the parts: that is a finding."""
    try:
        write_shop_sheet(piece, folder)
    except CannotWrite:
        raise
    except Exception as error:
        log.exception("%s: the shop sheet failed unexpectedly", piece.name)
        text = (
            f"the shop sheet could not be drawn ({type(error).__name__}: {error}). The parts are "
            "whole and the figures are in the logs; please report this"
        )
        return (Finding("no-sheet", "warning", text),)
    return ()


def _load(task: Task, settings: Mapping[str, Any]) -> Workpiece:
    order = task.order
    return worker(LOADING)(order.scan, name=order.name, folder=task.folder, **settings)


def _given(task: Task, stage: str) -> dict[str, Any]:
    """What the stage is called with."""
    supplies = task.order.supplies
    asked = {name: getattr(supplies, supply) for name, supply in supplied(stage).items()}
    return {**task.order.settings[stage], **asked}


def _failure(task: Task, piece: Workpiece | None, error: str, start: float) -> PieceSummary:
    return PieceSummary(
        task.order.name,
        "failed",
        round(time.perf_counter() - start, 3),
        error,
        pad_volume_cm3=None if piece is None else _pad_volume_cm3(piece),
        findings=() if piece is None else piece.findings,
    )


def _at_key(error: BadParameter, task: Task, stage: str) -> str:
    """The error with the job file's key in place of the stage's name."""
    key = f"piece[{task.order.number}]" + ("" if stage == LOADING else f".{stage}")
    about_key = error.problem.split(" ", 1)[0] in parameters(stage)
    plain = BadParameter(error.problem, error.remedy)
    return f"{task.order.name}: {task.file}: {key}{'.' if about_key else ': '}{plain}"


def _pad_volume_cm3(piece: Workpiece) -> float | None:
    pad = piece.bodies.get("pad")
    return None if pad is None else round(float(pad.volume) / 1000, 3)
