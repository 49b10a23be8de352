"""The pieces of a job come out one by one; none is in another's way."""

from __future__ import annotations

import json
import logging
import os
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import psutil
import pytest
import trimesh

import fakes
from moldsmith import batch
from moldsmith.batch import run_job
from moldsmith.errors import BadJob, BadParameter, CannotBuild, CannotWrite
from moldsmith.gathering import gather, posed
from moldsmith.interrupts import interrupts_held
from moldsmith.job import read_job
from moldsmith.processes import worker_processes
from moldsmith.route import ONLY_WHEN_NAMED, ROUTE
from moldsmith.summary import PieceSummary
from moldsmith.supplies.printer import Printer
from moldsmith.workpiece import Workpiece

PIECE = """
[[piece]]
name = "{name}"
scan = "{name}.txt"
[piece.shell]
thickness_mm = {thickness}
"""


@pytest.fixture
def trivial_stages(monkeypatch: pytest.MonkeyPatch) -> None:
    fakes.CALLS.clear()
    fakes.take_over(monkeypatch)


@pytest.fixture
def job(tmp_path: Path, trivial_stages: None) -> Path:
    return written(tmp_path / "troll.toml", belly=3, calf=4)


def written(path: Path, **thickness: float) -> Path:
    path.write_text("".join(PIECE.format(name=n, thickness=t) for n, t in thickness.items()))
    for name in thickness:
        path.with_name(f"{name}.txt").write_text("10")
    return path


def summary_of(out: Path) -> list[dict[str, Any]]:
    pieces: list[dict[str, Any]] = json.loads((out / "summary.json").read_text())["pieces"]
    return pieces


def test_each_piece_gets_its_stages_parts_and_summary(job: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    summary = run_job(job, out=out)
    assert [piece.status for piece in summary.pieces] == ["finished", "finished"]
    assert sorted(path.name for path in (out / "belly").iterdir()) == [
        "01-load_scan",
        "02-heal",
        "03-shell",
        "04-block",
        "05-channels",
        "06-split",
        "07-overhangs",
        "parts",
        "sheet.html",
        "sheet.pdf",
        "sheet.png",
    ]
    assert (out / "index.html").is_file()
    belly = summary_of(out)[0]
    assert belly["name"] == "belly"
    assert belly["status"] == "finished"
    assert belly["pad_volume_cm3"] == pytest.approx(0.027)
    assert [part["file"] for part in belly["parts"]] == [
        "belly/parts/cavity.stl",
        "belly/parts/lid.stl",
    ]
    assert belly["parts"][0]["volume_cm3"] == pytest.approx(64, rel=1e-5)
    assert [len(part["findings"]) for part in belly["parts"]] == [0, 1]
    assert belly["findings"][0]["code"] == "tight"
    assert belly["seconds"] >= 0


def test_parts_stand_on_the_bed_as_posed(job: Path, tmp_path: Path) -> None:
    summary = run_job(job, out=tmp_path / "out")
    for part in summary.pieces[0].parts:
        mesh = trimesh.load_mesh(tmp_path / "out" / part.file)
        assert mesh.is_watertight
        assert mesh.bounds[0][2] == 0
        assert mesh.volume / 1000 == pytest.approx(part.volume_cm3, abs=1e-3)
        np.testing.assert_allclose(mesh.extents, part.size_mm, atol=1e-3)
        assert max(part.size_mm) > 41  # a turned box is larger than the box


def test_job_run_again_reads_finished_stages_back(job: Path, tmp_path: Path) -> None:
    first = run_job(job, out=tmp_path / "out")
    fakes.CALLS.clear()
    second = run_job(job, out=tmp_path / "out")
    assert fakes.CALLS == []
    assert second.pieces[0].parts == first.pieces[0].parts
    run_job(job, out=tmp_path / "out", piece="belly", again=True)
    made = [stage for stage in ROUTE if stage not in ONLY_WHEN_NAMED]
    assert made == fakes.CALLS


def test_failing_piece_stops_no_other_and_names_the_job_key(tmp_path: Path, job: Path) -> None:
    written(job, belly=90, calf=4)
    summary = run_job(job, out=tmp_path / "out")
    assert summary.failed == ("belly",)
    belly, calf = summary_of(tmp_path / "out")
    expected = "belly: troll.toml: piece[1].shell.thickness_mm = 90. Choose at most 5 mm"
    assert belly["error"] == expected
    assert belly["parts"] == []
    assert calf["status"] == "finished"


def test_missing_scan_fails_its_piece_only(tmp_path: Path, job: Path) -> None:
    (tmp_path / "belly.txt").unlink()
    summary = run_job(job, out=tmp_path / "out")
    assert summary.failed == ("belly",)
    assert "belly: load_scan: there is no file" in summary.pieces[0].error


def test_programming_error_fails_its_piece_only(
    tmp_path: Path, job: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with job.open("a") as file:
        file.write("[piece.channels]\ncount = 13\n")
    summary = run_job(job, out=tmp_path / "out")
    assert summary.failed == ("calf",)
    assert summary.pieces[1].error == "calf: channels: ZeroDivisionError: a slip of the programmer"
    assert "calf: channels failed unexpectedly" in caplog.text


def test_failed_rerun_leaves_the_earlier_parts(tmp_path: Path, job: Path) -> None:
    run_job(job, out=tmp_path / "out")
    before = (tmp_path / "out/belly/parts/cavity.stl").read_bytes()
    run_job(written(job, belly=90, calf=4), out=tmp_path / "out")
    assert (tmp_path / "out/belly/parts/cavity.stl").read_bytes() == before


def test_parts_that_are_none_any_more_are_removed(tmp_path: Path, job: Path) -> None:
    run_job(job, out=tmp_path / "out")
    with job.open("a") as file:
        file.write("[piece.split]\nhalves = true\n")
    run_job(job, out=tmp_path / "out")
    assert [path.name for path in (tmp_path / "out/calf/parts").iterdir()] == ["cavity.stl"]


def test_summary_keeps_the_other_pieces_when_one_is_made(tmp_path: Path, job: Path) -> None:
    run_job(job, out=tmp_path / "out")
    summary = run_job(job, out=tmp_path / "out", piece="calf")
    assert [piece.name for piece in summary.pieces] == ["calf"]
    assert [piece["name"] for piece in summary_of(tmp_path / "out")] == ["belly", "calf"]


def test_summary_forgets_pieces_that_left_the_job(tmp_path: Path, job: Path) -> None:
    run_job(job, out=tmp_path / "out")
    run_job(written(job, calf=4), out=tmp_path / "out")
    assert [piece["name"] for piece in summary_of(tmp_path / "out")] == ["calf"]


def test_any_executor_will_do(tmp_path: Path, job: Path) -> None:
    with ThreadPoolExecutor(2) as threads:
        summary = run_job(job, out=tmp_path / "out", executor=threads)
    assert [piece.name for piece in summary.pieces] == ["belly", "calf"]
    assert summary.failed == ()


def test_threads_and_a_single_worker_write_the_same_files(tmp_path: Path, job: Path) -> None:
    run_job(job, out=tmp_path / "one")
    with ThreadPoolExecutor(2) as threads:
        run_job(job, out=tmp_path / "two", executor=threads)
    files = sorted(path.relative_to(tmp_path / "one") for path in tmp_path.glob("one/**/*.stl"))
    assert len(files) == 2 * (1 + 1 + 2 + 2)
    for file in files:
        assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes()


def test_ctrl_c_leaves_finished_stages_and_pieces(
    tmp_path: Path, job: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    block = fakes.block

    def stopped(piece: Workpiece, *, wall_mm: float = 6.0) -> Workpiece:
        if piece.name == "calf":
            raise KeyboardInterrupt
        return block(piece, wall_mm=wall_mm)

    monkeypatch.setattr(fakes, "block", stopped)
    with pytest.raises(KeyboardInterrupt, match=r"^$"):
        run_job(job, out=tmp_path / "out")
    assert [piece["name"] for piece in summary_of(tmp_path / "out")] == ["belly"]
    monkeypatch.undo()
    fakes.take_over(monkeypatch)
    fakes.CALLS.clear()
    assert run_job(job, out=tmp_path / "out").failed == ()
    assert fakes.CALLS == ["block", "channels", "split", "overhangs"]


def test_messages_of_worker_processes_come_home(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.INFO, "moldsmith"), worker_processes(1) as pool:
        process = pool.submit(fakes.greet, "belly").result()
    assert process != os.getpid()
    assert "belly: greeted" in caplog.text


def test_workers_are_not_waited_for_when_the_batch_breaks_off() -> None:
    worker = 0

    def broken_off() -> None:
        nonlocal worker
        with worker_processes(1) as pool:
            worker = pool.submit(os.getpid).result()
            pool.submit(time.sleep, 300)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt, match=r"^$"):
        broken_off()
    assert not psutil.pid_exists(worker)


def test_script_whose_workers_would_ask_for_workers_is_told_how(tmp_path: Path) -> None:
    script = tmp_path / "many.py"
    script.write_text("import moldsmith\nmoldsmith.run_job('troll.toml', workers=2)\n")
    job = "".join(PIECE.format(name=name, thickness=3) for name in ("belly", "calf"))
    (tmp_path / "troll.toml").write_text(job)
    run = subprocess.run([sys.executable, script], cwd=tmp_path, capture_output=True, text=True)
    assert run.returncode == 1
    last = run.stderr.splitlines()[-1]
    assert "BadParameter: workers = 2: no worker process could begin" in last
    assert "if __name__ == '__main__':" in last
    assert run.stderr.count("Traceback") == 1


def test_ctrl_c_is_not_lost_in_imports() -> None:
    imported = []

    def importing() -> None:
        with interrupts_held():
            try:
                signal.raise_signal(signal.SIGINT)
            except BaseException:  # as some libraries have it
                imported.append("half of it")
            imported.append("all of it")

    before = signal.signal(signal.SIGINT, signal.default_int_handler)  # ignored in the background
    try:
        with pytest.raises(KeyboardInterrupt, match=r"^$"):
            importing()
    finally:
        signal.signal(signal.SIGINT, before)
    assert imported == ["all of it"]


def test_run_that_does_not_heed_ctrl_c_does_not_while_it_imports() -> None:
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        with interrupts_held():
            signal.raise_signal(signal.SIGINT)
        assert signal.getsignal(signal.SIGINT) == signal.SIG_IGN
    finally:
        signal.signal(signal.SIGINT, before)


def test_piece_that_kills_its_process_takes_no_other_along(
    tmp_path: Path, job: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(batch, "run_piece", fakes.die_on_belly)
    summary = run_job(job, out=tmp_path / "out", workers=2)
    assert summary.failed == ("belly",)
    assert "its worker process died" in summary.pieces[0].error


def test_piece_of_the_largest_scan_is_begun_first(
    tmp_path: Path, job: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    job.with_name("calf.txt").write_text(" " * 100_000 + "10")
    begun = []

    def noted(task: batch.Task) -> PieceSummary:
        begun.append(task.order.name)
        return PieceSummary(task.order.name, "finished", 0.0)

    monkeypatch.setattr(batch, "run_piece", noted)
    tasks = [batch.Task(order, "", tmp_path / order.name) for order in read_job(job).pieces]
    with ThreadPoolExecutor(1) as one:
        list(batch._fed(tasks, one, 1))
    assert begun == ["calf", "belly"]


def test_bad_calls_are_refused(tmp_path: Path, job: Path) -> None:
    with pytest.raises(BadParameter, match=r"workers = 0\. Choose 1 or more"):
        run_job(job, out=tmp_path / "out", workers=0)
    with pytest.raises(BadJob, match=r"no piece is named \"shin\". It has: belly, calf"):
        run_job(job, out=tmp_path / "out", piece="shin")
    assert not (tmp_path / "out").exists()
    (tmp_path / "out").write_text("a file")
    with pytest.raises(CannotWrite, match="cannot write"):
        run_job(job, out=tmp_path / "out")


def test_part_that_opens_when_turned_is_not_written(tmp_path: Path, trivial_stages: None) -> None:
    torn = fakes.box()
    torn.update_faces(np.arange(len(torn.faces)) > 0)
    piece = Workpiece("belly", {"cavity": torn, "lid": torn})
    piece = fakes.split(piece, printer=Printer())
    with pytest.raises(CannotBuild, match="belly: part cavity does not stay closed"):
        gather(piece, tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_corners_that_rounding_makes_one_leave_a_closed_part() -> None:
    # Far out a float32 step is 6e-5 mm: two corners 1e-5 mm apart fall on one.
    vertices = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1], [1e-5, 0, 0]])
    vertices[:, 0] += 1000
    faces = [[0, 2, 4], [4, 2, 1], [0, 4, 3], [4, 1, 3], [1, 2, 3], [2, 0, 3]]
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    assert mesh.is_watertight
    turned = posed(mesh, np.eye(4))
    assert turned.is_watertight
    assert len(turned.vertices) == 4
