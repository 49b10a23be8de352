"""The page over all pieces of a job: what there is to print, to mix, and to mind."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

from ..printing.spools import job_spools
from ..supplies.filament import Filament
from ..writing import write_text
from .blocks import (
    Block,
    Column,
    Figure,
    Figures,
    Picture,
    Pictures,
    Remark,
    Section,
    Sheet,
    Table,
    Text,
)
from .page_setting import page
from .wording import count, decimal, grams, grouped, hours, raised, shares

__all__ = ["INDEX_NAME", "write_index"]

INDEX_NAME = "index.html"


def write_index(folder: Path, entries: Mapping[str, Mapping[str, Any]], name: str = "") -> Path:
    """Write index.html over the pieces of a job.

    folder : of the job's results, with a folder for each piece
    name : of the job, over the page; left out, the folder's
    entries : name -> the piece's entry in summary.json

    What was printed, mixed and timed is read from the stages' logs in the pieces' folders.

    Raises
    ------
    CannotWrite : the folder cannot be written to
    """
    logs = {piece: _logs(folder / piece) for piece in entries}
    sections = [
        _pieces(folder, entries, logs),
        _prints(entries, logs),
        _ready(logs),
        _warnings(entries),
    ]
    links = tuple(
        (piece, f"{quote(piece)}/sheet.html")
        for piece in entries
        if (folder / piece / "sheet.html").is_file()
    )
    sheet = Sheet(
        name or folder.resolve().name,
        "Job",
        _lead(entries),
        tuple(one for one in sections if one is not None),
        links=links,
    )
    write_text(folder / INDEX_NAME, page(sheet))
    return folder / INDEX_NAME


def _logs(folder: Path) -> dict[str, Mapping[str, Any]]:
    """Stage -> its figures and parameters, of the newest run where a stage has two folders."""
    found: dict[str, tuple[str, Mapping[str, Any]]] = {}
    for path in sorted(folder.glob("[0-9][0-9]-*/log.json")):
        try:
            log = json.loads(path.read_text(encoding="utf-8"))
            stage, started = log["stage"], log["started_utc"]
            figures = {**log["figures"], "parameters": log["parameters"]}
        except (OSError, ValueError, KeyError, TypeError):
            continue
        if stage not in found or started >= found[stage][0]:
            found[stage] = (started, figures)
    return {stage: figures for stage, (_, figures) in found.items()}


def _lead(entries: Mapping[str, Mapping[str, Any]]) -> str:
    done = sum(entry["status"] == "finished" for entry in entries.values())
    failed = len(entries) - done
    text = count(done, "piece") + " ready to print"
    return f"{text}, {failed} failed." if failed else f"{text}."


def _pieces(
    folder: Path,
    entries: Mapping[str, Mapping[str, Any]],
    logs: Mapping[str, Mapping[str, Mapping[str, Any]]],
) -> Section:
    totals = [
        Figure(str(len(entries)), "", "pieces"),
        Figure(
            str(sum(len(entry.get("parts") or ()) for entry in entries.values())),
            "",
            "parts to print",
        ),
    ]
    estimates = [stages["estimate"] for stages in logs.values() if "estimate" in stages]
    if estimates:
        weight = sum(round(float(row["grams"])) for row in estimates)  # as the table tells them
        seconds = sum(float(row["seconds"]) for row in estimates)
        totals.append(Figure(grams(weight), "g", "filament"))
        totals.append(Figure(hours(seconds / 3600), "", "printing, on one printer"))
    mixed = [float(stages["mix"]["mixed_g"]) for stages in logs.values() if "mix" in stages]
    if mixed:
        totals.append(Figure(grams(sum(mixed)), "g", "to mix"))
    blocks: list[Block] = [Figures(tuple(totals))]
    if pictures := _pictures(folder, entries):
        blocks.append(Pictures(pictures, 3))
    blocks.append(_piece_table(entries, logs))
    return Section("pieces", "Pieces", tuple(blocks))


def _pictures(folder: Path, entries: Mapping[str, Mapping[str, Any]]) -> tuple[Picture, ...]:
    found = []
    for name in entries:
        try:
            png = (folder / name / "sheet.png").read_bytes()
        except OSError:
            continue
        width, height = (int.from_bytes(png[k : k + 4], "big") for k in (16, 20))
        found.append(Picture(png, width, height, name, f"{quote(name)}/sheet.html"))
    return tuple(found)


def _piece_table(
    entries: Mapping[str, Mapping[str, Any]],
    logs: Mapping[str, Mapping[str, Mapping[str, Any]]],
) -> Table:
    columns = [Column("Piece", 1.4), Column("Parts", 0.8, True), Column("Casting, cm³", 1.4, True)]
    printed = any("estimate" in stages for stages in logs.values())
    poured = any("mix" in stages for stages in logs.values())
    columns += [Column("Filament, g", 1.3, True), Column("Print", 1.5, True)] if printed else []
    columns += [Column("Mix, g", 1, True)] if poured else []
    columns += [Column("Findings", 1.3)]
    rows = []
    for name, entry in entries.items():
        pad = entry.get("pad_volume_cm3")
        finished = entry["status"] == "finished"
        line = [name, str(len(entry.get("parts") or ())) if finished else "failed"]
        line.append("" if pad is None else grouped(float(pad)))
        if printed:
            told = logs[name].get("estimate") or {}
            line.append(grams(float(told["grams"])) if told else "")
            line.append(hours(float(told["seconds"]) / 3600) if told else "")
        if poured:
            told = logs[name].get("mix") or {}
            line.append(grams(float(told["mixed_g"])) if told else "")
        line.append(_counted(entry.get("findings") or ()))
        rows.append(tuple(line))
    return Table(tuple(columns), tuple(rows), tick=True)


def _counted(findings: Sequence[Mapping[str, Any]]) -> str:
    said = [
        count(number, severity)
        for severity in ("warning", "note")
        if (number := sum(one["severity"] == severity for one in findings))
    ]
    return ", ".join(said) or "none"


def _prints(
    entries: Mapping[str, Mapping[str, Any]],
    logs: Mapping[str, Mapping[str, Mapping[str, Any]]],
) -> Section | None:
    """Every plate of every piece, the longest first."""
    rows: list[tuple[float, tuple[str, ...]]] = []
    spools = _spools(logs)
    for name in entries:
        told = logs[name].get("estimate") or {}
        laid = {
            row["number"]: row["parts"] for row in logs[name].get("lay_out", {}).get("plates", ())
        }
        plates = told.get("plates") or ()
        weights = shares([float(plate["grams"]) for plate in plates], told.get("grams"))
        for plate, weight in zip(plates, weights, strict=True):
            seconds = float(plate["seconds"])
            parts = ", ".join(laid.get(plate["number"], ()))
            line = (
                name,
                str(plate["number"]),
                parts,
                grouped(weight),
                hours(seconds / 3600),
                spools.get((name, int(plate["number"])), ""),
            )
            rows.append((seconds, line))
    if not rows:
        return None
    rows.sort(key=lambda row: -row[0])
    columns = (
        Column("Piece", 1.4),
        Column("Plate", 0.7),
        Column("Parts", 2.7),
        Column("Grams", 0.9, True),
        Column("Time", 1.8, True),
        Column("Spool", 1.3),
    )
    table = Table(columns, tuple(line for _, line in rows), tick=True)
    shared = (
        "Spools are shared out among all plates of the job, each print where it needs no change."
    )
    return Section(
        "plates",
        "Plates to print, the longest first",
        (table, *((Text(shared, small=True),) if spools else ())),
    )


def _spools(logs: Mapping[str, Mapping[str, Mapping[str, Any]]]) -> dict[tuple[str, int], str]:
    """Piece and plate -> the spools it is printed from, where all pieces share one filament."""
    told = {name: stages["estimate"] for name, stages in logs.items() if "estimate" in stages}
    supplies = [
        (figures["parameters"]["filament"], figures["parameters"]["printer"]["layer_mm"])
        for figures in told.values()
    ]
    if not supplies or any(one != supplies[0] for one in supplies):
        return {}
    filament, layer_mm = supplies[0]
    said: dict[tuple[str, int], str] = {}
    for name, use in job_spools(told, Filament(**filament), layer_mm):
        at = "" if use.change_at_mm is None else f" to {use.change_at_mm:.1f} mm"
        spool = f"{use.needed_g:.0f} g missing" if use.spool is None else f"{use.spool}{at}"
        earlier = said.get((name, use.plate))
        said[name, use.plate] = spool if earlier is None else f"{earlier}, then {spool}"
    return said


def _ready(logs: Mapping[str, Mapping[str, Mapping[str, Any]]]) -> Section | None:
    """What all pieces together need of materials and hardware."""
    portions: dict[tuple[str, str], float] = {}
    hardware: dict[tuple[str, str, str], int] = {}
    for stages in logs.values():
        mix = stages.get("mix") or {}
        pours = int(mix.get("pours") or 1)
        for row in mix.get("parts") or ():
            key = (str(mix.get("material", "")), str(row["name"]))
            portions[key] = portions.get(key, 0) + pours * float(row["grams"])
        fitted = [(stages.get(name) or {}).get("hardware") or () for name in ("fasten", "split")]
        for row in (row for rows in fitted for row in rows):
            what = (str(row["what"]), str(row["size"]), str(row.get("standard", "")))
            hardware[what] = hardware.get(what, 0) + int(row.get("count", 1))
    blocks: list[Block] = [*_filament(logs)]
    if portions:
        lines = tuple(
            (material, part, decimal(weight, 1)) for (material, part), weight in portions.items()
        )
        columns = (Column("Material", 2.4), Column("Part", 2), Column("Grams", 1, True))
        blocks.append(Table(columns, lines, tick=True, title="To cast"))
    if hardware:
        counted = tuple((str(number), *what) for what, number in hardware.items())
        heads = (
            Column("Count", 0.7, True),
            Column("What", 2),
            Column("Size", 2),
            Column("By", 1.4),
        )
        blocks.append(Table(heads, counted, tick=True, title="Hardware"))
    return Section("ready", "Lay ready", tuple(blocks)) if blocks else None


def _filament(logs: Mapping[str, Mapping[str, Mapping[str, Any]]]) -> list[Block]:
    """What each filament must have on its spools, against what is there."""
    needed: dict[str, int] = {}
    spools: dict[str, Sequence[float]] = {}
    for told in (stages["estimate"] for stages in logs.values() if "estimate" in stages):
        given = told["parameters"].get("filament") or {}
        name = str(given.get("name", "filament"))
        needed[name] = needed.get(name, 0) + round(float(told["grams"]))
        spools[name] = given.get("left_g") or ()
    rows = tuple(
        (name, grouped(weight), grouped(sum(spools[name])) if spools[name] else "")
        for name, weight in needed.items()
    )
    if not rows:
        return []
    columns = (
        Column("Filament", 2.4),
        Column("Grams", 1, True),
        Column("On the spools, g", 1.6, True),
    )
    return [Table(columns, rows, tick=True, title="To print")]


def _warnings(entries: Mapping[str, Mapping[str, Any]]) -> Section:
    blocks: list[Block] = []
    for name, entry in entries.items():
        if entry.get("error"):
            blocks.append(Remark("stop", f"{name} failed", str(entry["error"])))
        kinds: dict[str, list[Mapping[str, Any]]] = {}
        for one in entry.get("findings") or ():
            if one["severity"] == "warning":
                kinds.setdefault(str(one["code"]), []).append(one)
        for code, (first, *more) in kinds.items():
            text = str(first["message"]).rstrip(".") + "."
            if more:
                text += f" And {len(more)} more of this kind, on its own sheet."
            heading = f"{name}: {code.replace('-', ' ')}"
            text = raised(text[:1].upper() + text[1:])
            blocks.append(Remark("warning", heading, text, str(first["body"])))
    if not blocks:
        blocks.append(Text("None. What was noted stands on each piece's sheet."))
    return Section("mind", "Warnings", tuple(blocks))
