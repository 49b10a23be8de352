"""The commands for prints that stop: `reprint` and `pause`."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .reprinting import Reprint
    from .supplies.filament import Filament
    from .supplies.printer import Printer

__all__ = ["COMMANDS", "add_commands", "run"]

COMMANDS = ("reprint", "pause")


def add_commands(commands: Any) -> None:
    """Add both to the parsers of the command line."""
    reprint = commands.add_parser("reprint", help="plan the rest of a print that stopped")
    pause = commands.add_parser("pause", help="plan a pause where a spool will run out")
    for command in (reprint, pause):
        command.add_argument("part", type=Path, metavar="PART.stl", help="a file of parts/")
        command.add_argument(
            "--job",
            type=Path,
            metavar="JOB.toml",
            help="whose printer and filament to take; else those of the logs beside parts/",
        )
        command.add_argument(
            "--layer-mm", type=float, metavar="MM", help="layer height; else the printer's"
        )
    done = reprint.add_mutually_exclusive_group(required=True)
    done.add_argument("--height", type=float, metavar="MM", help="measured on what is printed")
    done.add_argument("--layer", type=int, metavar="N", help="whole layers printed")
    reprint.add_argument(
        "--first-layer-mm", type=float, metavar="MM", help="first layer's height; else as the rest"
    )
    reprint.add_argument(
        "--dowel", type=float, metavar="MM", help="line up by parallel pins of this diameter"
    )
    reprint.add_argument(
        "--dowels", type=int, metavar="N", default=2, help="pins a piece (default 2)"
    )
    reprint.add_argument(
        "--out", type=Path, metavar="DIR", help="folder of the files; else reprint/ beside the part"
    )
    pause.add_argument(
        "--left-g", type=float, required=True, metavar="G", help="filament left on the spool"
    )


def run(call: argparse.Namespace) -> int:
    """Do the call and say what came of it; errors are the caller's to report."""
    printer, filament, source = _supplies(call)
    print(f"Layers of {printer.layer_mm:g} mm, {source}")
    if call.command == "pause":
        return _pause(call, printer, filament)
    from .reprinting import reprint

    out = call.out or _beside(call.part)
    made = reprint(
        call.part,
        height_mm=call.height,
        layer=call.layer,
        printer=printer,
        filament=filament,
        first_layer_mm=call.first_layer_mm,
        dowel_mm=call.dowel,
        dowels=call.dowels,
        out=out,
    )
    print(_report(made, call.part, out))
    return 0


def _beside(part: Path) -> Path:
    """The folder for the rest of a part, also of one that stopped again."""
    from .part_supplies import REPRINT_NAME

    return part.parent if part.parent.name == REPRINT_NAME else part.parent / REPRINT_NAME


def _supplies(call: argparse.Namespace) -> tuple[Printer, Filament, str]:
    """Printer and filament, and whose layer height it is."""
    from .part_supplies import part_supplies
    from .supplies.filament import Filament
    from .supplies.printer import Printer

    printer, filament = Printer(), Filament()
    source = "assumed: give --job or --layer-mm if the part was printed with others"
    if call.job is not None:
        from .job import read_job

        supplies = read_job(call.job).supplies
        printer, filament, source = supplies.printer, supplies.filament, f"as in {call.job}"
    elif (logged := part_supplies(call.part)) is not None:
        printer, filament = logged.printer, logged.filament
        source = f"as in {'/'.join(logged.log.parts[-3:])}"
    if call.layer_mm is not None:
        printer, source = replace(printer, layer_mm=call.layer_mm), "as given"
    return printer, filament, source


def _pause(call: argparse.Namespace, printer: Printer, filament: Filament) -> int:
    from .reprinting import pause_height

    pause = pause_height(call.part, left_g=call.left_g, printer=printer, filament=filament)
    if pause.height_mm is None:
        print(f"The spool suffices: {pause.needed_g:.0f} g of {call.left_g:g} g.")
    else:
        print(
            f"Pause at {pause.height_mm:.2f} mm, after layer {pause.layers}: "
            f"{pause.needed_g:.0f} g are needed, {pause.rest_g:.0f} g from there on."
        )
    return 0


def _report(made: Reprint, part: Path, out: Path) -> str:
    hours, minutes = divmod(round(made.estimate.seconds / 60), 60)
    lines = [
        f"Cut at {made.cut_mm:.2f} mm, after layer {made.layers}: {made.printed_cm3:.1f} cm3 "
        f"printed, {made.remainder_cm3:.1f} cm3 to print",
        f"It takes {made.estimate.grams:.0f} g, {hours} h {minutes:02d} min",
    ]
    if len(made.holes_mm):
        lines.append(
            f"Drill {made.drill_mm:g} mm, {made.depth_mm:g} mm deep, at x, y from the lowest x "
            "and y edge of the stump's top:"
        )
        lines += [f"  {x:.1f}, {y:.1f}" for x, y in made.holes_mm.tolist()]
    lines += [f"{finding.severity}: {finding.message}" for finding in made.findings]
    lines.append(f"To print: {out}/{part.stem}-remainder.stl")
    if made.template is not None:
        lines.append(f"To drill by: {out}/{part.stem}-drill-template.stl")
    return "\n".join(lines)
