"""The command line says what it does, and its exit code tells how it went."""

from __future__ import annotations

import logging
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import fakes
from moldsmith.cli import main

JOB = """
[[piece]]
name = "belly"
scan = "scan.txt"
[piece.shell]
thickness_mm = 3

[[piece]]
name = "calf"
scan = "scan.txt"
[piece.shell]
thickness_mm = {thickness}
"""


@pytest.fixture(autouse=True)
def _trivial_stages(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    fakes.CALLS.clear()
    fakes.take_over(monkeypatch)
    logger = logging.getLogger("moldsmith")
    before = (logger.handlers, logger.level, logger.propagate)
    yield
    logger.handlers, logger.propagate = before[0], before[2]
    logger.setLevel(before[1])


@pytest.fixture
def job(tmp_path: Path) -> Path:
    (tmp_path / "scan.txt").write_text("10")
    path = tmp_path / "troll.toml"
    path.write_text(JOB.format(thickness=4))
    return path


def run(job: Path, *more: str) -> int:
    return main(["run", str(job), "--out", str(job.parent / "out"), *more])


def test_finished_job_exits_0_with_a_line_a_stage_and_a_table(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(job) == 0
    said = capsys.readouterr()
    assert len(said.err.splitlines()) == 14
    assert said.err.splitlines()[0].startswith("belly: load_scan: 0.")
    lines = said.out.splitlines()
    assert lines[0].split() == ["piece", "parts", "pad", "cm3", "findings", "seconds"]
    assert lines[2].split()[:5] == ["belly", "2", "0", "1", "warning"]
    assert "lid: Make it wider" in said.out
    assert "safety data sheet" in said.out


def test_failed_piece_exits_1_and_the_others_finish(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job.write_text(JOB.format(thickness=50))
    assert run(job) == 1
    said = capsys.readouterr()
    assert "troll.toml: piece[2].shell.thickness_mm = 50. Choose at most 5 mm" in said.out
    assert (job.parent / "out/belly/parts/lid.stl").is_file()


def test_bad_job_file_exits_2_with_all_problems_and_no_traceback(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job.write_text(JOB.format(thickness='"thin"').replace("scan =", "scn =", 1))
    assert run(job) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "piece[1].scn: no such key (did you mean scan?)" in said.err
    assert 'piece[2].shell.thickness_mm = "thin": must be a number' in said.err
    assert "Traceback" not in said.err


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["melt"],
        ["run"],
        ["run", "nowhere.toml"],
        ["run", "JOB", "--workers", "0"],
        ["run", "JOB", "--workers", "many"],
        ["run", "JOB", "--piece", "shin"],
        ["demo", "--piece", "belly"],
    ],
)
def test_bad_call_exits_2_with_a_message(
    job: Path,
    arguments: list[str],
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(job.parent)
    assert main([str(job) if word == "JOB" else word for word in arguments]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.strip()
    assert "Traceback" not in said.err


def test_output_that_cannot_be_written_exits_2(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (job.parent / "out").write_text("a file")
    assert run(job) == 2
    assert "cannot write" in capsys.readouterr().err


def test_piece_and_again_are_passed_on(job: Path) -> None:
    assert run(job, "--piece", "calf") == 0
    assert not (job.parent / "out/belly").exists()
    fakes.CALLS.clear()
    assert run(job, "--piece", "calf") == 0
    assert fakes.CALLS == []
    assert run(job, "--piece", "calf", "--again") == 0
    assert len(fakes.CALLS) == 7


def test_results_go_to_out_and_the_job_s_name_unless_told(
    job: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(job.parent)
    assert main(["run", "troll.toml"]) == 0
    assert (job.parent / "out/troll/summary.json").is_file()


def test_ctrl_c_is_no_traceback(
    job: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def stopped(*arguments: object, **more: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("moldsmith.cli.run_job", stopped)
    assert run(job) == 130
    assert "goes on from the finished stages" in capsys.readouterr().err


def test_command_line_loads_nothing_heavy_before_it_knows_what_is_wanted() -> None:
    heavy = ["numpy", "scipy", "trimesh", "manifold3d", "shapely", "reportlab", "matplotlib"]
    script = f"import sys, moldsmith.cli; print([name for name in {heavy} if name in sys.modules])"
    printed = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert printed.stdout.strip() == "[]"


def test_installed_command_shows_its_help() -> None:
    command = Path(sys.executable).with_name("moldsmith")
    shown = subprocess.run([command, "--help"], capture_output=True, text=True, check=True)
    assert "demo" in shown.stdout
    assert "run" in shown.stdout
