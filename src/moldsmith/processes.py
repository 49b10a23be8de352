"""Worker processes whose log messages come home."""

from __future__ import annotations

import logging
import logging.handlers
import multiprocessing
import os
import signal
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager, nullcontext
from typing import Any

from .geometry.threads import THREADS

__all__ = ["worker_processes"]

_LOGGER = logging.getLogger(__package__)
_MATRICES = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


@contextmanager
def worker_processes(workers: int) -> Iterator[ProcessPoolExecutor]:
    """A pool of processes; what they log is handled by this process's loggers.

    They are spawned, not forked: the same on every system, and safe beside
    the threads of numeric libraries. Where there are several, each has one thread for
    matrices, and its share of the cores for look-ups: more would only wait for each other.
    """
    context = multiprocessing.get_context("spawn")
    queue: Any = context.Queue()
    listener = logging.handlers.QueueListener(queue, _Relay())
    listener.start()
    try:
        with (
            _cores_shared(workers) if workers > 1 else nullcontext(),
            ProcessPoolExecutor(
                workers, context, _send_home, (queue, _LOGGER.getEffectiveLevel())
            ) as pool,
        ):
            yield pool
    finally:
        listener.stop()
        queue.close()
        queue.join_thread()


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


def _send_home(queue: Any, level: int) -> None:
    """In a worker process: everything that moldsmith logs goes into the queue.

    Ctrl-C reaches the workers too; they end at once and leave the talking to
    the process that started them. Whatever they were writing is not there yet.
    """
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    _LOGGER.addHandler(logging.handlers.QueueHandler(queue))
    _LOGGER.setLevel(level)
    _LOGGER.propagate = False


class _Relay(logging.Handler):
    """Hands a record from a worker to the logger of the same name here."""

    def emit(self, record: logging.LogRecord) -> None:
        logger = logging.getLogger(record.name)
        if logger.isEnabledFor(record.levelno):
            logger.handle(record)
