"""Eight pieces by one worker and by two: seconds, and the memory of all processes together.

    python benchmarks/batch.py

Prints a table and writes it to `batch.md` beside this file. On a quiet machine
of two cores; the ratios can be compared between machines, the seconds cannot.
Two busy cores may share caches, memory and clock, so that each is slower than one alone: what
the machine gives two processes that know nothing of each other is measured beside it.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import psutil

from moldsmith import demo

HERE = Path(__file__).resolve().parent
PIECES = 8
LINES = """
[[piece]]
name = "pad {number}"
scan = "scan/troll.ply"
unit = "m"
crop.planes = [
  [[0, 0, {low}], [0, 0, 1]],
  [[0, 0, {high}], [0, 0, -1]],
  [[0, -30, 0], [0, -1, 0]],
  [[-70, 0, 0], [1, 0, 0]],
  [[70, 0, 0], [-1, 0, 0]],
]
shell.thickness_mm = {thickness}
"""


@dataclass(frozen=True)
class Run:
    """Seconds of one run of the job, and its peak of memory."""

    seconds: float
    peak_mb: float


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        # As an installed package: its modules are compiled once, not by every process.
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        os.environ["PYTHONPYCACHEPREFIX"] = str(folder / "compiled")
        _run(_job(folder, "first", range(1)), folder / "first", workers=1)
        job = _job(folder, "bands", range(PIECES))
        halves = [_job(folder, f"half-{half}", range(half, PIECES, 2)) for half in (0, 1)]
        alone = _run(job, folder / "alone", workers=1, cores={0})
        one = _run(job, folder / "one", workers=1)
        two = _run(job, folder / "two", workers=2)
        apart = _side_by_side(halves, folder)
    text = "\n".join(
        [
            "# Figures of the last run of `benchmarks/batch.py`",
            "",
            f"{PIECES} pieces off one scan, on {os.cpu_count()} cores. Aim: one worker takes at",
            "least 1.8 times as long as two. 'Apart' are two runs of half the pieces at the same",
            "time, each one worker on a core of its own: what the machine allows.",
            "",
            "| run | seconds | ratio to two workers | peak MB, all processes |",
            "|---|---|---|---|",
            _row("one worker on one core", alone, two),
            _row("one worker, whose queries use all cores", one, two),
            _row("two workers", two, two),
            _row("apart", apart, two),
            "",
        ]
    )
    (HERE / "batch.md").write_text(text, encoding="utf-8")
    print(text)


def _job(folder: Path, name: str, numbers: range) -> Path:
    """Bands of the troll's front, no two alike."""
    demo.set_up(folder)
    lines = ['[material]\nlike = "foam-80"\n']
    for number in numbers:
        low = 940 + 20 * number
        sizes = {"low": low, "high": low + 100, "thickness": 6 + number}
        lines.append(LINES.format(number=number + 1, **sizes))
    path = folder / f"{name}.toml"
    path.write_text("".join(lines), encoding="utf-8")
    return path


def _side_by_side(jobs: list[Path], folder: Path) -> Run:
    """Jobs at the same time, each on a core of its own; the last to end counts."""
    with ThreadPoolExecutor(len(jobs)) as pool:
        runs = list(
            pool.map(
                lambda core: _run(jobs[core], folder / f"apart-{core}", workers=1, cores={core}),
                range(len(jobs)),
            )
        )
    return Run(max(run.seconds for run in runs), sum(run.peak_mb for run in runs))


def _run(job: Path, out: Path, *, workers: int, cores: set[int] | None = None) -> Run:
    command = [sys.executable, "-m", "moldsmith", "run", str(job), "--out", str(out)]
    start = time.perf_counter()
    run = subprocess.Popen(
        [*command, "--workers", str(workers)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    if cores is not None:
        psutil.Process(run.pid).cpu_affinity(sorted(cores))
    peak = _Peak(run.pid)
    peak.start()
    code = run.wait()
    seconds = time.perf_counter() - start
    peak.join()
    if code != 0:
        raise SystemExit(f"the job failed (exit code {code})")
    return Run(seconds, peak.mb)


class _Peak(threading.Thread):
    """Watches the memory of a process and its children, ten times a second, until it ends."""

    def __init__(self, pid: int) -> None:
        super().__init__(daemon=True)
        self._root = psutil.Process(pid)
        self.mb = 0.0

    def run(self) -> None:
        while True:
            try:
                family = [self._root, *self._root.children(recursive=True)]
                held = sum(process.memory_info().rss for process in family)
            except psutil.NoSuchProcess:
                if not self._root.is_running():
                    return
                continue
            if self._root.status() == psutil.STATUS_ZOMBIE:
                return
            self.mb = max(self.mb, held / 2**20)
            time.sleep(0.1)


def _row(name: str, run: Run, two: Run) -> str:
    return f"| {name} | {run.seconds:.1f} | {run.seconds / two.seconds:.2f} | {run.peak_mb:.0f} |"


if __name__ == "__main__":
    main()
