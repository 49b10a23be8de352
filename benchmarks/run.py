"""Times, memory and growth of the main job on the front of a real torso.

    python benchmarks/run.py [--rounds N]

Prints tables and writes them to `figures.md` beside this file. Seconds depend on
the machine; the ratios are of two things measured in the same run, so they can
be compared between machines and releases.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
from numpy.typing import NDArray

import moldsmith as ms
from moldsmith.geometry.distance import SurfaceIndex
from moldsmith.geometry.offset import offset_sheet
from moldsmith.geometry.sampled import SampledField
from moldsmith.pad.thickness import rim_distance, tapered_thickness

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "tests"))

import bodies  # noqa: E402 - the tests' body, found through the line above

Floats = NDArray[np.float64]
Clock = Callable[[], float]
CELLS_MM = (2.0, 1.0)
THICKNESS_MM, TAPER_MM, EDGE_MM = 8.0, 25.0, 1.0
FIRST = ("load_scan", "heal", "crop")


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=3, help="measure times this often, keep best")
    rounds = parser.parse_args(arguments).rounds
    cropped = _cropped()
    text = "\n".join(
        [
            "# Figures of the last run of `benchmarks/run.py`",
            "",
            *_stages(cropped),
            *_offset(cropped, rounds),
            *_imports(rounds),
        ]
    )
    (HERE / "figures.md").write_text(text, encoding="utf-8")
    print(text)


def _cropped() -> ms.Workpiece:
    """The front of a torso as a phone scan has it, read, healed and cropped."""
    body = bodies.human()
    planes = bodies.torso_planes(body)
    scan = bodies.spoiled(body, dense=planes)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "torso.stl"
        scan.export(path)
        piece = ms.load_scan(path, unit="mm")
    return piece.pipe(ms.heal).pipe(ms.crop, planes=planes)


def _stages(cropped: ms.Workpiece) -> list[str]:
    lines = [
        "## Stages: front of a torso, style cored, 8 mm inward",
        "",
        "| cell mm | stage | seconds | peak MB | triangles made |",
        "|---|---|---|---|---|",
    ]
    lines += [_row("any", record) for record in cropped.records]
    for cell in CELLS_MM:
        printer = ms.Printer(volume_mm=(220, 220, 250))
        done = (
            cropped.pipe(
                ms.shell,
                thickness_mm=THICKNESS_MM,
                taper_mm=TAPER_MM,
                edge_mm=EDGE_MM,
                cell_mm=cell,
            )
            .pipe(ms.block, style="cored")
            .pipe(ms.channels)
            .pipe(ms.split, printer=printer)
            .pipe(ms.overhangs, printer=printer)
        )
        lines += [_row(f"{cell:g}", record) for record in done.records[len(FIRST) :]]
    return [*lines, ""]


def _row(cell: str, record: Any) -> str:
    triangles = sum(output["triangles"] for output in record["outputs"].values())
    memory = record["peak_memory_mb"]
    peak = "-" if memory is None else f"{memory:.0f}"
    return f"| {cell} | {record['stage']} | {record['seconds']:.1f} | {peak} | {triangles:,} |"


def _offset(cropped: ms.Workpiece, rounds: int) -> list[str]:
    """The offset against the nearest-sample queries that it makes, made alone."""
    lines = [
        "## Offset against its bare nearest-point queries",
        "",
        "Queries are of the same k-d tree (scipy's, over the same samples), at every point the",
        "offset needs a value at: the middles of its cells, coarse to fine, and the nodes of the",
        "last. The offset itself spares itself most of those at nodes; what it looks up for the",
        "vertices is not among the bare queries. Seconds are CPU seconds of all cores together.",
        "The offset includes making the tree. Aims: ratio at most 1.5, growth at most 4.5.",
        "",
        "| cell mm | patch cm² | points | queries CPU s | offset CPU s | ratio |",
        "|---|---|---|---|---|---|",
    ]
    patch = cropped.body("scan")
    rim = rim_distance(patch, TAPER_MM)
    wanted = tapered_thickness(rim, THICKNESS_MM, TAPER_MM, EDGE_MM)
    spent = []
    for cell in CELLS_MM:
        index = SurfaceIndex(patch.vertices, patch.faces, cell)
        points = _asked(index, wanted, cell)
        tree = index.tree
        bare = _best_cpu(rounds, lambda tree=tree, points=points: tree.query(points, workers=-1))
        taken = _best_cpu(
            rounds,
            lambda cell=cell: offset_sheet(
                SurfaceIndex(patch.vertices, patch.faces, cell), wanted, side=-1.0, cell_mm=cell
            ),
        )
        spent.append(taken)
        lines.append(
            f"| {cell:g} | {patch.area / 100:.0f} | {len(points):,} | {bare:.2f} | {taken:.2f} "
            f"| {taken / bare:.2f} |"
        )
    return [*lines, "", f"Growth from 2 to 1 mm: {spent[1] / spent[0]:.2f}", ""]


def _asked(index: SurfaceIndex, wanted: Floats, cell: float) -> Floats:
    """The points of its active cells: middles and nodes, all that the offset needs a value at."""
    asked: list[Floats] = []
    plain = SampledField._value

    def listening(field: SampledField, points: Floats, gap: Floats) -> Any:
        asked.append(points)
        return plain(field, points, gap)

    with mock.patch.object(SampledField, "_value", listening):
        offset_sheet(index, wanted, side=-1.0, cell_mm=cell)
    return np.concatenate(asked)


def _imports(rounds: int) -> list[str]:
    """Seconds to import the package, beyond starting Python itself."""

    def started(code: str) -> float:
        return _best(2 * rounds, lambda: subprocess.run([sys.executable, "-c", code], check=True))

    bare = started("pass")
    mine, numpys = started("import moldsmith") - bare, started("import numpy") - bare
    return [
        "## Import",
        "",
        "| import | seconds | of `import numpy` |",
        "|---|---|---|",
        f"| numpy | {numpys:.3f} | 1 |",
        f"| moldsmith (aim: 0.3 s) | {mine:.3f} | {mine / numpys:.2f} |",
        "",
    ]


def _best(rounds: int, work: Callable[[], object], clock: Clock = time.perf_counter) -> float:
    """The least of several times, in seconds: what disturbs only adds."""
    times = []
    for _ in range(max(rounds, 1)):
        start = clock()
        work()
        times.append(clock() - start)
    return min(times)


def _best_cpu(rounds: int, work: Callable[[], object]) -> float:
    return _best(rounds, work, time.process_time)


if __name__ == "__main__":
    main()
