"""The errors a caller can tell apart.

Every message says what is wrong, where, and what to do. All take positional
arguments only, so that they survive the way back from a worker process.
"""

from __future__ import annotations

__all__ = [
    "BadJob",
    "BadParameter",
    "BadScan",
    "CannotBuild",
    "CannotWrite",
    "MissingPackage",
    "MoldsmithError",
]


class MoldsmithError(Exception):
    """Something moldsmith refuses to do, and why.

    Parameters
    ----------
    problem : what is wrong, with the value, the place and the allowed range
    remedy : what to do about it
    piece, stage : filled in by the running stage
    """

    def __init__(self, problem: str, remedy: str = "", piece: str = "", stage: str = "") -> None:
        super().__init__(problem, remedy, piece, stage)
        self.problem = problem
        self.remedy = remedy
        self.piece = piece
        self.stage = stage

    def __str__(self) -> str:
        text = f"{self.problem.rstrip('. ')}. {self.remedy}".strip()
        return ": ".join(part for part in (self.piece, self.stage, text) if part)

    def located(self, piece: str, stage: str) -> MoldsmithError:
        """The same error, naming the piece and the stage it happened in."""
        return type(self)(self.problem, self.remedy, self.piece or piece, self.stage or stage)


class BadScan(MoldsmithError):
    """The scan file or its mesh cannot be used."""


class BadParameter(MoldsmithError):
    """A stage was called with a value it cannot work with."""


class BadJob(MoldsmithError):
    """The job file is wrong."""


class CannotBuild(MoldsmithError):
    """The geometry asked for cannot be made."""


class CannotWrite(MoldsmithError):
    """A result cannot be written where it was asked for."""


class MissingPackage(MoldsmithError):
    """An optional package is needed and not installed."""
