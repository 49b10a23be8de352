"""The sheet's part for when it has cured: how the mold opens, and where the casting is cut."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ..workpiece import Workpiece
from .blocks import Block, Check, Figure, Figures, Section, Ticks
from .logs import figures, material_of, parameters, ran
from .plan_drawing import drilled_by
from .wording import decimal, grouped, hours, listed

__all__ = ["trimming"]


def trimming(piece: Workpiece) -> Section | None:
    """How the casting leaves the mold, and where it is cut."""
    if not ran(piece, "block"):
        return None
    block, crop = figures(piece, "block"), figures(piece, "crop")
    items = []
    borders = crop.get("borders") or ()
    for number, row in enumerate(borders, 1):
        of = "" if len(borders) == 1 else f" {number}"
        items.append(Figure(grouped(float(row["length_mm"])), "mm", f"trim line{of}, all round"))
    edge = parameters(piece, "shell").get("edge_mm")
    if edge:
        items.append(Figure(decimal(float(edge)), "mm", "thickness at the edge"))
    blocks: list[Block] = [Figures(tuple(items))] if items else []
    if steps := _opening(piece, block):
        blocks.append(Ticks(tuple(steps), title="Open the mold"))
    blocks.append(Ticks(_trims(piece, borders), title="Trim", numbered=False))
    return Section("trim", "Demold and trim", tuple(blocks))


def _trims(piece: Workpiece, borders: Sequence[Mapping[str, Any]]) -> tuple[Check, ...]:
    """A flat template helps where core or lid lies on the trim line; a sleeve's ends are taped."""
    if drilled_by(piece):
        return (
            Check("Cut off sprues and vents", "Flush with the back, with a sharp blade."),
            Check("Trim the flash along the trim line", "Template at 1:1 in sheet.pdf."),
        )
    rims = listed([f"{grouped(float(row['length_mm']))} mm" for row in borders])
    ends = "The edge is where the casting met the core, thin all round."
    tape = f" Check it with a tape: {rims} round." if rims else ""
    return (
        Check("Cut off sprues and vents", "Flush with the skin, with a sharp blade."),
        Check("Pare the seams of the side pieces", "Scissors along the skin, then a fine sponge."),
        Check("Trim the flash at the edge", ends + tape),
    )


def _called(body: str) -> str:
    """A body of the mold in a sentence: the core, but side-1."""
    return body if body[-1:].isdigit() else f"the {body}"


def _opening(piece: Workpiece, block: Mapping[str, Any]) -> list[Check]:
    told = list(block.get("opening") or ())
    sleeve = block.get("style") == "pieces"
    cast = material_of(piece)
    wait = "until it has cured" if cast is None else f"{hours(cast.demold_s / 3600)} from the pour"
    checks = [Check(f"Wait {wait}", "Longer in a cold room: open only what is firm to the nail.")]
    # Last to leave, the core has nothing on it but the casting: it is that which is drawn off.
    bare = told.pop() if sleeve and told and told[-1]["body"] == "core" else {}
    bar = _pried(piece)
    for place, row in enumerate(told):
        _, _, z = (float(value) for value in row["direction"])
        way = "up" if z > 0.9 else "down" if z < -0.9 else "sideways, away from the mold's middle"
        notes = ["Undo what holds it shut." if place == 0 else ""]
        notes.append(bar if place == 0 or sleeve else "")
        travel = float(row["travel_mm"])
        notes.append(f"It is clear after {decimal(travel, 0)} mm." if travel >= 1 else "")
        if float(row.get("casting_mm") or 0) > 0.05:
            notes.append(f"The casting gives way by {decimal(float(row['casting_mm']))} mm.")
        checks.append(Check(f"Draw {_called(row['body'])} {way}", _joined(notes)))
    if not told and not sleeve:
        cover = "lid" if block.get("style") == "lidded" else "core"
        note = _joined(["Undo what holds it shut.", bar])
        checks.append(Check(f"Lift the {cover} straight off", note))
    if sleeve:
        rows = [*told, *([bare] if bare else [])]
        stretch = max((float(row.get("casting_stretch_percent") or 0) for row in rows), default=0.0)
        notes = ["Rolled back from its thin edge, as a sleeve."]
        notes.append(f"It must stretch by {decimal(stretch, 0)} %." if stretch > 1 else "")
        travel = float(bare.get("travel_mm") or 0)
        notes.append(f"It is off after {decimal(travel, 0)} mm." if travel >= 1 else "")
        checks.append(Check("Draw the casting off the core", _joined(notes)))
    else:
        note = "From the thin edge inward, all round."
        checks.append(Check("Peel the casting out of the cavity", note))
    return checks


def _pried(piece: Workpiece) -> str:
    """What starts a body off its place, as far as the mold has it."""
    fitted = figures(piece, "fasten")
    if fitted.get("jack_screws"):
        return "Turn the jack-screws in by turns, evenly."
    if fitted.get("pry_slots"):
        return "With a flat bar in the slots, a little on each side."
    return ""


def _joined(notes: Sequence[str]) -> str:
    return " ".join(note for note in notes if note)
