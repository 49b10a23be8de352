"""Where the project's data is: recipes, job files, tables."""

from __future__ import annotations

from pathlib import Path

from .errors import CannotBuild

__all__ = ["data_path"]

_PACKAGE = Path(__file__).parent
_PLACES = (_PACKAGE / "shared", _PACKAGE.parents[1] / "shared")  # installed, or in a checkout


def data_path(name: str) -> Path:
    """The path of a data file, as 'demo/troll.toml'.

    Raises
    ------
    CannotBuild : the installation lacks it
    """
    for place in _PLACES:
        if (place / name).is_file():
            return place / name
    raise CannotBuild(f"the data file {name} is missing", "Install moldsmith anew")
