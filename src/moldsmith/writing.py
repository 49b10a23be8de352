"""Files that are whole or absent: written under a temporary name, then renamed."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from .errors import CannotWrite

__all__ = ["clear_leftovers", "make_folder", "remove", "write_bytes", "write_text"]

_SUFFIX = ".unfinished"


def write_bytes(path: Path, data: bytes) -> None:
    """Write `data` to `path` so that no half-written file ever bears that name.

    Raises
    ------
    CannotWrite : the folder cannot be written to; nothing there was changed
    """
    make_folder(path.parent)
    temporary = ""
    try:
        handle, temporary = tempfile.mkstemp(_SUFFIX, f".{path.name}.", path.parent)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(temporary).chmod(0o644)
        Path(temporary).replace(path)
    except OSError as error:
        raise _refused(path, error) from error
    finally:  # also after Ctrl-C
        if temporary:
            Path(temporary).unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 text as `write_bytes` does."""
    write_bytes(path, text.encode())


def clear_leftovers(folder: Path) -> None:
    """Remove what writers that were killed left in `folder` and the folders in it, no deeper."""
    for pattern in (f".*{_SUFFIX}", f"*/.*{_SUFFIX}"):
        for file in folder.glob(pattern):
            remove(file)


def remove(file: Path) -> None:
    """Remove a file, if it is there; `CannotWrite` if that is refused, as of one that is open."""
    try:
        file.unlink(missing_ok=True)
    except OSError as error:
        raise CannotWrite(
            f"cannot remove {file} ({error.strerror or error})",
            "Close the program that has it open, or remove it by hand",
        ) from error


def make_folder(folder: Path) -> None:
    """Make a folder and its parents; `CannotWrite` if that is refused."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _refused(folder, error) from error


def _refused(path: Path, error: OSError) -> CannotWrite:
    return CannotWrite(
        f"cannot write {path} ({error.strerror or error})",
        "Choose an output folder you may write to, with room on its disk",
    )
