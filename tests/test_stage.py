"""A stage writes whole files, says what it did, and is not done twice."""

from __future__ import annotations

import inspect
import json
import logging
from importlib import resources
from pathlib import Path
from typing import Any, Literal

import jsonschema
import numpy as np
import pytest
import trimesh

import fakes
from moldsmith.errors import BadParameter, CannotBuild, CannotWrite
from moldsmith.geometry import stl
from moldsmith.stage import anew, stage
from moldsmith.supplies.printer import Printer
from moldsmith.workpiece import Finding, Workpiece

CALLS: list[str] = []


@stage
def carve(piece: Workpiece, *, size_mm: float = 10.0, files: int = 1) -> Workpiece:
    """Carve a block.

    size_mm : edge
    """
    CALLS.append("carve")
    rough = trimesh.creation.icosphere(subdivisions=2, radius=size_mm / 3)
    bodies = {"pad": rough, **{f"chip-{n}": fakes.box(size_mm) for n in range(files)}}
    return piece.with_named(bodies).note(
        {"size_mm": np.float64(size_mm), "lost": float("nan"), "folder": Path("a/b")},
        [Finding("chip", "note", "Sweep up", "pad", (1.0, float("inf"), 2.0))],
        {"chips.txt": b"chips"},
    )


@stage
def paint(piece: Workpiece, *, coats: int = 1) -> Workpiece:
    CALLS.append("paint")
    return piece.note({"coats": coats, "area_mm2": piece.body("pad").area})


@stage
def varnish(
    piece: Workpiece,
    *,
    finish: Literal["gloss", "satin", "raw"] = "raw",
    layers: int = 1,
    thick_mm: float = 0.1,
    way: tuple[float, float, float] | None = None,
    chart: str | Path | None = None,
    printer: Printer = Printer(),  # noqa: B008 - frozen
) -> Workpiece:
    CALLS.append("varnish")
    return piece


@stage
def drop(piece: Workpiece, *, how: str = "softly") -> Workpiece:
    CALLS.append("drop")
    if how == "hard":
        raise BadParameter(f"how = {how}", "Choose softly")
    if how == "clumsily":
        raise RuntimeError(f"it slipped, {float('nan')}")
    if how == "never":
        return piece.with_bodies(pad=fakes.box(3)).note(
            findings=[Finding("stuck", "stop", "It is glued to the table", "pad")]
        )
    return piece.with_bodies(pad=fakes.box(3))


@pytest.fixture(autouse=True)
def _fresh() -> None:
    CALLS.clear()


@pytest.fixture
def piece(tmp_path: Path) -> Workpiece:
    return Workpiece("belly", folder=tmp_path / "belly")


def log_of(folder: Path) -> dict[str, Any]:
    record: dict[str, Any] = json.loads((folder / "log.json").read_text(encoding="utf-8"))
    return record


def schema() -> dict[str, Any]:
    text = resources.files("moldsmith").joinpath("stage_log.schema.json").read_text("utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


def without_measures(record: dict[str, Any]) -> dict[str, Any]:
    varying = ("started_utc", "seconds", "peak_memory_mb")
    return {key: value for key, value in record.items() if key not in varying}


def test_schema_is_valid_draft_2020_12() -> None:
    jsonschema.Draft202012Validator.check_schema(schema())


def test_finished_log_follows_the_published_schema(piece: Workpiece) -> None:
    piece.pipe(carve).pipe(paint)
    validator = jsonschema.Draft202012Validator(schema())
    for name in ("01-carve", "02-paint"):
        validator.validate(log_of(piece.folder / name))


@pytest.mark.parametrize("how", ["hard", "clumsily", "never"])
def test_failed_log_follows_the_published_schema(piece: Workpiece, how: str) -> None:
    with pytest.raises((BadParameter, RuntimeError, CannotBuild), match=r"softly|slipped|glued"):
        piece.pipe(drop, how=how)
    record = json.loads((piece.folder / "01-drop" / "failed.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schema()).validate(record)
    assert record["status"] == "failed"
    assert record["parameters"] == {"how": how}


def test_a_value_of_another_type_is_refused_as_such(piece: Workpiece) -> None:
    with pytest.raises(BadParameter, match=r"belly: carve: size_mm = 'ten'\. Give a number"):
        piece.pipe(carve, size_mm="ten")
    failed = json.loads((piece.folder / "01-carve" / "failed.json").read_text(encoding="utf-8"))
    assert failed["error"]["type"] == "BadParameter"
    with pytest.raises(RuntimeError, match="slipped"):  # the values are not to blame
        piece.pipe(drop, how="clumsily")


def test_values_of_no_use_are_refused_before_the_work_and_equal_ones_pass(
    piece: Workpiece,
) -> None:
    CALLS.clear()
    for given, told in (
        ({"finish": "matt"}, r"finish = 'matt'\. Choose 'gloss', 'satin' or 'raw'"),
        ({"layers": 2.5}, r"layers = 2\.5\. Give a whole number"),
        ({"way": (0, 1)}, r"way = \(0, 1\)\. Give an array of 3 \(each a number\)"),
        ({"printer": "the large one"}, r"printer = 'the large one'\. Give a Printer"),
    ):
        with pytest.raises(BadParameter, match=f"belly: varnish: {told}"):
            piece.pipe(varnish, **given)
    assert CALLS == []
    for way in ((0, 0, 1), [0.0, 0.0, 1.0], np.array([0, 0, 1]), None):
        piece.pipe(varnish, layers=np.int64(2), way=way, thick_mm=np.float32(1), chart=Path("a"))
    piece.pipe(varnish, thick_mm=1, chart="a", finish="satin", printer=Printer(nozzle_mm=0.6))
    assert len(CALLS) == 5


def test_schema_refuses_a_log_with_a_stray_or_missing_key(piece: Workpiece) -> None:
    piece.pipe(carve)
    validator = jsonschema.Draft202012Validator(schema())
    record = log_of(piece.folder / "01-carve")
    assert not validator.is_valid({**record, "stray": 1})
    assert not validator.is_valid({key: record[key] for key in record if key != "outputs"})


def test_stage_writes_an_stl_for_each_body_it_made_and_a_log(piece: Workpiece) -> None:
    result = piece.pipe(carve).pipe(paint)
    folder = piece.folder / "01-carve"
    assert sorted(path.name for path in folder.iterdir()) == [
        "chip-0.stl",
        "chips.txt",
        "log.json",
        "pad.stl",
    ]
    assert [path.name for path in (piece.folder / "02-paint").iterdir()] == ["log.json"]
    vertices, faces = stl.decode((folder / "pad.stl").read_bytes())
    np.testing.assert_array_equal(vertices, result.body("pad").vertices)
    np.testing.assert_array_equal(faces, result.body("pad").faces)


def test_log_tells_defaults_inputs_outputs_and_figures(piece: Workpiece) -> None:
    carved = piece.pipe(carve, size_mm=12)
    record = log_of(piece.folder / "01-carve")
    assert record["parameters"] == {"size_mm": 12, "files": 1}
    assert record["inputs"] == {}
    assert record["outputs"]["chip-0"]["volume_mm3"] == pytest.approx(12**3)
    assert record["outputs"]["chip-0"]["watertight"] is True
    assert record["outputs"]["chip-0"]["triangles"] == 12
    carved.pipe(paint)
    assert log_of(piece.folder / "02-paint")["inputs"] == dict(carved.digests)


def test_numbers_that_json_lacks_become_null(piece: Workpiece) -> None:
    piece.pipe(carve)
    record = log_of(piece.folder / "01-carve")
    assert record["figures"]["lost"] is None
    assert record["findings"][0]["where"] is None


def test_finished_stage_is_read_back_and_not_done_again(piece: Workpiece) -> None:
    first = piece.pipe(carve, files=2).pipe(paint)
    again = piece.pipe(carve, files=2).pipe(paint)
    assert CALLS == ["carve", "paint"]
    assert dict(again.digests) == dict(first.digests)
    assert list(again.bodies) == list(first.bodies)
    assert again.records == first.records
    assert again.frame == first.frame
    np.testing.assert_array_equal(again.body("pad").vertices, first.body("pad").vertices)


def test_changed_parameter_makes_the_stage_and_those_after_it_run(piece: Workpiece) -> None:
    piece.pipe(carve).pipe(paint)
    piece.pipe(carve, size_mm=11).pipe(paint)
    assert CALLS == ["carve", "paint", "carve", "paint"]


def test_changed_code_makes_finished_stages_run(
    piece: Workpiece, monkeypatch: pytest.MonkeyPatch
) -> None:
    piece.pipe(carve).pipe(paint)
    monkeypatch.setattr("moldsmith.stage.sources_digest", lambda: "of the next commit")
    piece.pipe(carve).pipe(paint)
    assert CALLS == ["carve", "paint", "carve", "paint"]


def test_anew_does_finished_stages_again(piece: Workpiece) -> None:
    piece.pipe(carve)
    with anew():
        piece.pipe(carve)
    piece.pipe(carve)
    assert CALLS == ["carve", "carve"]


@pytest.mark.parametrize("file", ["pad.stl", "chips.txt", "log.json"])
def test_damaged_or_missing_file_makes_the_stage_run_again(piece: Workpiece, file: str) -> None:
    piece.pipe(carve)
    path = piece.folder / "01-carve" / file
    path.write_bytes(path.read_bytes()[:-3])
    piece.pipe(carve)
    path.unlink()
    piece.pipe(carve)
    assert CALLS == ["carve"] * 3


def test_files_that_a_new_run_does_not_make_any_more_are_removed(piece: Workpiece) -> None:
    piece.pipe(carve, files=3)
    (piece.folder / "01-carve" / "my-notes.txt").write_text("keep")
    piece.pipe(carve, files=1)
    left = {path.name for path in (piece.folder / "01-carve").iterdir()}
    assert left == {"chip-0.stl", "chips.txt", "log.json", "pad.stl", "my-notes.txt"}


def test_run_broken_off_before_the_log_leaves_an_unfinished_stage(
    piece: Workpiece, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken_off(path: Path, text: str) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr("moldsmith.stage.write_text", broken_off)
        with pytest.raises(KeyboardInterrupt, match=r"^$"):
            piece.pipe(carve)
    assert not (piece.folder / "01-carve" / "log.json").exists()
    piece.pipe(carve)
    assert CALLS == ["carve", "carve"]


def test_failing_stage_keeps_the_earlier_result_and_says_why(piece: Workpiece) -> None:
    piece.pipe(drop)
    folder = piece.folder / "01-drop"
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    with pytest.raises(BadParameter, match=r"belly: drop: how = hard\. Choose softly"):
        piece.pipe(drop, how="hard")
    after = {path.name: path.read_bytes() for path in folder.iterdir()}
    reason = json.loads(after.pop("failed.json"))["error"]
    assert reason == {"type": "BadParameter", "message": "belly: drop: how = hard. Choose softly"}
    assert after == before


def test_success_removes_the_note_of_an_earlier_failure(piece: Workpiece) -> None:
    with pytest.raises(BadParameter, match="softly"):
        piece.pipe(drop, how="hard")
    piece.pipe(drop)
    assert not (piece.folder / "01-drop" / "failed.json").exists()


def test_finding_of_severity_stop_raises_and_writes_no_body(piece: Workpiece) -> None:
    with pytest.raises(CannotBuild, match="belly: drop: It is glued to the table"):
        piece.pipe(drop, how="never")
    assert [path.name for path in (piece.folder / "01-drop").iterdir()] == ["failed.json"]


def test_unwritable_folder_is_a_typed_error_that_names_piece_and_stage(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file, not a folder")
    with pytest.raises(CannotWrite, match=r"belly: carve: cannot write .*taken"):
        Workpiece("belly", folder=tmp_path / "taken").pipe(carve)


def test_two_runs_give_identical_bytes(tmp_path: Path) -> None:
    for place in ("one", "two"):
        Workpiece("belly", folder=tmp_path / place).pipe(carve).pipe(paint)
    files = sorted(path.relative_to(tmp_path / "one") for path in tmp_path.glob("one/*/*"))
    assert len(files) == 5
    for file in files:
        one, two = tmp_path / "one" / file, tmp_path / "two" / file
        if file.name == "log.json":
            assert without_measures(log_of(one.parent)) == without_measures(log_of(two.parent))
        else:
            assert one.read_bytes() == two.read_bytes()


def test_without_a_folder_nothing_is_written_and_the_log_is_on_the_piece() -> None:
    piece = Workpiece("belly").pipe(carve)
    assert piece.record("carve")["figures"]["size_mm"] == 10
    assert piece.findings == (Finding("chip", "note", "Sweep up", "pad", None),)


def test_stage_keeps_its_signature_and_docstring() -> None:
    assert list(inspect.signature(carve).parameters) == ["piece", "size_mm", "files"]
    assert (carve.__doc__ or "").startswith("Carve a block.")
    assert carve.__name__ == "carve"
    with pytest.raises(TypeError, match="positional"):
        carve(Workpiece("belly"), 3.0)  # type: ignore[misc]


def test_stage_reports_its_seconds_through_logging(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.INFO, "moldsmith.stage"):
        Workpiece("belly").pipe(carve)
    [record] = caplog.records
    assert record.getMessage().startswith("belly: carve: ")
    assert vars(record)["stage"] == "carve"
    assert vars(record)["seconds"] >= 0


def test_meshes_among_the_parameters_are_told_apart(tmp_path: Path) -> None:
    @stage
    def fit(piece: Workpiece, *, form: trimesh.Trimesh) -> Workpiece:
        return piece.with_bodies(pad=form)

    piece = Workpiece("belly", folder=tmp_path)
    piece.pipe(fit, form=fakes.box(1))
    assert piece.pipe(fit, form=fakes.box(2)).body("pad").volume == pytest.approx(8)
