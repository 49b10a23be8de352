"""A bar for each piece of a job, in a terminal or under a notebook's cell."""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

__all__ = ["progress_shown"]

_LOGGER = logging.getLogger(__package__)


@contextmanager
def progress_shown(stages: Mapping[str, int]) -> Iterator[None]:
    """Show how far each piece is, for as long as the block runs.

    stages : piece -> how many stages it goes through. The bars follow what stages
    log as they finish, so they move with any executor whose messages come home.
    Written to stderr; where that is neither terminal nor notebook, nothing is shown.
    """
    console = Console(stderr=True)
    if not (console.is_terminal or console.is_jupyter):
        yield
        return
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        TextColumn("{task.fields[stage]}"),
    )
    with Progress(*columns, console=console) as bars:
        handler = _Advance(bars, stages)
        level = _LOGGER.level
        _LOGGER.addHandler(handler)
        if not _LOGGER.isEnabledFor(logging.INFO):
            _LOGGER.setLevel(logging.INFO)
        try:
            yield
        finally:
            _LOGGER.removeHandler(handler)
            _LOGGER.setLevel(level)


class _Advance(logging.Handler):
    """Moves a piece's bar by one for each stage that it logs as finished."""

    def __init__(self, bars: Progress, stages: Mapping[str, int]) -> None:
        super().__init__(logging.INFO)
        self._bars = bars
        self._tasks = {
            piece: bars.add_task(piece, total=count, stage="") for piece, count in stages.items()
        }

    def emit(self, record: logging.LogRecord) -> None:
        piece, stage = getattr(record, "piece", None), getattr(record, "stage", None)
        if piece in self._tasks and stage is not None:
            self._bars.update(self._tasks[piece], advance=1, stage=f"{stage} done")
