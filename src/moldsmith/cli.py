"""The command line: a thin face over `run_job`."""

from __future__ import annotations

import argparse
import logging
import sys
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

from . import __version__, reprint_command
from .batch import run_job
from .cluster import cluster_executor
from .errors import MoldsmithError
from .interrupts import interrupts_held

if TYPE_CHECKING:
    from .summary import PieceSummary, Summary
    from .workpiece import Finding

__all__ = ["main"]

# What can hurt on the way from these files to a finished piece, in few words.
_CAUTIONS = """\
Take care:
- Printing gives off fumes and fine particles, sanding gives dust: air the room, wear a mask.
- Soft foams and many resins are cast from isocyanates: they can make you allergic for life.
  Gloves, goggles, moving air; no skin contact before full cure.
- A foam that rises in a closed mold builds pressure: keep vents open and clamp as planned.
The product's safety data sheet, local codes and licensed practice come before these lines."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; returns 0 if every piece came out, 1 if one failed, 2 for a bad call
    or job file, 130 after Ctrl-C."""
    parser = _parser()
    try:
        call = parser.parse_args(arguments)
    except SystemExit as leaving:  # argparse said what is wrong, or showed the help
        return leaving.code if isinstance(leaving.code, int) else 2
    _show_progress()
    try:
        if call.command == "measure":
            return _measure(call)
        if call.command in reprint_command.COMMANDS:
            with interrupts_held():
                from . import reprinting  # noqa: F401 - loaded here, used there
            return reprint_command.run(call)
        with _cluster(call) as executor:
            summary = run_job(
                _demo_job(call.out) if call.command == "demo" else call.job,
                out=call.out,
                piece=getattr(call, "piece", None),
                workers=call.workers,
                again=getattr(call, "again", False),
                executor=executor,
                progress=True,
            )
    except MoldsmithError as error:
        print(f"moldsmith: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("moldsmith: stopped; the next run goes on from the finished stages", file=sys.stderr)
        return 130
    out = call.out or Path("out") / call.job.stem
    print(_report(summary, out))
    return 1 if summary.failed else 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="moldsmith", description="From a body scan to a print-ready mold."
    )
    parser.add_argument("--version", action="version", version=f"moldsmith {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    demo = commands.add_parser("demo", help="make the built-in pieces: a stage troll")
    run = commands.add_parser("run", help="make the pieces of a job file")
    run.add_argument("job", type=Path, metavar="JOB.toml", help="the job file")
    run.add_argument("--piece", metavar="NAME", help="make only this piece")
    run.add_argument(
        "--again", action="store_true", help="do finished stages anew instead of reading them back"
    )
    run.add_argument(
        "--cluster", metavar="ADDRESS", help="make the pieces on a Dask cluster, not here"
    )
    demo.add_argument("--out", type=Path, metavar="DIR", default=Path("out/demo"), help=_OUT)
    run.add_argument("--out", type=Path, metavar="DIR", help=f"{_OUT}; else out/<job file's name>")
    for command, workers in ((demo, 2), (run, 1)):
        command.add_argument(
            "--workers",
            type=int,
            metavar="N",
            default=workers,
            help=f"pieces made at the same time (default {workers})",
        )
    _measure_arguments(commands.add_parser("measure", help="measure a scan of a standing body"))
    reprint_command.add_commands(commands)
    return parser


def _measure_arguments(measure: argparse.ArgumentParser) -> None:
    measure.add_argument("scan", type=Path, metavar="SCAN", help="the scan file")
    measure.add_argument("--unit", choices=("mm", "cm", "m", "inch"), help="of the file's numbers")
    for name in ("up", "facing"):
        measure.add_argument(
            f"--{name}", metavar="AXIS", help=f"the wearer's {name}, as --{name}=-y; else found"
        )
    measure.add_argument(
        "--girth",
        action="append",
        type=_named_numbers(1),
        default=[],
        metavar="NAME=HEIGHT_MM",
        help="one more level girth, at a height above the lowest point",
    )
    measure.add_argument(
        "--at",
        action="append",
        type=_named_numbers(3, 6),
        default=[],
        metavar="NAME=X,Y,Z[,DX,DY,DZ]",
        help="one more girth, round the limb at a point (mm), square to a direction along it",
    )
    measure.add_argument(
        "--out", type=Path, metavar="DIR", help="folder for measures.json and measures.png"
    )


def _named_numbers(*counts: int) -> Callable[[str], tuple[str, tuple[float, ...]]]:
    def read(word: str) -> tuple[str, tuple[float, ...]]:
        name, _, listed = word.partition("=")
        try:
            numbers = tuple(float(part) for part in listed.split(","))
        except ValueError:
            numbers = ()
        if not name or len(numbers) not in counts:
            wanted = " or ".join(str(count) for count in counts)
            raise argparse.ArgumentTypeError(f"'{word}' is not NAME= and {wanted} numbers")
        return name, numbers

    return read


def _measure(call: argparse.Namespace) -> int:
    with interrupts_held():
        from .measurement import measure_scan, measures_table, write_measures

    measured = measure_scan(
        call.scan,
        unit=call.unit,
        up=call.up,
        facing=call.facing,
        girths={name: height for name, (height,) in call.girth},
        points=dict(call.at),
    )
    print(measures_table(measured))
    if call.out is not None:
        table, drawing = write_measures(measured, call.out)
        print(f"\n{table}\n{drawing}")
    return 0


def _cluster(call: argparse.Namespace) -> AbstractContextManager[Executor | None]:
    address = getattr(call, "cluster", None)
    return nullcontext() if address is None else cluster_executor(address)


_OUT = "folder of the results"


def _demo_job(out: Path) -> Path:
    with interrupts_held():
        from .demo import set_up

    return set_up(out)


def _show_progress() -> None:
    """A line on stderr for each finished stage, where no bars can be drawn."""
    if sys.stderr.isatty():
        return
    handler = logging.StreamHandler()
    handler.setFormatter(logging.Formatter("%(message)s"))
    logger = logging.getLogger(__package__)
    logger.handlers = [handler]
    logger.setLevel(logging.INFO)
    logger.propagate = False


def _report(summary: Summary, out: Path) -> str:
    """What the run says at its end."""
    blocks = [_table(summary)]
    blocks += [text for piece in summary.pieces if (text := _remarks(piece))]
    if lacking := sorted({stage for piece in summary.pieces for stage in piece.left_out}):
        blocks.append(f"Without a [material] in the job file: no {', '.join(lacking)}")
    if any(piece.parts for piece in summary.pieces):
        blocks.append(
            f"Shop sheets: {out}/index.html\n"
            f"Parts to print: {out}/<piece>/parts    Everything: {out}/summary.json"
        )
        blocks.append(_CAUTIONS)
    return "\n\n".join(["", *blocks]).lstrip("\n")


def _table(summary: Summary) -> str:
    rows = [("piece", "parts", "pad cm3", "findings", "seconds")]
    for piece in summary.pieces:
        pad = "-" if piece.pad_volume_cm3 is None else f"{piece.pad_volume_cm3:.0f}"
        parts = f"{len(piece.parts)}" if piece.status == "finished" else "failed"
        rows.append((piece.name, parts, pad, _counted(piece), f"{piece.seconds:.1f}"))
    rows.append(("together", "", "", "", f"{summary.seconds:.1f}"))
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    lines = [
        "  ".join(
            cell.ljust(width) if column in (0, 3) else cell.rjust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]
    rule = "-" * max(map(len, lines))
    return "\n".join([lines[0], rule, *lines[1:-1], rule, lines[-1]])


def _counted(piece: PieceSummary) -> str:
    counts = Counter(finding.severity for finding in piece.findings)
    words = [
        f"{counts[severity]} {severity}{'s' if counts[severity] > 1 else ''}"
        for severity in ("warning", "note")
        if counts[severity]
    ]
    return ", ".join(words) or "none"


def _remarks(piece: PieceSummary) -> str:
    """Why the piece failed, and of its warnings one of each kind."""
    lines = [f"{piece.name} failed", f"  {piece.error}"] if piece.error else []
    kinds: dict[str, list[Finding]] = {}
    for finding in piece.findings:
        if finding.severity == "warning":
            kinds.setdefault(finding.code, []).append(finding)
    if kinds:
        lines.append(f"{piece.name}: warnings")
    for first, *more in kinds.values():
        named = first.message.startswith(first.body)
        lines.append(f"  {first.message}" if named else f"  {first.body}: {first.message}")
        if more:
            lines.append(f"    and {len(more)} more of this kind, in summary.json")
    return "\n".join(lines)
