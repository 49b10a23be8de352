"""One run of the demo for all test files, in whichever test process they are."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

__all__ = ["DemoRun", "made_once"]

_MOST_S = 600.0
_TOLD = "told.json"


@dataclass(frozen=True)
class DemoRun:
    """The demo's results in `out`, and what its command said."""

    out: Path
    said: str


def made_once(folder: Path) -> DemoRun:
    """The demo's run in a folder: made by the first that asks, awaited by the others."""
    try:
        folder.mkdir()  # only one process can
    except FileExistsError:
        return _awaited(folder)
    command = Path(sys.executable).with_name("moldsmith")
    done = subprocess.run(
        [command, "demo", "--out", str(folder / "out"), "--workers", "2"],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONWARNINGS": "error"},
    )
    told = {"returncode": done.returncode, "stdout": done.stdout, "stderr": done.stderr}
    (folder / "unfinished").write_text(json.dumps(told), encoding="utf-8")
    (folder / "unfinished").rename(folder / _TOLD)
    return _awaited(folder)


def _awaited(folder: Path) -> DemoRun:
    end = time.monotonic() + _MOST_S
    while not (folder / _TOLD).exists():
        assert time.monotonic() < end, "whoever began the demo's run never ended it"
        time.sleep(0.2)
    told = json.loads((folder / _TOLD).read_text(encoding="utf-8"))
    assert told["returncode"] == 0, told["stdout"] + told["stderr"]
    return DemoRun(folder / "out", told["stderr"])
