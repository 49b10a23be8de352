"""A batch killed at any moment goes on, and ends as if nothing had happened."""

from __future__ import annotations

import json
import multiprocessing
import os
import random
import signal
import subprocess
import sys
import time
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

import psutil
import trimesh

from moldsmith.cli import main
from moldsmith.route import ROUTE

KILLS = 20
# Each run is forked off a process that has loaded everything: loading takes longer than working.
RUNS = multiprocessing.get_context("forkserver")
LOADED = [
    "moldsmith.cli",
    "moldsmith.making",
    *(f"moldsmith{place.split(':')[0]}" for place in ROUTE.values()),
]
PIECE = """
[[piece]]
name = "{name}"
scan = "{name}.stl"
unit = "mm"
heal.resurface = "never"
crop.planes = [[[0, 0, {height}], [0, 0, 1]]]
shell.thickness_mm = 4
shell.taper_mm = 8
shell.cell_mm = 4
"""
# What tells time and memory, and the hash over a log that has them.
_MEASURED = ("seconds", "peak_memory_mb", "started_utc")


def test_twenty_kills_later_the_batch_is_the_undisturbed_one(tmp_path: Path) -> None:
    job = written(tmp_path)
    assert ended(started(job, tmp_path / "calm" / "out")) == 0
    expected = told(tmp_path / "calm" / "out")
    chance = random.Random(5)
    out, kills, stopped_at = tmp_path / "stormy" / "out", 0, set()
    while kills < KILLS:
        run = started(job, out, workers=2 if kills % 3 == 0 else 1)
        wait_for_work(run, out)
        time.sleep(chance.uniform(0.0, 1.5))
        if run.is_alive():
            assert run.pid
            os.killpg(run.pid, signal.SIGKILL)  # the batch and its workers, mid-sentence
            kills += 1
            run.join(60)
            stopped_at.add(len(list(out.glob("*/*/log.json"))))
        elif run.exitcode == 0:
            assert told(out) == expected
            out = tmp_path / f"stormy-{kills}" / "out"
    assert ended(started(job, out)) == 0
    assert told(out) == expected
    assert len(stopped_at) > 2, "the kills hit the same moment"


def test_workers_end_with_the_batch_that_is_killed() -> None:
    script = "\n".join(
        [
            "import os, time",
            "from moldsmith.processes import worker_processes",
            "if __name__ == '__main__':",
            "    with worker_processes(2, os.getpid) as pool:",
            "        print(*{pool.submit(os.getpid).result() for _ in range(9)}, flush=True)",
            "        busy = [pool.submit(time.sleep, 300) for _ in range(2)]",
            "        os.kill(os.getpid(), 9)",
        ]
    )
    batch = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert batch.returncode == -9
    workers = [int(number) for number in batch.stdout.split()]
    assert workers
    end = time.monotonic() + 60
    while any(psutil.pid_exists(worker) for worker in workers):
        assert time.monotonic() < end, "a worker went on for nobody"
        time.sleep(0.05)


def written(folder: Path) -> Path:
    """A job of two shoulder pads off balls."""
    lines = ['[printer]\nvolume_mm = [220, 220, 250]\n[material]\nlike = "foam-80"\n']
    for number, name in enumerate(("left", "right")):
        ball = trimesh.creation.icosphere(3, 40 + 3 * number)
        ball.export(folder / f"{name}.stl")
        lines.append(PIECE.format(name=name, height=20 + 2 * number))
    (folder / "troll.toml").write_text("".join(lines))
    return folder / "troll.toml"


def started(job: Path, out: Path, workers: int = 2) -> BaseProcess:
    RUNS.set_forkserver_preload(LOADED)
    arguments = ["run", str(job), "--out", str(out), "--workers", str(workers)]
    run = RUNS.Process(target=commanded, args=(arguments, job.parent / "log.txt"))
    run.start()
    return run


def commanded(arguments: list[str], log: Path) -> None:
    """The command, in a process group of its own."""
    os.setsid()
    with log.open("ab") as said:
        os.dup2(said.fileno(), 1)
        os.dup2(said.fileno(), 2)
    raise SystemExit(main(arguments))


def ended(run: BaseProcess) -> int | None:
    run.join(300)
    return run.exitcode


def told(out: Path) -> dict[str, Any]:
    """Every file under the folder: bytes, or for logs what they tell but for time and memory."""
    files = (path for path in sorted(out.rglob("*")) if path.is_file())
    return {str(path.relative_to(out)): read(path) for path in files}


def wait_for_work(run: BaseProcess, out: Path) -> None:
    """Until the run wrote its first file; workers of its own take long to start."""
    before = written_last(out)
    while run.is_alive() and written_last(out) == before:
        time.sleep(0.02)


def written_last(out: Path) -> int:
    try:
        return max((path.stat().st_mtime_ns for path in out.glob("*/*/*")), default=0)
    except FileNotFoundError:  # a temporary name, gone by now
        return -1


def read(path: Path) -> Any:
    if path.suffix != ".json":
        return path.read_bytes()
    return timeless(json.loads(path.read_text()))


def timeless(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: timeless(item) for key, item in value.items() if key not in _MEASURED}
    if isinstance(value, list):
        return [timeless(item) for item in value]
    return value
