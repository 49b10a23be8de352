"""The pieces of a job worked off, one after another or at the same time.

Nothing heavy is imported before worker processes have begun: they import it too, meanwhile.
"""

from __future__ import annotations

import os
import time
import tomllib
from collections.abc import Iterable, Iterator
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    Executor,
    Future,
    ProcessPoolExecutor,
    as_completed,
    wait,
)
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from .errors import BadParameter
from .interrupts import interrupts_held
from .memory import free_mb, piece_needs_mb
from .processes import worker_processes
from .progress import progress_shown
from .summary import PieceSummary, Summary, as_entry, read_pieces, write_summary
from .writing import clear_leftovers, make_folder

if TYPE_CHECKING:
    from .job import Job, PieceOrder

__all__ = ["Task", "run_job", "run_piece"]

_MOST_PROCESSES = 61  # more cannot be waited for under Windows


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
    BadParameter : workers is less than 1, or none could begin
    CannotWrite : `out` cannot be written to
    """
    if workers < 1:
        raise BadParameter(f"workers = {workers}", "Choose 1 or more")
    start = time.perf_counter()
    begun = nullcontext() if executor is not None else _begun(Path(path), piece, workers)
    with begun as pool:
        with interrupts_held():
            from .job import read_job

            job = read_job(path)
            if pool is None and executor is None:
                _loaded()
        if piece is not None:
            job = job.only(piece)
        folder = Path(out) if out is not None else Path("out") / job.path.stem
        tasks = [Task(order, job.path.name, folder / order.name, again) for order in job.pieces]
        if executor is not None:
            results = _outcomes(_sent(tasks, executor))
        elif pool is not None:
            results = _shared_out(tasks, pool, workers)
        else:
            results = map(run_piece, tasks)
        shown = progress_shown({order.name: len(order.settings) for order in job.pieces})
        with shown if progress else nullcontext():
            done = _gathered(results, job, folder, whole=piece is None)
    pieces = tuple(done[order.name] for order in job.pieces)
    return Summary(pieces, round(time.perf_counter() - start, 3))


def run_piece(task: Task) -> PieceSummary:
    """Take one piece through all its stages; whatever fails is in the summary, never raised."""
    from .making import make_piece

    return make_piece(task)


def _begun(
    path: Path, piece: str | None, workers: int
) -> AbstractContextManager[ProcessPoolExecutor | None]:
    """Worker processes, no more than the job has pieces; none where one piece is made at a time."""
    try:
        listed = tomllib.loads(path.read_text(encoding="utf-8-sig"))["piece"]
        count = 1 if piece is not None else len(listed)
    except (OSError, ValueError, KeyError, TypeError):  # reading the job says what is wrong
        count = 0
    workers = min(workers, count, _MOST_PROCESSES)
    return worker_processes(workers, _loaded) if workers > 1 else nullcontext()


def _loaded() -> None:
    """Import what making a piece takes: in worker processes, while the job is being read."""
    from . import making  # noqa: F401 - its imports are the point
    from .route import ROUTE, worker

    for stage in ROUTE:
        worker(stage)


def _gathered(
    results: Iterable[PieceSummary], job: Job, folder: Path, *, whole: bool
) -> dict[str, PieceSummary]:
    """The results by piece, each written down in summary.json as it comes; then the index page.

    whole : of all the job's pieces, so that the summary forgets those of earlier jobs
    """
    from .sheet.job_page import write_index

    make_folder(folder)
    for place in (folder, *(folder / order.name for order in job.pieces)):
        clear_leftovers(place)  # no deeper: `folder` may be one with much else in it
    entries = read_pieces(folder)
    write_summary(folder, entries)  # a folder that refuses it would refuse all that follows
    done: dict[str, PieceSummary] = {}
    for result in results:
        done[result.name] = result
        entries[result.name] = as_entry(result)
        write_summary(folder, entries)  # at once, so that a run broken off tells what it has
    if whole:
        entries = {order.name: entries[order.name] for order in job.pieces}
        write_summary(folder, entries)
    write_index(folder, entries, job.path.stem)
    return done


def _shared_out(
    tasks: list[Task], pool: ProcessPoolExecutor, workers: int
) -> Iterator[PieceSummary]:
    """The summaries from worker processes.

    A process that dies takes the whole pool along. The pieces lost that way
    are tried once more, each alone, so that only the one at fault fails.
    """
    try:
        pool.submit(os.getpid).result()
    except BrokenExecutor:
        raise BadParameter(
            f"workers = {workers}: no worker process could begin",
            "A script must call run_job under `if __name__ == '__main__':`, as its workers import "
            "it too. Else give 1",
        ) from None
    lost: list[Task] = []
    for task, result in _fed(tasks, pool, workers):
        if result is None:
            lost.append(task)
        else:
            yield result
    for task in sorted(lost, key=lambda item: item.order.number):
        with worker_processes(1) as alone:
            yield from _outcomes(_sent([task], alone))


def _outcomes(sent: Iterable[tuple[Task, PieceSummary | None]]) -> Iterator[PieceSummary]:
    for task, result in sent:
        yield result or _lost(task)


def _fed(
    tasks: list[Task], pool: Executor, workers: int
) -> Iterator[tuple[Task, PieceSummary | None]]:
    """As `_sent`, but a piece begins only when a worker and memory for it are free."""
    room = free_mb()
    needs = [(piece_needs_mb(task.order.scan, task.folder), task) for task in tasks]
    # The largest first: begun last, it would be waited for while other workers have nothing to do.
    waiting = sorted(needs, key=lambda item: -item[0])
    running: dict[Future[PieceSummary], tuple[Task, float]] = {}
    try:
        while waiting or running:
            while waiting and len(running) < workers:
                need, task = waiting[0]
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
