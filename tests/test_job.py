"""A job file is checked as a whole, and every problem says where it is and what is allowed."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pytest
from numpy.typing import ArrayLike, NDArray

import fakes
from moldsmith.data import data_path
from moldsmith.errors import BadJob
from moldsmith.job import read_job
from moldsmith.route import ONLY_WHEN_NAMED, ROUTE, parameters
from moldsmith.supplies.materials import material
from moldsmith.supplies.printer import Printer
from moldsmith.values import Misfit, conform, described

Vector = tuple[float, float, float]

GOOD = """
[printer]
volume_mm = [200, 210, 220]

[defaults.load_scan]
unit = "m"

[defaults.shell]
thickness_mm = 3

[[piece]]
name = "belly"
scan = "scans/belly.ply"
unit = "mm"
[piece.shell]
side = "outward"
[piece.crop]
planes = [[[0, 0, 900], [0, 0, 1]], [[0, 0, 1250], [0, 0, -1]]]

[[piece]]
name = "left calf"
scan = "calf.stl"
[piece.shell]
thickness_mm = 4.5
"""


@pytest.fixture(autouse=True)
def _trivial_stages(monkeypatch: pytest.MonkeyPatch) -> None:
    fakes.take_over(monkeypatch)


@pytest.fixture
def job(tmp_path: Path) -> Path:
    path = tmp_path / "troll.toml"
    path.write_text(GOOD)
    return path


def problems(path: Path, text: str) -> str:
    path.write_text(text)
    with pytest.raises(BadJob, match=re.escape(str(path))) as caught:
        read_job(path)
    return str(caught.value)


def test_good_file_gives_each_piece_its_stages_in_working_order(job: Path) -> None:
    read = read_job(job)
    assert read.supplies.printer == Printer(volume_mm=(200, 210, 220))
    belly, calf = read.pieces
    assert (belly.name, belly.number, belly.scan) == ("belly", 1, job.parent / "scans/belly.ply")
    always = [stage for stage in ROUTE if stage not in ONLY_WHEN_NAMED]
    assert list(calf.settings) == always
    assert list(belly.settings) == [s for s in ROUTE if s in always or s == "crop"]


def test_piece_overrides_default_key_by_key(job: Path) -> None:
    belly, calf = read_job(job).pieces
    assert belly.settings["shell"] == {"thickness_mm": 3.0, "side": "outward"}
    assert calf.settings["shell"] == {"thickness_mm": 4.5}
    assert belly.settings["load_scan"] == {"unit": "mm"}
    assert calf.settings["load_scan"] == {"unit": "m"}


def test_values_take_the_types_of_the_stage(job: Path) -> None:
    settings = read_job(job).pieces[0].settings
    assert isinstance(settings["shell"]["thickness_mm"], float)
    assert settings["crop"]["planes"] == (
        ((0.0, 0.0, 900.0), (0.0, 0.0, 1.0)),
        ((0.0, 0.0, 1250.0), (0.0, 0.0, -1.0)),
    )


def test_stage_parameters_are_job_keys_without_a_further_line() -> None:
    assert list(parameters("crop")) == ["planes", "keep"]
    assert list(parameters("split")) == ["halves"]
    assert list(parameters("load_scan")) == ["unit", "up"]
    assert parameters("shell")["thickness_mm"].required


@pytest.mark.parametrize(
    ("change", "report"),
    [
        (("[printer]", "[printr]"), "printr: no such key (did you mean printer?)"),
        (("volume_mm", "volume"), "printer.volume: no such key (did you mean volume_mm?)"),
        (
            ("[200, 210, 220]", "[200, 210]"),
            "printer.volume_mm = [200, 210]: must be an array of 3 (each a number)",
        ),
        (("[200, 210, 220]", '[200, 210, "x"]'), 'printer.volume_mm[3] = "x": must be a number'),
        (("[200, 210, 220]", "[200, 210, 0]"), "each above 0 and below 10000"),
        (("defaults.shell", "defaults.shall"), "defaults.shall: no such key (did you mean shell?)"),
        (("thickness_mm = 3", "thickness = 3"), "defaults.shell.thickness: no such key (did you"),
        (
            ("thickness_mm = 3", ""),
            "piece[1].shell.thickness_mm: missing; must be a number",
        ),
        (
            ("4.5", '"thin"'),
            'piece[2].shell.thickness_mm = "thin": must be a number',
        ),
        (("4.5", "true"), "piece[2].shell.thickness_mm = true: must be a number"),
        (("4.5", "nan"), "piece[2].shell.thickness_mm = NaN: must be a number"),
        (
            ('"outward"', '"up"'),
            'piece[1].shell.side = "up": must be "inward" or "outward"',
        ),
        (
            ("[0, 0, -1]", "[0, 0]"),
            "piece[1].crop.planes[2][2] = [0, 0]: must be an array of 3 (each a number)",
        ),
        (('unit = "mm"', 'unit = "ell"'), 'piece[1].unit = "ell": must be "mm" or "m"'),
        (('unit = "mm"', 'units = "mm"'), "piece[1].units: no such key (did you mean unit?)"),
        (('scan = "calf.stl"', ""), "piece[2].scan: missing; must be a text"),
        (('"left calf"', '"a/b"'), 'piece[2].name = "a/b": must be letters'),
        (('"left calf"', '".."'), 'piece[2].name = "..": must be letters'),
        (('"left calf"', "7"), "piece[2].name = 7: must be a text"),
        (('"left calf"', f'"{"x" * 61}"'), "must be at most 60 letters long"),
        (('"left calf"', '"nul"'), 'piece[2].name = "nul": must be another name'),
        (('"left calf"', '"Index.html"'), 'piece[2].name = "Index.html": must be another name'),
        (('"calf.stl"', r'"a\u0000b.stl"'), 'piece[2].scan = "a\\u0000b.stl": must be a text'),
        (('"left calf"', '"Belly"'), 'piece[2].name = "Belly": piece[1] has it'),
        (("[piece.shell]\nside", "shell = 3\n[piece.block]\nside"), "piece[1].shell = 3: must be"),
    ],
)
def test_problem_names_key_value_and_what_is_allowed(
    job: Path, change: tuple[str, str], report: str
) -> None:
    assert change[0] in GOOD
    assert report in problems(job, GOOD.replace(*change, 1))


def test_all_problems_of_a_file_are_reported_at_once(job: Path) -> None:
    text = GOOD.replace("4.5", "true").replace('"outward"', '"up"').replace("volume_mm", "volume")
    report = problems(job, text)
    assert "3 problems" in report
    assert len(report.splitlines()) == 4


@pytest.mark.parametrize("text", ["", "[printer]\n", "piece = 3\n", "piece = []\n"])
def test_job_without_pieces_is_refused(job: Path, text: str) -> None:
    assert "give each piece a [[piece]] table with name and scan" in problems(job, text)


def test_broken_toml_is_reported_with_its_line(job: Path) -> None:
    assert "line 3" in problems(job, "[printer]\nvolume_mm = [1,\n=")


def test_unreadable_job_is_a_job_error(tmp_path: Path) -> None:
    with pytest.raises(BadJob, match=r"nowhere\.toml: cannot be read"):
        read_job(tmp_path / "nowhere.toml")
    with pytest.raises(BadJob, match="cannot be read"):
        read_job(tmp_path)
    (tmp_path / "latin.toml").write_bytes(b"name = '\xe9'")
    with pytest.raises(BadJob, match="is not UTF-8"):
        read_job(tmp_path / "latin.toml")


def test_one_piece_can_be_picked_by_name(job: Path) -> None:
    assert [piece.name for piece in read_job(job).only("belly").pieces] == ["belly"]
    with pytest.raises(BadJob, match=r'no piece is named "bely" \(did you mean belly\?\)'):
        read_job(job).only("bely")


@pytest.mark.parametrize(
    ("hint", "value", "result"),
    [
        (float, 3, 3.0),
        (int, 3, 3),
        (bool, True, True),
        (float | None, 2, 2.0),
        (str | Vector, [1, 2, 3], (1.0, 2.0, 3.0)),
        (str | Vector, "z", "z"),
        (Literal["a", 2], 2, 2),
        (list[int], [1, 2], [1, 2]),
        (Sequence[float] | None, [1, 2], (1.0, 2.0)),
        (Mapping[str, float], {"a": 1}, {"a": 1.0}),
        (Path, "a/b", Path("a/b")),
        (ArrayLike, [[1, 2], [3, 4]], [[1, 2], [3, 4]]),
        (NDArray[np.float64], [1, 2], [1, 2]),
    ],
)
def test_values_that_fit_are_taken(hint: Any, value: Any, result: Any) -> None:
    assert conform(value, hint, "key") == result
    assert type(conform(value, hint, "key")) is type(result)


@pytest.mark.parametrize(
    ("hint", "value", "allowed"),
    [
        (float, "3", "a number"),
        (float, float("inf"), "a number"),
        (int, 3.0, "a whole number"),
        (int, True, "a whole number"),
        (bool, 1, "true or false"),
        (str | Vector, [1, 2], "a text, or an array of 3 (each a number)"),
        (Literal["a", 2], "b", '"a" or 2'),
        (Sequence[float], 3, "an array (each a number)"),
        (Mapping[str, float], 3, "a table (each a number)"),
        (ArrayLike, [[1], [2, 3]], "an array of numbers"),
        (Path, 3, "a path"),
        (tuple[Vector, float], 3, "an array of an array of 3 (each a number), then a number"),
    ],
)
def test_values_that_do_not_fit_are_refused_with_what_would(
    hint: Any, value: Any, allowed: str
) -> None:
    assert described(hint) == allowed
    with pytest.raises(Misfit, match="key"):
        conform(value, hint, "key")


def test_job_saved_with_a_byte_order_mark_is_read(job: Path) -> None:
    job.write_bytes(b"\xef\xbb\xbf" + GOOD.encode())
    assert [piece.name for piece in read_job(job).pieces] == ["belly", "left calf"]


def test_names_are_the_same_however_their_letters_are_put_together(job: Path) -> None:
    job.write_text(GOOD.replace("left calf", "ba\u0308uchlein"), encoding="utf-8")
    assert read_job(job).pieces[1].name == "bäuchlein"
    assert read_job(job).only("ba\u0308uchlein").pieces[0].number == 2


def test_demo_job_of_the_project_names_known_stages() -> None:
    assert data_path("demo/troll.toml").is_file()


def test_job_names_filament_and_material_for_all_its_stages(tmp_path: Path, job: Path) -> None:
    (tmp_path / "own.toml").write_text('like = "foam-80"\nfree_rise_kg_m3 = 72\n')
    supplied = '[filament]\nlike = "PETG"\nleft_g = [820, 140]\n[material]\nlike = "foam-160"\n'
    own = '[piece.material]\nsheet = "own.toml"\n'
    job.write_text(supplied + GOOD + own)
    belly, calf = read_job(job).pieces
    assert belly.supplies.filament.density_g_cm3 == pytest.approx(1.27)
    assert belly.supplies.filament.left_g == (820.0, 140.0)
    assert belly.supplies.material == material("foam-160")
    assert calf.supplies.material is not None
    assert calf.supplies.material.free_rise_kg_m3 == 72


@pytest.mark.parametrize(
    ("table", "problem"),
    [
        ('[material]\nlike = "jelly"', "material: like = 'jelly': no such class"),
        ('[material]\nlike = "foam-80"\nsheet = "a.toml"', "material.sheet: stands alone"),
        ('[material]\nsheet = "none.toml"', "none.toml: cannot be read"),
        ("[material]\nsheet = 3", "material.sheet = 3: must be the path of a data sheet"),
        ('[filament]\nlike = "straw"', "filament: no filament class is named 'straw'"),
        ("[filament]\nleft_g = -1", "filament.left_g = -1: must be an array"),
        ("[filament]\ndiameter_mm = 9", "filament PLA: diameter_mm = 9"),
        ("[filament]\ncolour = 1", "filament.colour: no such key"),
    ],
)
def test_wrong_supplies_are_named(job: Path, table: str, problem: str) -> None:
    job.write_text(f"{table}\n{GOOD}")
    with pytest.raises(BadJob, match=re.escape(problem)):
        read_job(job)
