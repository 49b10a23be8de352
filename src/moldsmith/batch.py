"""The pieces of a job worked off, one after another or at the same time."""

from __future__ import annotations

import logging
import time
from collections.abc import Iterator, Mapping
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    Executor,
    Future,
    as_completed,
    wait,
)
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .errors import BadParameter, CannotWrite, MoldsmithError
from .gathering import gather
from .job import PieceOrder, read_job
from .memory import free_mb, piece_needs_mb
from .processes import worker_processes
from .progress import progress_shown
from .route import LOADING, parameters, supplied, worker
from .sheet.job_page import write_index
from .sheet.shop_sheet import write_shop_sheet
from .stage import anew
from .summary import PieceSummary, Summary, as_entry, read_pieces, write_summary
from .workpiece import Finding, Workpiece
from .writing import clear_leftovers, make_folder

__all__ = ["Task", "run_job", "run_piece"]

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Task:
    """One piece to be made, as it is sent to a worker.

    file : name of the job file, for messages; folder : of the piece
    """

    order: PieceOrder
    file: str
    folder: Path
    again: bool = False


def run_job(
    path: str | Path,
    *,
    out: str | Path | None = None,
    piece: str | None = None,
    workers: int = 1,
    again: bool = False,
    executor: Executor | None = None,
    progress: bool = False,
) -> Summary:
    """Make the pieces of a job file; each gets a folder of its own under `out`.

    A piece that fails stops no other. A job run a second time goes on where
    the first one ended: finished stages are read back.

    Parameters
    ----------
    path : the job file
    out : folder of the results; left out, 'out/' and the job file's name
    piece : make only the piece of this name; the summary keeps the others of earlier runs
    workers : pieces made at the same time, each in a process of its own
    again : do finished stages anew too
    executor : any executor to send the pieces to, in place of worker processes: threads,
        or a cluster's (`cluster_executor`); its workers must see `out` and the scans
        under the same paths
    progress : show a bar for each piece, in a terminal or under a notebook's cell

    No more pieces are begun at the same time than this machine has memory for.

    Raises
    ------
    BadJob : the job file has problems, or no piece of that name
    BadParameter : workers is less than 1
    CannotWrite : `out` cannot be written to
    """
    if workers < 1:
        raise BadParameter(f"workers = {workers}", "Choose 1 or more")
    job = read_job(path)
    if piece is not None:
        job = job.only(piece)
    folder = Path(out) if out is not None else Path("out") / job.path.stem
    start = time.perf_counter()
    make_folder(folder)
    clear_leftovers(folder)
    entries = read_pieces(folder)
    write_summary(folder, entries)  # a folder that refuses it would refuse all that follows
    done: dict[str, PieceSummary] = {}
    tasks = [Task(order, job.path.name, folder / order.name, again) for order in job.pieces]
    shown = progress_shown({order.name: len(order.settings) for order in job.pieces})
    with shown if progress else nullcontext():
        for result in _results(tasks, workers, executor):
            done[result.name] = result
            entries[result.name] = as_entry(result)
            write_summary(folder, entries)  # at once, so that a run broken off tells what it has
    if piece is None:
        entries = {order.name: entries[order.name] for order in job.pieces}
        write_summary(folder, entries)
    write_index(folder, entries, job.path.stem)
    return Summary(
        tuple(done[order.name] for order in job.pieces), round(time.perf_counter() - start, 3)
    )


def run_piece(task: Task) -> PieceSummary:
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


def _results(tasks: list[Task], workers: int, executor: Executor | None) -> Iterator[PieceSummary]:
    """The pieces' summaries as they come."""
    if executor is not None:
        for task, result in _sent(tasks, executor):
            yield result or _lost(task)
    elif workers == 1 or len(tasks) == 1:
        yield from map(run_piece, tasks)
    else:
        yield from _shared_out(tasks, min(workers, len(tasks)))


def _shared_out(tasks: list[Task], workers: int) -> Iterator[PieceSummary]:
    """The summaries from worker processes.

    A process that dies takes the whole pool along. The pieces lost that way
    are tried once more, each alone, so that only the one at fault fails.
    """
    lost: list[Task] = []
    with worker_processes(workers) as pool:
        for task, result in _fed(tasks, pool, workers):
            if result is None:
                lost.append(task)
            else:
                yield result
    for task in sorted(lost, key=lambda item: item.order.number):
        with worker_processes(1) as pool:
            for _, result in _sent([task], pool):
                yield result or _lost(task)


def _fed(
    tasks: list[Task], pool: Executor, workers: int
) -> Iterator[tuple[Task, PieceSummary | None]]:
    """As `_sent`, but a piece begins only when a worker and memory for it are free."""
    room = free_mb()
    waiting = list(tasks)
    running: dict[Future[PieceSummary], tuple[Task, float]] = {}
    try:
        while waiting or running:
            while waiting and len(running) < workers:
                task = waiting[0]
                need = piece_needs_mb(task.order.scan, task.folder)
                if running and sum(held for _, held in running.values()) + need > room:
                    break  # a piece larger than the memory is tried, but alone
                waiting.pop(0)
                try:
                    running[pool.submit(run_piece, task)] = (task, need)
                except BrokenExecutor:
                    yield task, None
            finished, _ = wait(running, return_when=FIRST_COMPLETED)
            for future in sorted(finished, key=lambda item: running[item][0].order.number):
                task, _ = running.pop(future)
                yield task, _outcome(task, future)
    finally:
        for future in running:  # after Ctrl-C: what has not begun is not begun any more
            future.cancel()


def _sent(tasks: list[Task], executor: Executor) -> Iterator[tuple[Task, PieceSummary | None]]:
    """Each task with its summary, as they come; None where the worker died."""
    futures: dict[Future[PieceSummary], Task] = {}
    for task in tasks:
        try:
            futures[executor.submit(run_piece, task)] = task
        except BrokenExecutor:
            yield task, None
    try:
        for future in as_completed(futures):
            yield futures[future], _outcome(futures[future], future)
    finally:
        for future in futures:  # after Ctrl-C: what has not begun is not begun any more
            future.cancel()


def _outcome(task: Task, future: Future[PieceSummary]) -> PieceSummary | None:
    try:
        return future.result()
    except BrokenExecutor:
        return None
    except Exception as error:  # the executor's own trouble, as a task it could not send
        text = f"{task.order.name}: {type(error).__name__}: {error}"
        return PieceSummary(task.order.name, "failed", 0.0, text)


def _lost(task: Task) -> PieceSummary:
    text = (
        f"{task.order.name}: its worker process died, most often for want of memory. "
        "Make it alone, or with fewer workers"
    )
    return PieceSummary(task.order.name, "failed", 0.0, text)
