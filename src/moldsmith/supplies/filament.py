"""The filament that the parts are printed from."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, fields
from math import pi
from pathlib import Path
from typing import Any, get_type_hints

from ..data import data_path
from ..errors import BadParameter
from ..ranges import check_none_left_out, check_range, numbers
from ..values import Misfit, conform

__all__ = ["Filament", "filament"]


@dataclass(frozen=True, slots=True)
class Filament:
    """A filament, and how much of it lies ready.

    Parameters
    ----------
    name : its class, as "PLA"
    density_g_cm3 : 0.5 to 4
    diameter_mm : 1 to 3.5
    spool_g : filament on a full spool, 1 to 20,000
    left_g : filament left on each spool at hand, not counting the spool itself,
        each 0 to 20,000; none if nobody weighed them
    max_flow_mm3_s : the most that a hot end melts of it a second, 0.5 to 100
    sources : where each value is from

    Raises
    ------
    BadParameter : a value out of its range

    The default is the class PLA: 1.24 g/cm3 by an open data set of filament densities.
    """

    name: str = "PLA"
    density_g_cm3: float = 1.24
    diameter_mm: float = 1.75
    spool_g: float = 1000.0
    left_g: tuple[float, ...] = ()
    max_flow_mm3_s: float = 11.0
    sources: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        check_none_left_out(self)
        left_g = numbers(self.left_g)
        ranges = {
            "density_g_cm3": (0.5, 4.0, "g/cm3"),
            "diameter_mm": (1.0, 3.5, "mm"),
            "spool_g": (1.0, 20_000.0, "g"),
            "max_flow_mm3_s": (0.5, 100.0, "mm3/s"),
        }
        for key, (low, high, unit) in ranges.items():
            check_range(f"filament {self.name}: {key}", getattr(self, key), low, high, f" {unit}")
        if left_g is None or not all(0 <= grams <= 20_000 for grams in left_g):
            given = self.left_g if left_g is None else list(left_g)
            raise BadParameter(
                f"filament {self.name}: left_g = {given!r}",
                "Weigh each spool less its empty weight: a row of 0 to 20000 g each",
            )
        object.__setattr__(self, "left_g", left_g)

    @property
    def section_mm2(self) -> float:
        """Area of the filament's cross-section."""
        return pi * self.diameter_mm**2 / 4

    @property
    def grams_per_metre(self) -> float:
        """Density times section: 2.98 g/m for PLA of 1.75 mm."""
        return self.density_g_cm3 * self.section_mm2


def filament(name: str | Path) -> Filament:
    """A filament by the name of its class ("PLA"), or from a TOML file of one's own.

    Such a file has the fields of `Filament` as keys and a table `sources`
    that says for each where it is from.

    Raises
    ------
    BadParameter : no such class or file, no TOML, an unknown key, or a value
        of the wrong kind or out of its range
    """
    path = Path(name)
    if path.suffix != ".toml":
        path = _class_path(str(name))
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise BadParameter(
            f"{path}: cannot be read as a filament ({error})", "Give a TOML file or a class"
        ) from error
    return Filament(**_checked(table, path))


def _class_path(name: str) -> Path:
    folder = data_path("filaments/pla.toml").parent
    known = {path.stem: path for path in sorted(folder.glob("*.toml"))}
    if name.lower() not in known:
        raise BadParameter(
            f"no filament class is named '{name}'",
            f"Choose {', '.join(stem.upper() for stem in known)}, or give a .toml file",
        )
    return known[name.lower()]


def _checked(table: dict[str, Any], path: Path) -> dict[str, Any]:
    hints = get_type_hints(Filament)
    table = dict(table)
    said = table.pop("sources", {})
    if not isinstance(said, dict):
        raise BadParameter(f"{path}: sources is no table", "Write [sources] and a line a key")
    values: dict[str, Any] = {"sources": tuple(f"{key}: {text}" for key, text in said.items())}
    for key, value in table.items():
        if key not in hints:
            known = ", ".join(item.name for item in fields(Filament))
            raise BadParameter(f"{path}: no such key: {key}", f"A filament has {known}")
        try:
            values[key] = conform(value, hints[key], key)
        except Misfit as misfit:
            raise BadParameter(
                f"{path}: {misfit.key} = {misfit.value!r}", f"Give {misfit.allowed}"
            ) from misfit
    if "name" not in values or "density_g_cm3" not in values:
        raise BadParameter(f"{path}: name or density_g_cm3 is missing", "Give both")
    return values
