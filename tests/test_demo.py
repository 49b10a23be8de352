"""The demo's scan has what a phone's scan brings, and its job comes out printable."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from importlib import resources
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import trimesh

from demo_runs import DemoRun
from moldsmith import demo
from moldsmith.batch import run_job
from moldsmith.geometry.topology import border_loops, components
from moldsmith.job import read_job
from moldsmith.route import LOADING, ONLY_WHEN_NAMED, ROUTE

PRINTER_MM = np.array([220.0, 220.0, 250.0])

STAGES = [stage for stage in ROUTE if stage not in ONLY_WHEN_NAMED or stage == "crop"]


@pytest.fixture(scope="module")
def scan() -> trimesh.Trimesh:
    return demo.make_scan()


@pytest.fixture(scope="module")
def form(scan: trimesh.Trimesh) -> trimesh.Trimesh:
    """The largest piece of the scan: the dress form itself."""
    _, label = components(scan.faces)
    return trimesh.Trimesh(scan.vertices, scan.faces[label == np.bincount(label).argmax()])


def test_scan_has_about_150_000_triangles(scan: trimesh.Trimesh) -> None:
    assert 140_000 < len(scan.faces) < 165_000


def test_scan_is_of_a_dress_form_that_stands_upright(form: trimesh.Trimesh) -> None:
    low, high = form.bounds
    assert 850 < low[2] < 870  # the hip, on its stand
    assert 1500 < high[2] < 1550  # the neck
    assert -250 < low[1] < -190  # the belly, to the front
    assert high[0] > 1.05 * -low[0]  # one shoulder is higher and wider than the other


def test_scan_has_fragments_a_floor_and_holes(scan: trimesh.Trimesh, form: trimesh.Trimesh) -> None:
    count, label = components(scan.faces)
    assert count > 20
    floor = [
        np.ptp(scan.vertices[scan.faces[label == piece]].reshape(-1, 3), axis=0)
        for piece in range(count)
        if scan.vertices[scan.faces[label == piece], 2].max() < 10
    ]
    assert len(floor) == 1
    assert floor[0][0] > 400
    assert len(border_loops(form.faces)) > 15  # the open hip, and holes


def test_scan_s_triangles_are_of_all_sizes(form: trimesh.Trimesh) -> None:
    small, large = np.percentile(form.area_faces, [5, 95])
    assert large / small > 5


def test_scan_is_rough_as_a_phone_s(form: trimesh.Trimesh) -> None:
    """Points stray from their neighbours' mean by some tenths of a millimetre."""
    mean = trimesh.smoothing.laplacian_calculation(form) @ form.vertices
    along_normal = ((form.vertices - mean) * form.vertex_normals).sum(axis=1)
    assert 0.1 < np.median(np.abs(along_normal)) / 0.6745 < 0.6


def test_same_seed_gives_the_same_bytes_in_metres(tmp_path: Path) -> None:
    demo.set_up(tmp_path / "one")
    demo.set_up(tmp_path / "two")
    one = (tmp_path / "one/scan/troll.ply").read_bytes()
    assert one == (tmp_path / "two/scan/troll.ply").read_bytes()
    assert np.ptp(trimesh.load_mesh(tmp_path / "one/scan/troll.ply").vertices[:, 2]) < 2


def test_demo_job_is_a_good_job_file(tmp_path: Path) -> None:
    job = read_job(demo.set_up(tmp_path))
    assert [piece.name for piece in job.pieces] == ["belly", "shoulder", "calf"]
    assert all(list(piece.settings) == STAGES for piece in job.pieces)
    assert all(piece.settings[LOADING]["unit"] == "m" for piece in job.pieces)


@pytest.fixture(scope="module")
def out(demo_run: DemoRun) -> Path:
    return demo_run.out


def test_demo_says_a_line_a_stage_from_both_workers(demo_run: DemoRun) -> None:
    assert len(demo_run.said.splitlines()) == 3 * len(STAGES)


def pieces(out: Path) -> list[dict[str, Any]]:
    listed: list[dict[str, Any]] = json.loads((out / "summary.json").read_text())["pieces"]
    return listed


def test_demo_makes_three_pieces(out: Path) -> None:
    assert [(piece["name"], piece["status"]) for piece in pieces(out)] == [
        ("belly", "finished"),
        ("shoulder", "finished"),
        ("calf", "finished"),
    ]


def test_demo_s_parts_are_closed_and_whole_and_fit_the_printer(out: Path) -> None:
    for piece in pieces(out):
        assert piece["parts"]
        for part in piece["parts"]:
            mesh = trimesh.load_mesh(out / part["file"])
            assert mesh.is_watertight
            assert mesh.is_winding_consistent
            assert components(mesh.faces)[0] == 1
            assert mesh.volume > 0
            assert mesh.bounds[0][2] == 0
            assert (mesh.extents <= PRINTER_MM + 1e-3).all()


def test_belly_is_larger_than_the_printer_and_gets_split(out: Path) -> None:
    belly, shoulder, calf = pieces(out)
    assert len(belly["parts"]) > len(shoulder["parts"])
    assert {part["body"].split("-")[0] for part in belly["parts"]} == {"cavity", "core"}
    assert {part["body"].split("-")[0] for part in shoulder["parts"]} == {"cavity", "lid"}
    assert {part["body"].split("-")[0] for part in calf["parts"]} == {"side", "core"}


def test_demo_run_again_reads_every_stage_back(out: Path, tmp_path: Path) -> None:
    """In a copy: other test files read the demo's run at the same time."""
    again = tmp_path / "again"
    shutil.copytree(out, again, copy_function=os.link)  # files are replaced, never changed
    command = Path(sys.executable).with_name("moldsmith")
    done = subprocess.run(
        [command, "demo", "--out", str(again)], capture_output=True, text=True, check=True
    )
    assert done.stderr.count("read back") == 3 * len(STAGES)
    files = sorted(path.relative_to(again) for path in again.rglob("*.*") if path.is_file())
    assert files == sorted(path.relative_to(out) for path in out.rglob("*.*") if path.is_file())
    for file in files:
        if file.suffix in (".stl", ".ply", ".toml"):
            assert (again / file).read_bytes() == (out / file).read_bytes()


def test_one_piece_made_alone_has_the_same_bytes(out: Path, tmp_path: Path) -> None:
    """Another process, another folder, one worker: apart from time and memory nothing differs."""
    run_job(out / demo.JOB_NAME, out=tmp_path, piece="shoulder")
    files = sorted(path.relative_to(tmp_path) for path in tmp_path.glob("shoulder/**/*.*"))
    assert len(files) > 2 * len(STAGES)
    for file in files:
        if file.name == "log.json":
            assert without_measures(tmp_path / file) == without_measures(out / file)
        else:
            assert (tmp_path / file).read_bytes() == (out / file).read_bytes()


def without_measures(path: Path) -> dict[str, Any]:
    record = json.loads(path.read_text(encoding="utf-8"))
    return {
        key: value
        for key, value in record.items()
        if key not in ("started_utc", "seconds", "peak_memory_mb")
    }


def test_logs_of_real_stages_follow_the_published_schema(out: Path) -> None:
    text = resources.files("moldsmith").joinpath("stage_log.schema.json").read_text("utf-8")
    validator = jsonschema.Draft202012Validator(json.loads(text))
    logs = sorted(out.glob("*/*/log.json"))
    assert len(logs) == 3 * len(STAGES)
    for path in logs:
        validator.validate(json.loads(path.read_text(encoding="utf-8")))
