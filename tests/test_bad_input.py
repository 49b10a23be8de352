"""What goes wrong is named: what, where, what to do; and what was made before stays."""

from __future__ import annotations

import logging
import struct
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import trimesh

import moldsmith as ms
from moldsmith.cli import main
from moldsmith.geometry import stl
from shapes import heightfield

JOB = """
[printer]
volume_mm = [220, 220, 250]
[[piece]]
name = "belly"
scan = "belly.stl"
unit = "mm"
[piece.crop]
planes = [[[0, 0, 50], [0, 0, 1]]]
[piece.shell]
thickness_mm = 5
cell_mm = 4
[piece.block]
style = "cored"
"""


@pytest.fixture(autouse=True)
def _quiet() -> Iterator[None]:
    logger = logging.getLogger("moldsmith")
    before = (logger.handlers, logger.level, logger.propagate)
    yield
    logger.handlers, logger.propagate = before[0], before[2]
    logger.setLevel(before[1])


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A job whose scan is a ball of 200 mm."""
    ball = trimesh.creation.icosphere(3, 100)
    (tmp_path / "belly.stl").write_bytes(stl.encode(ball.vertices, ball.faces))
    path = tmp_path / "troll.toml"
    path.write_text(JOB)
    return path


def run(job: Path, out: str = "out") -> int:
    return main(["run", str(job), "--out", str(job.parent / out)])


def empty(job: Path) -> None:
    (job.parent / "belly.stl").write_bytes(b"")


def cut_short(job: Path) -> None:
    scan = job.parent / "belly.stl"
    scan.write_bytes(scan.read_bytes()[:-70])


def not_numbers(job: Path) -> None:
    scan = job.parent / "belly.stl"
    data = bytearray(scan.read_bytes())
    struct.pack_into("<f", data, 84 + 50 * 3 + 12, float("nan"))
    scan.write_bytes(bytes(data))


def without_area(job: Path) -> None:
    line = np.array([[0, 0, 0], [500, 0, 0], [900, 0, 0]], dtype=float)
    (job.parent / "belly.stl").write_bytes(stl.encode(line, np.array([[0, 1, 2]])))


def missing(job: Path) -> None:
    (job.parent / "belly.stl").unlink()


BAD_SCANS = [
    (empty, r"belly.stl is empty"),
    (cut_short, r"belly.stl.*cut short"),
    (not_numbers, r"not numbers"),
    (without_area, r"no area"),
    (missing, r"there is no file"),
]
BAD_VALUES = [
    ('unit = "mm"', 'unit = "m"', 1, "200000 mm|200 m|with unit = 'm'"),
    ("[0, 0, 50]", "[0, 0, 5000]", 1, "crop"),
    ("thickness_mm = 5", "thickness_mm = 190\nedge_mm = 190", 1, "more than the body is deep"),
    ('style = "cored"', "floor_mm = 2", 1, "thinner than its wall of 6 mm"),
    ("[220, 220, 250]", "[15, 15, 15]", 1, "a part must hold a key"),
    ("thickness_mm = 5", "thicknes_mm = 5", 2, "no such key .did you mean thickness_mm"),
]


@pytest.mark.parametrize(("spoil", "said"), BAD_SCANS)
def test_a_bad_scan_exits_1_and_says_what_is_wrong(
    job: Path, spoil: object, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    spoil(job)  # type: ignore[operator]
    assert run(job) == 1
    shown = capsys.readouterr()
    assert_clear(shown.out + shown.err, said)
    with pytest.raises(ms.BadScan, match=said):
        ms.load_scan(job.parent / "belly.stl", unit="mm")


@pytest.mark.parametrize(("right", "wrong", "code", "said"), BAD_VALUES)
def test_a_bad_value_is_named_with_its_remedy(
    job: Path, right: str, wrong: str, code: int, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    job.write_text(JOB.replace(right, wrong))
    assert run(job) == code
    shown = capsys.readouterr()
    assert_clear(shown.out + shown.err, said)


def assert_clear(text: str, said: str) -> None:
    import re

    assert re.search(said, text), text
    assert "belly" in text or "piece[1]" in text  # where
    assert "Traceback" not in text


def test_a_failure_leaves_what_was_made_before(job: Path) -> None:
    assert run(job) == 0
    out = job.parent / "out"
    before = {
        path.relative_to(out): path.read_bytes()
        for path in sorted(out.rglob("*.stl"))
        if path.is_file()
    }
    assert any(path.parts[1] == "parts" for path in before)
    logs = {path: path.read_bytes() for path in sorted(out.rglob("log.json"))}
    job.write_text(JOB.replace('style = "cored"', "floor_mm = 2"))
    assert run(job) == 1
    for path, data in logs.items():
        assert path.read_bytes() == data
    for path, data in before.items():
        assert (out / path).read_bytes() == data


@pytest.mark.parametrize("out", ["belly.stl", "belly.stl/under", "belly.stl/under/it"])
def test_an_output_folder_that_cannot_be_made_exits_2(
    job: Path, out: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file where a folder should be also stops those whom permissions do not."""
    before = (job.parent / "belly.stl").read_bytes()
    assert run(job, out) in (1, 2)
    shown = capsys.readouterr()
    assert "cannot write" in shown.out + shown.err
    assert "Traceback" not in shown.out + shown.err
    assert (job.parent / "belly.stl").read_bytes() == before


def test_a_read_only_output_folder_is_an_error_of_ours(job: Path) -> None:
    out = job.parent / "locked"
    out.mkdir()
    out.chmod(0o500)
    try:
        (out / "probe").write_text("")
    except PermissionError:
        with pytest.raises(ms.MoldsmithError, match="cannot write"):
            ms.load_scan(job.parent / "belly.stl", unit="mm", folder=out / "belly")
    finally:
        out.chmod(0o700)
    blocked = job.parent / "belly.stl" / "out"
    with pytest.raises(ms.MoldsmithError, match="cannot write"):
        ms.load_scan(job.parent / "belly.stl", unit="mm", folder=blocked)


def test_a_crop_that_removes_everything_says_so() -> None:
    piece = ms.Workpiece("belly", {"scan": heightfield(lambda x, y: 0 * x)})
    with pytest.raises(ms.BadParameter, match=r"belly: crop: .*(leave|remove|nothing)"):
        ms.crop(piece, planes=[((0, 0, 500), (0, 0, 1))])
