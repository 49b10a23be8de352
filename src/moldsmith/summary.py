"""What came out of a job: each piece's parts, findings and time."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from .writing import write_text

if TYPE_CHECKING:
    from .workpiece import Finding, Vector

__all__ = ["Part", "PieceSummary", "Summary", "read_pieces", "write_summary"]

SUMMARY_NAME = "summary.json"


@dataclass(frozen=True, slots=True)
class Part:
    """One part to print.

    file : from the output folder; size_mm : in its print pose; findings : about this part
    """

    body: str
    file: str
    volume_cm3: float
    size_mm: Vector
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class PieceSummary:
    """How a piece came out. `error` says why it failed; findings are those of all its stages.

    left_out : stages that need a material while the job names none
    """

    name: str
    status: Literal["finished", "failed"]
    seconds: float
    error: str = ""
    parts: tuple[Part, ...] = ()
    pad_volume_cm3: float | None = None
    findings: tuple[Finding, ...] = ()
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Summary:
    """How a job came out: its pieces in the job's order, and the seconds of the whole run."""

    pieces: tuple[PieceSummary, ...]
    seconds: float

    @property
    def failed(self) -> tuple[str, ...]:
        """Names of the pieces that did not come out."""
        return tuple(piece.name for piece in self.pieces if piece.status == "failed")


def write_summary(folder: Path, pieces: Mapping[str, Mapping[str, Any]]) -> None:
    """Write summary.json: a list of the pieces, each as `PieceSummary` has it."""
    text = json.dumps({"pieces": list(pieces.values())}, indent=2, ensure_ascii=False)
    write_text(folder / SUMMARY_NAME, text + "\n")


def read_pieces(folder: Path) -> dict[str, Mapping[str, Any]]:
    """The pieces of the summary.json that is there, by name; none if there is no usable one."""
    try:
        listed = json.loads((folder / SUMMARY_NAME).read_text(encoding="utf-8"))["pieces"]
        return {piece["name"]: piece for piece in listed}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def as_entry(piece: PieceSummary) -> dict[str, Any]:
    """The piece's entry in summary.json."""
    return asdict(piece)
