"""The sheet's parts for the printer and for putting the mold together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from ..mold.sheet_lids import cut_from_sheet
from ..printing.parts import listed_parts
from .blocks import (
    Block,
    Check,
    Column,
    Figure,
    Figures,
    Pictures,
    Plan,
    Section,
    Table,
    Text,
    Ticks,
)
from .explosion import mold_parts
from .logs import figures, parameters, ran
from .scene import Scene, exploded_drawing, part_pictures
from .wording import count, decimal, grams, grouped, hours, listed, shares, sizes

__all__ = ["assembly", "printing"]


_SAME_G = 0.1  # what a spool needs is told to a tenth
_PEGGED = (
    "Pegs line parts up and hold nothing: glue the parts of a body or tape them across the back, "
    "and close the seam in the casting's face with wax or filler (common practice)."
)


def printing(scene: Scene) -> Section | None:
    """Which file, which way up, which plate, how heavy and how long."""
    piece = scene.piece
    if not ran(piece, "split"):
        return None
    blocks: list[Block] = []
    estimate = figures(piece, "estimate")
    if "seconds" in estimate:
        blocks.append(Figures(_totals(estimate)))
    blocks.append(_parts_table(scene, estimate))
    if cut_from_sheet(piece):
        name = f"{piece.name}-lid"
        text = f"The lid is not printed: cut it by {name}.dxf or .svg, or drill it by {name}.pdf."
        blocks.append(Text(text))
    if calibration := estimate.get("calibration"):
        blocks.append(Text(_calibrated(calibration), small=True))
    laid = figures(piece, "lay_out")
    blocks += _plates(laid, estimate)
    blocks += _spools(laid, estimate)
    limit = float(parameters(piece, "overhangs").get("limit_deg", 45.0))
    if pictures := part_pictures(scene, limit):
        caption = (
            f"Each part as it stands on the bed. Red: leans out over air by more than "
            f"{decimal(limit)} degrees from the vertical."
        )
        blocks.append(Pictures(pictures, 3, caption))
    return Section("print", "Print", tuple(blocks), whole=True)


def _totals(estimate: Mapping[str, Any]) -> tuple[Figure, ...]:
    items = [
        Figure(grams(float(estimate["grams"])), "g", "filament"),
        Figure(hours(float(estimate["seconds"]) / 3600), "", "printing in all"),
    ]
    if "longest_seconds" in estimate:
        longest = hours(float(estimate["longest_seconds"]) / 3600)
        items.append(Figure(longest, "", "longest single job"))
    return tuple(items)


def _parts_table(scene: Scene, estimate: Mapping[str, Any]) -> Table:
    rows = listed_parts(scene.piece)
    known = {row["body"]: row for row in estimate.get("parts") or ()}
    weights = _grams(estimate, "parts", "body")
    plated = any(row.get("plate") is not None for row in rows)
    columns = [
        Column("File of the part", 2.2),
        Column("Size, mm", 2),
        Column("Stands", 1.7),
    ]
    columns += [Column("Plate", 0.8, True)] if plated else []
    columns += [Column("Grams", 1.1, True), Column("Time", 1.7, True)] if known else []
    columns += [] if known else [Column("Volume, cm³", 1.2, True)]
    lines = []
    for row in rows:
        name = str(row["body"])
        line = [f"parts/{name}.stl", sizes(_size_mm(scene, row)), _pose(row["pose"])]
        line += [str(row.get("plate", ""))] if plated else []
        if known:
            mine = known.get(name, {})
            line.append(weights.get(name, ""))
            line.append(hours(float(mine["seconds"]) / 3600) if "seconds" in mine else "")
        else:
            volume = float(row.get("volume_cm3") or abs(scene.piece.body(name).volume) / 1000)
            line.append(grouped(volume))
        lines.append(tuple(line))
    return Table(tuple(columns), tuple(lines), tick=True)


def _grams(estimate: Mapping[str, Any], rows: str, key: str) -> dict[Any, str]:
    """Whole grams of parts or plates that add up to what is told of all."""
    known = [row for row in estimate.get(rows) or () if "grams" in row]
    weights = [float(row["grams"]) for row in known]
    told = shares(weights, float(estimate.get("grams", sum(weights))))
    return {row[key]: grouped(weight) for row, weight in zip(known, told, strict=True)}


def _size_mm(scene: Scene, row: Mapping[str, Any]) -> Sequence[float]:
    """The part's width, depth and height as it is printed."""
    if row.get("size_mm"):
        return [float(value) for value in row["size_mm"]]
    turn = np.asarray(row["pose"], dtype=float)[:3, :3]
    turned = scene.piece.body(str(row["body"])).vertices @ turn.T
    return [float(value) for value in np.ptp(turned, axis=0)]


def _pose(pose: Sequence[Sequence[float]]) -> str:
    """How a part stands on the bed against how it stands in the mold, in words."""
    up = np.asarray(pose, dtype=float)[2, :3]  # the mold's axes along the print's z
    tilt = np.degrees(np.arccos(np.clip(up[2], -1, 1)))
    if tilt < 1:
        return "as in the mold"
    if tilt > 179:
        return "upside down"
    if abs(tilt - 90) < 1:
        side = int(np.argmax(np.abs(up[:2])))
        name = (("left", "right"), ("front", "back"))[side][int(up[side] < 0)]
        return f"on its {name} side"
    return f"turned {tilt:.0f}°"


def _calibrated(calibration: Mapping[str, Any]) -> str:
    said = str(calibration.get("said") or "").replace(" x ", " \u00d7 ")
    return said[:1].upper() + said[1:] + "."


def _plates(laid: Mapping[str, Any], estimate: Mapping[str, Any]) -> list[Block]:
    """Which parts are printed at a time; left out where each has a plate of its own."""
    plates = laid.get("plates") or ()
    if all(len(plate["parts"]) == 1 for plate in plates):
        return []
    known = {row["number"]: row for row in estimate.get("plates") or ()}
    weights = _grams(estimate, "plates", "number")
    columns = [Column("Plate", 0.7), Column("Parts", 4)]
    columns += [Column("Grams", 1, True), Column("Time", 1.4, True)] if known else []
    rows = []
    for plate in plates:
        line = [str(plate["number"]), listed([str(name) for name in plate["parts"]])]
        mine = known.get(plate["number"], {})
        if known:
            line.append(weights.get(plate["number"], ""))
            line.append(hours(float(mine["seconds"]) / 3600) if "seconds" in mine else "")
        rows.append(tuple(line))
    return [Table(tuple(columns), tuple(rows), tick=True, title="Plates")]


def _spools(laid: Mapping[str, Any], estimate: Mapping[str, Any]) -> list[Block]:
    """Spool by spool, in the order in which each is used up."""
    rows = [row for row in estimate.get("spools") or () if isinstance(row, Mapping)]
    if not rows:
        return []
    parts = {row["number"]: listed(row["parts"]) for row in laid.get("plates") or ()}
    plates = {row["number"]: float(row["grams"]) for row in estimate.get("plates") or ()}
    weights = _grams(estimate, "plates", "number")
    rows.sort(key=lambda row: (row.get("spool") is None, row.get("spool"), -float(row["left_g"])))
    lines = []
    for row in rows:
        spool, change, needed = row.get("spool"), row.get("change_at_mm"), float(row["needed_g"])
        whole = abs(needed - plates.get(row["plate"], 0.0)) < _SAME_G
        needs = weights[row["plate"]] if whole else grams(needed)
        enough = "yes" if row.get("suffices") else f"no: change at {decimal(float(change or 0))} mm"
        if spool is None:
            enough = f"no: {needs} g are missing"
        lines.append(
            (
                "none left" if spool is None else str(spool),
                grams(float(row["left_g"])),
                str(row["plate"]),
                parts.get(row["plate"], ""),
                needs,
                enough,
            )
        )
    columns = (
        Column("Spool", 0.8),
        Column("On it, g", 0.9, True),
        Column("Plate", 0.95),
        Column("Parts", 2.2),
        Column("Needs, g", 1, True),
        Column("Is it enough", 1.8),
    )
    alone = (
        "As if all spools were for this piece. Where a job makes several, its page, index.html, "
        "shares them out among all."
    )
    return [Table(columns, tuple(lines), title="Filament, spool by spool"), Text(alone, small=True)]


def assembly(scene: Scene) -> Section | None:
    """In which order the parts go together, and with what."""
    piece = scene.piece
    parts = mold_parts(piece)
    if len(parts) < 2:
        return None
    told = figures(piece, "split").get("assembly") or {}
    order = [str(name) for name in told.get("order") or parts]
    blocks: list[Block] = []
    if drawing := exploded_drawing(scene, _numbered(told, order)):
        blocks.append(Plan(drawing, "The mold drawn apart. The numbers are the steps below."))
    blocks.append(Ticks(tuple(_steps(told, order)), title="Order"))
    if any(step.get("joint") == "pegs" for step in told.get("steps") or ()):
        blocks.append(Text(_PEGGED))
    blocks += _hardware(figures(piece, "fasten"), figures(piece, "split"))
    if not told.get("steps"):
        blocks += _joints(figures(piece, "split").get("joints") or ())
    return Section("assemble", "Put together", tuple(blocks), whole=True)


def _numbered(told: Mapping[str, Any], order: Sequence[str]) -> dict[str, str]:
    """Each part's name after the number of the step that puts it in its place."""
    steps = {
        str(step.get("part")): number for number, step in enumerate(told.get("steps") or (), 1)
    }
    if not steps:
        steps = {name: number for number, name in enumerate(order, 1)}
    return {name: f"{steps[name]}  {name}" if name in steps else name for name in order}


def _steps(told: Mapping[str, Any], order: Sequence[str]) -> list[Check]:
    checks = []
    for step in told.get("steps") or ():
        part, onto = str(step.get("part", "")), step.get("onto")
        onto = listed([str(name) for name in onto]) if isinstance(onto, list | tuple) else onto
        joint = str(step.get("joint") or "")
        note = f"Joint: {joint}. " if joint else ""
        if along := [str(name) for name in step.get("with") or ()]:
            part = f"{part} with {listed(along)}"
        if (direction := step.get("direction")) is not None and onto:
            note += f"Push it {_heading(direction)}."
        checks.append(Check(f"{part} onto {onto}" if onto else f"Lay down {part}", note.strip()))
    if checks:
        return checks
    return [Check(str(name)) for name in order]


def _heading(direction: Sequence[float]) -> str:
    """A direction of the mold's frame in words, seen as in the drawing."""
    vector = np.asarray(direction, dtype=float)
    axis = int(np.argmax(np.abs(vector)))
    words = (("left", "right"), ("toward you", "away from you"), ("down", "up"))
    return words[axis][int(vector[axis] > 0)]


def _hardware(told: Mapping[str, Any], split: Mapping[str, Any]) -> list[Block]:
    blocks: list[Block] = []
    rows = [*(told.get("hardware") or ()), *(split.get("hardware") or ())]
    if rows:
        lines = tuple(
            (
                str(row.get("count", 1)),
                str(row.get("what", "")),
                str(row.get("size", "")).replace(" x ", " \u00d7 "),
                str(row.get("standard", "")),
            )
            for row in rows
        )
        columns = (
            Column("Count", 0.7, True),
            Column("What", 3),
            Column("Size", 2),
            Column("Standard", 1.6),
        )
        blocks.append(Table(columns, lines, tick=True, title="Hardware"))
    if straps := len(told.get("straps") or ()):
        blocks.append(Text(f"{count(straps, 'groove')} round the mold, for a strap each."))
    return blocks


def _joints(joints: Sequence[Mapping[str, Any]]) -> list[Block]:
    kinds: dict[str, list[str]] = {}
    for row in joints:
        if row.get("kind"):
            pair = f"{row.get('low', '')} to {row.get('high', '')}"
            kinds.setdefault(str(row["kind"]), []).append(pair)
    rows = tuple((kind, ", ".join(dict.fromkeys(pairs))) for kind, pairs in kinds.items())
    if not rows:
        return []
    columns = (Column("Joint", 1), Column("From part to part", 5))
    return [Table(columns, rows, title="Joints")]
