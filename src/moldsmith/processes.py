"""Worker processes whose log messages come home, and that end with the process they work for."""

from __future__ import annotations

import logging
import logging.handlers
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager, nullcontext
from multiprocessing.connection import Connection
from typing import Any

from .geometry.threads import THREADS

__all__ = ["worker_processes"]

_LOGGER = logging.getLogger(__package__)
_MATRICES = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


@contextmanager
def worker_processes(
    workers: int, first: Callable[[], object] | None = None
) -> Iterator[ProcessPoolExecutor]:
    """A pool of processes; what they log is handled by this process's loggers.

    first : what they do at once, one for each core, while this process prepares their work;
        others begin when there is work for them

    They are spawned, not forked: the same on every system, and safe beside
    the threads of numeric libraries. Where there are several, each has one thread for
    matrices, and its share of the cores for look-ups: more would only wait for each other.
    Where the block is left by an error or Ctrl-C, or this process is killed, they end at
    once: whatever they were writing is not there yet.
    """
    context = multiprocessing.get_context("spawn")
    queue: Any = context.Queue()
    listener = logging.handlers.QueueListener(queue, _Relay())
    line, end = context.Pipe(duplex=False)
    listener.start()
    try:
        with (
            _cores_shared(workers) if workers > 1 else nullcontext(),
            ProcessPoolExecutor(
                workers, context, _begin, (queue, _LOGGER.getEffectiveLevel(), line)
            ) as pool,
        ):
            try:
                if first is not None:
                    _started(pool, min(workers, os.cpu_count() or 1), first)
                yield pool
            except BaseException:
                end.close()
                raise
    finally:
        end.close()
        line.close()
        listener.stop()
        queue.close()
        queue.join_thread()


def _started(pool: ProcessPoolExecutor, count: int, first: Callable[[], object]) -> None:
    try:
        with _deaf_to_ctrl_c():
            for _ in range(count):
                pool.submit(first)
    except RuntimeError as error:
        # A worker process imports the script that it works for. One that asks for workers as
        # it is imported does so here again: this ends quietly, the script itself is told.
        if "bootstrapping" in str(error):
            raise SystemExit(1) from None
        raise


@contextmanager
def _deaf_to_ctrl_c() -> Iterator[None]:
    """Processes started within the block heed Ctrl-C no sooner than they are ready to: it
    would else end as a traceback out of the midst of their imports."""
    if not hasattr(signal, "pthread_sigmask"):  # Windows
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def _cores_shared(workers: int) -> Iterator[None]:
    """What processes started now inherit; a user's own setting is left alone."""
    share = max((os.cpu_count() or 1) // workers, 1)
    wanted = {**dict.fromkeys(_MATRICES, "1"), THREADS: str(share)}
    before = {name: os.environ.get(name) for name in wanted}
    for name, number in wanted.items():
        os.environ.setdefault(name, number)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)


def _begin(queue: Any, level: int, line: Connection) -> None:
    """In a worker process: everything that moldsmith logs goes into the queue.

    Ctrl-C reaches the workers too; they end at once and leave the talking to
    the process that started them.
    """
    if signal.getsignal(signal.SIGINT) != signal.SIG_IGN:  # as one run in the background has it
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
    threading.Thread(target=_end_with, args=(line,), daemon=True).start()
    _LOGGER.addHandler(logging.handlers.QueueHandler(queue))
    _LOGGER.setLevel(level)
    _LOGGER.propagate = False


def _end_with(line: Connection) -> None:
    """End this process when the other end of the line is closed: nobody waits for it any more."""
    try:
        line.recv_bytes()
    except (EOFError, OSError):
        os._exit(1)


class _Relay(logging.Handler):
    """Hands a record from a worker to the logger of the same name here."""

    def emit(self, record: logging.LogRecord) -> None:
        logger = logging.getLogger(record.name)
        if logger.isEnabledFor(record.levelno):
            logger.handle(record)
