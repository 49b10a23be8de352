"""What the stages' logs say of a piece, for those who print it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ..supplies.materials import Material, Part, Told
from ..workpiece import Workpiece

__all__ = ["figures", "material_of", "parameters", "ran"]


def figures(piece: Workpiece, stage: str) -> Mapping[str, Any]:
    """The figures of the stage's newest log; empty if it has not run."""
    return piece.figures_of(stage)


def parameters(piece: Workpiece, stage: str) -> Mapping[str, Any]:
    """The parameters that the stage was run with; empty if it has not run."""
    found = piece.newest(stage)
    given: Mapping[str, Any] = {} if found is None else found["parameters"]
    return given


def ran(piece: Workpiece, stage: str) -> bool:
    return piece.newest(stage) is not None


def material_of(piece: Workpiece) -> Material | None:
    """The material that the newest stage to be given one was given."""
    for record in reversed(piece.records):
        given = record["parameters"].get("material")
        if isinstance(given, Mapping):
            parts = tuple(Part(*row) for row in given["parts"])
            told = tuple(Told(*row) for row in given["told"])
            rows = {key: tuple(given.get(key, ())) for key in ("hazards", "assumed")}
            return Material(**{**given, **rows, "parts": parts, "told": told})
    return None
