"""Which code this is: a digest over the package's own sources."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

from .data import data_path

__all__ = ["sources_digest"]

_PACKAGE = Path(__file__).parent
_KINDS = (".py", ".css", ".html", ".js", ".json")
_TABLES = ("hardware/metric.toml",)  # that stages read; other data comes with their parameters


@cache
def sources_digest() -> str:
    """SHA-256 over every module, the page's own files and the tables that stages read, as hex.

    The same for the same code wherever it is installed. Reads 2.5 MB, once a process: a
    version's number would stay the same from one commit to the next, while results change.
    """
    ours = [path for path in _PACKAGE.rglob("*") if path.suffix in _KINDS]
    files = {path.relative_to(_PACKAGE).as_posix(): path for path in ours}
    files.update({name: data_path(name) for name in _TABLES})
    digest = hashlib.sha256()
    for name, path in sorted(files.items()):
        digest.update(f"{name}\n{hashlib.sha256(path.read_bytes()).hexdigest()}\n".encode())
    return digest.hexdigest()
