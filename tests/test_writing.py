"""A file is whole or absent."""

from __future__ import annotations

from pathlib import Path

import pytest

from moldsmith.errors import CannotWrite
from moldsmith.writing import clear_leftovers, make_folder, remove, write_bytes, write_text


def test_folders_on_the_way_are_made(tmp_path: Path) -> None:
    write_text(tmp_path / "a" / "b" / "note.txt", "größer")
    assert (tmp_path / "a" / "b" / "note.txt").read_text(encoding="utf-8") == "größer"


@pytest.mark.parametrize("moment", ["os.fsync", "pathlib.Path.replace"])
def test_write_that_fails_midway_leaves_the_old_file_and_no_litter(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, moment: str
) -> None:
    path = tmp_path / "log.json"
    write_bytes(path, b"old")

    def full(*arguments: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(moment, full)
    with pytest.raises(CannotWrite, match="No space left"):
        write_bytes(path, b"new")
    assert path.read_bytes() == b"old"
    assert [item.name for item in tmp_path.iterdir()] == ["log.json"]


@pytest.mark.parametrize("moment", ["os.fsync", "pathlib.Path.replace"])
def test_write_broken_off_by_the_user_leaves_the_old_file_and_no_litter(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, moment: str
) -> None:
    path = tmp_path / "log.json"
    write_bytes(path, b"old")

    def stopped(*arguments: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(moment, stopped)
    with pytest.raises(KeyboardInterrupt, match=r"^$"):
        write_bytes(path, b"new")
    assert path.read_bytes() == b"old"
    assert [item.name for item in tmp_path.iterdir()] == ["log.json"]


def test_leftovers_are_cleared_from_a_folder_and_those_in_it(tmp_path: Path) -> None:
    name = ".log.json.x1.unfinished"
    (tmp_path / "a" / "b").mkdir(parents=True)
    for folder in (tmp_path, tmp_path / "a", tmp_path / "a" / "b"):
        (folder / name).touch()
        (folder / "log.json").touch()
    clear_leftovers(tmp_path)
    assert sorted(path.parent.name for path in tmp_path.rglob(name)) == ["b"]
    assert len(list(tmp_path.rglob("log.json"))) == 3


def test_file_that_is_not_let_go_of_is_named(tmp_path: Path) -> None:
    remove(tmp_path / "gone.stl")
    (tmp_path / "held.stl").mkdir()
    with pytest.raises(CannotWrite, match=r"cannot remove .*held\.stl .*Close the program"):
        remove(tmp_path / "held.stl")


def test_folder_where_a_file_stands_is_refused(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(CannotWrite, match=r"cannot write .*out"):
        make_folder(tmp_path / "out" / "belly")
