"""What is cast: classes of material, and a user's own data sheet in the same form."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, NamedTuple

from ..data import data_path
from ..errors import BadParameter
from ..problems import meant
from .data_sheets import Sheet, checked

__all__ = ["Kind", "Material", "Part", "Told", "material", "material_from", "material_names"]

Kind = Literal["foam", "rubber", "gypsum"]
_ANY_CLASS = "foam-80"


class Part(NamedTuple):
    """One of the things mixed together: parts by weight, g/cm³; a powder is weighed only."""

    name: str
    by_weight: float
    density_g_cm3: float
    powder: bool = False


class Told(NamedTuple):
    """What the data sheet says of a value: its usual range, and who says so."""

    key: str
    value: float
    low: float
    high: float
    source: str


@dataclass(frozen=True, slots=True)
class Material:
    """A material to cast, from mixing to demolding.

    Parameters
    ----------
    name, kind : kind is 'foam', 'rubber' (silicones too) or 'gypsum'
    parts : what is mixed
    density_kg_m3 : cured, in the mold
    free_rise_kg_m3 : of a foam that rises in an open cup; else None
    packing_factor : density in the mold over free-rise density; 1 but for foam
    viscosity_mpa_s : of the fresh mix
    mixing_s : stirring it takes
    pot_life_s : from the start of mixing until it must be poured (a foam: its cream time)
    cream_s, gel_s, rise_s : of a foam, from the start of mixing; else None
    demold_s : until the casting may leave the mold: from the pour, or as a foam's other times
    shrink_percent : linear; negative where it grows
    permitted_undercut_percent : stretch that the casting takes on its way out
    exotherm_c : temperature a thick lump of it reaches while it cures
    hazards : 'isocyanate', 'amine', 'dust', 'exotherm', 'fire', 'skin', 'methanol' or 'ethanol'
    told : range and source of each value
    assumed : which of them the data sheet lacks, so that a usual value was taken
    note : what else whoever casts it must know
    """

    name: str
    kind: Kind
    parts: tuple[Part, ...]
    density_kg_m3: float
    pot_life_s: float
    demold_s: float
    shrink_percent: float
    permitted_undercut_percent: float
    mixing_s: float = 30.0
    viscosity_mpa_s: float = 1000.0
    free_rise_kg_m3: float | None = None
    packing_factor: float = 1.0
    cream_s: float | None = None
    gel_s: float | None = None
    rise_s: float | None = None
    exotherm_c: float | None = None
    hazards: tuple[str, ...] = ()
    told: tuple[Told, ...] = ()
    assumed: tuple[str, ...] = ()
    note: str = ""

    @property
    def mix_density_kg_m3(self) -> float:
        """Of the fresh mix: total weight over the sum of the parts' volumes."""
        weight = sum(part.by_weight for part in self.parts)
        return 1000 * weight / sum(part.by_weight / part.density_g_cm3 for part in self.parts)

    @property
    def rises(self) -> bool:
        return self.free_rise_kg_m3 is not None


def material(name_or_path: str | Path) -> Material:
    """A class of material by its name, or a data sheet of one's own by its path.

    name_or_path : 'foam-80', or its long name; or the path of a TOML file with the same fields,
        where `like = "foam-80"` takes what is not given from a class

    Raises
    ------
    BadParameter : no such class or file, or values wrong; all are named
    """
    if not isinstance(name_or_path, str | Path):
        raise BadParameter(
            f"material = {name_or_path!r}: no name and no path",
            f"Choose one of {', '.join(_classes())}, or give the path of a .toml data sheet",
        )
    path = Path(name_or_path)
    if path.suffix == ".toml" or path.parent != Path():
        return material_from(_toml(path), str(path))
    known = _classes()
    for slug, table in known.items():
        if str(name_or_path) in (slug, table["name"]):
            return material_from(table, f"materials/{slug}.toml")
    raise BadParameter(
        f"material = '{name_or_path}': no such class{meant(str(name_or_path), known)}",
        f"Choose one of {', '.join(known)}, or give the path of a .toml data sheet",
    )


def material_names() -> tuple[str, ...]:
    """The classes there are, as `material` takes them."""
    return tuple(_classes())


def material_from(table: Mapping[str, Any], where: str = "material") -> Material:
    """The material that a data sheet's table describes.

    where : what the table is called in errors

    Raises
    ------
    BadParameter : values missing or wrong; all are named, with key, value and allowed range
    """
    if "like" in table:
        known, like = _classes(), table["like"]
        if not isinstance(like, str) or like not in known:
            raise BadParameter(
                f"{where}: like = {like!r}: no such class",
                f"Choose one of {', '.join(known)}",
            )
        own = {key: value for key, value in table.items() if key != "like"}
        if ("part" in own) != ("ratio_by" in own):
            # The class's numbers would be taken for another kind of ratio.
            raise BadParameter(
                f"{where}: ratio_by and part belong together", "Give both, or neither"
            )
        table = {**known[like], **own}
    sheet = checked(table, where)
    values = dict(sheet.values)
    if sheet.kind == "foam":
        values.setdefault("density_kg_m3", values["free_rise_kg_m3"] * values["packing_factor"])
    told = tuple(Told(key, *rest) for key, rest in sheet.told.items())
    assert sheet.kind is not None  # `checked` refuses such a sheet
    return Material(
        name=sheet.name,
        kind=sheet.kind,
        parts=_parts(sheet),
        hazards=sheet.hazards,
        told=told,
        assumed=tuple(sheet.assumed),
        note=sheet.note,
        **values,
    )


def _parts(sheet: Sheet) -> tuple[Part, ...]:
    """The parts by weight, also where the sheet gives its ratio by volume."""
    by_volume = sheet.ratio_by == "volume"
    return tuple(
        Part(name, share * density if by_volume else share, density, powder)
        for name, share, density, powder in sheet.parts
    )


def _classes() -> dict[str, dict[str, Any]]:
    folder = data_path(f"materials/{_ANY_CLASS}.toml").parent
    return {path.stem: _toml(path) for path in sorted(folder.glob("*.toml"))}


def _toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise BadParameter(
            f"{path}: cannot be read ({error.strerror or error})",
            "Give the path of a material's data sheet",
        ) from error
    except UnicodeDecodeError as error:
        raise BadParameter(f"{path}: is not UTF-8 text", "Save it as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise BadParameter(f"{path}: is not TOML: {error}", "Correct that line") from error
