"""What a job gives to every stage that asks for it: printer, filament, material."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any, TypeVar, get_type_hints

from .errors import BadParameter
from .problems import Problems, conformed, is_table
from .supplies.filament import Filament, filament
from .supplies.materials import Material, material, material_from
from .supplies.printer import Printer
from .values import Misfit

__all__ = ["Supplies", "material_of", "supplies_of"]

T = TypeVar("T", Printer, Filament)


@dataclass(frozen=True, slots=True)
class Supplies:
    """The printer that prints, the filament it prints from, the material that is cast.

    material : None if the job names none; the stages that need one are left out then
    """

    printer: Printer = field(default_factory=Printer)
    filament: Filament = field(default_factory=Filament)
    material: Material | None = None


def supplies_of(data: Mapping[str, Any], folder: Path, problems: Problems) -> Supplies:
    """The tables [printer], [filament] and [material] of a job file in `folder`."""
    printer = _changed(Printer(), data.get("printer", {}), "printer", problems)
    spools = _filament(data.get("filament", {}), folder, problems)
    return Supplies(
        printer, spools, material_of(data.get("material"), "material", folder, problems)
    )


def material_of(table: Any, key: str, folder: Path, problems: Problems) -> Material | None:
    """The material of a table: `like` a class with values of its own, or a `sheet` in a file."""
    if table is None or not is_table(table, key, problems):
        return None
    try:
        if "sheet" not in table:
            return material_from(table, key)
        if _alone(table, key, problems):
            return material(folder / str(table["sheet"]))
    except BadParameter as error:
        problems.add("", str(error))
    return None


def _filament(table: Any, folder: Path, problems: Problems) -> Filament:
    """The filament of a table: `like` a class with values of its own, or a `sheet` in a file."""
    if not is_table(table, "filament", problems):
        return Filament()
    try:
        if "sheet" in table:
            alone = _alone(table, "filament", problems)
            return filament(folder / str(table["sheet"])) if alone else Filament()
        spools = filament(str(table.get("like", "PLA")))
    except BadParameter as error:
        problems.add("filament: ", f"{error.problem}: {error.remedy}")
        return Filament()
    own = {key: value for key, value in table.items() if key != "like"}
    return _changed(spools, own, "filament", problems)


def _alone(table: Mapping[str, Any], key: str, problems: Problems) -> bool:
    """Whether the table has a sheet, which is a path, and nothing else."""
    sheet = table["sheet"]
    if len(table) > 1:
        problems.add(f"{key}.sheet", ": stands alone; write the other values into the sheet")
    elif not isinstance(sheet, str) or not sheet.endswith(".toml") or "\0" in sheet:
        problems.misfit(Misfit(f"{key}.sheet", sheet, "the path of a data sheet, a .toml file"))
    else:
        return True
    return False


def _changed(value: T, table: Any, key: str, problems: Problems) -> T:
    """The value with the fields that the table gives."""
    if not is_table(table, key, problems):
        return value
    hints = get_type_hints(type(value))
    known = {item.name: hints[item.name] for item in fields(value)}
    given = conformed(table, known, f"{key}.", problems)
    try:
        return replace(value, **given)
    except BadParameter as error:
        named = error.problem.split(" ", 1)[0] in known
        problems.add(f"{key}." if named else f"{key}: ", f"{error.problem}: {error.remedy}")
    return value
