"""Which bodies of a piece make up its mold."""

from __future__ import annotations

from ..workpiece import Workpiece

__all__ = ["mold_bodies", "opens_sideways"]

_USUAL = ("cavity", "core", "lid")


def mold_bodies(piece: Workpiece) -> tuple[str, ...]:
    """Names of the mold's bodies before any split, in the order `block` made them.

    Of the newest log of `block`; a log without them is of a mold of cavity and core or
    lid, and those of them are named that the piece has.
    """
    for record in reversed(piece.records):
        if record["stage"] == "block":
            names = record["figures"].get("mold_bodies")
            if names:
                return tuple(names)
            break
    return tuple(name for name in _USUAL if name in piece.bodies)


def opens_sideways(piece: Workpiece) -> bool:
    """Whether the mold is of side pieces round a core, closed before it is poured."""
    return any(name.startswith("side-") for name in mold_bodies(piece))
