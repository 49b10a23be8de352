"""A scan file measured in one go: loaded, healed, stood up, measured, told."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

import numpy as np

from .errors import BadParameter
from .scan.body_measures import measure_body
from .scan.directions import Direction
from .scan.healing import heal
from .scan.measuring import Measure, girth, stance_of
from .scan.reading import load_scan
from .scan.standing import stand
from .scan.units import Unit
from .workpiece import Workpiece
from .writing import write_bytes, write_text

__all__ = ["MeasuredScan", "measure_scan", "measures_table", "write_measures"]

JSON_NAME = "measures.json"
PICTURE_NAME = "measures.png"
SAME_UP = 0.95  # cosine


@dataclass(frozen=True)
class MeasuredScan:
    """The healed piece in its frame, its measures, and why others are missing, by name."""

    piece: Workpiece
    measures: tuple[Measure, ...]
    missing: Mapping[str, str] = field(default_factory=dict)


def measure_scan(
    path: str | Path,
    *,
    unit: Unit | None = None,
    up: Direction | None = None,
    facing: Direction | None = None,
    girths: Mapping[str, float] | None = None,
    points: Mapping[str, tuple[float, ...]] | None = None,
) -> MeasuredScan:
    """Measure a scan file: the catalogue of a standing body, and girths asked for.

    Parameters
    ----------
    path, unit : as of `load_scan`
    up, facing : as of `stand`; found if left out
    girths : name -> height above the lowest point, mm, of a level tape
    points : name -> x, y, z of a point in the limb or trunk meant, mm, and if six
        numbers the direction along the limb; level if three

    Raises
    ------
    BadScan : the file cannot be used
    BadParameter : a height or a point is not on the body
    """
    piece = _stood(load_scan(path, unit=unit), up, facing)
    stance = stance_of(piece)
    missing: Mapping[str, str]
    try:
        catalogue = measure_body(stance)
        named, missing = catalogue.measures, catalogue.missing
    except BadParameter as reason:
        named, missing = (), {"measures of a whole body": str(reason)}
    asked = [
        girth(stance, height_mm=height, name=name, definition="level tape at a height asked for")
        for name, height in (girths or {}).items()
    ]
    for name, place in (points or {}).items():
        if len(place) not in (3, 6):
            raise BadParameter(
                f"{name} has {len(place)} numbers", "Give x, y, z, or these and a direction"
            )
        along = place[3:] if len(place) == 6 else None
        told = "tape round a point asked for"
        asked.append(girth(stance, at=place[:3], normal=along, name=name, definition=told))
    return MeasuredScan(piece, (*named, *asked), missing)


def _stood(loaded: Workpiece, up: Direction | None, facing: Direction | None) -> Workpiece:
    """The scan healed and stood up."""
    piece = loaded.pipe(heal).pipe(stand, up=up, facing=facing)
    if np.dot(piece.frame.up, loaded.frame.up) > SAME_UP:
        return piece
    # A floor is known by lying level: heal once more, now that level is known.
    return replace(loaded, frame=piece.frame).pipe(heal).pipe(stand, up=up, facing=facing)


def measures_table(measured: MeasuredScan) -> str:
    """The measures as text, a line each, then what is missing and what was noticed."""
    rows = [("measure", "mm", "at height")]
    rows += [(one.name, f"{one.value_mm:.1f}", f"{one.height_mm:.0f}") for one in measured.measures]
    widths = [max(len(row[column]) for row in rows) for column in range(3)]
    lines = [
        f"{name.ljust(widths[0])}  {value.rjust(widths[1])}  {height.rjust(widths[2])}"
        for name, value, height in rows
    ]
    lines.insert(1, "-" * len(lines[0]))
    lines += [f"{name}: not found: {reason}" for name, reason in measured.missing.items()]
    lines += [
        f"{one.severity}: {one.message}"
        for one in measured.piece.findings
        if one.severity == "warning"
    ]
    return "\n".join(lines)


def write_measures(measured: MeasuredScan, out: Path) -> tuple[Path, Path]:
    """Write measures.json and measures.png into a folder; gives their paths, the JSON first.

    Raises
    ------
    CannotWrite : the folder cannot be written to
    MissingPackage : matplotlib is not installed; the JSON is written all the same
    """
    frame = measured.piece.frame
    told = {
        "scan": measured.piece.name,
        "up": frame.up,
        "facing": frame.facing,
        "measures": [_rounded(one) for one in measured.measures],
        "missing": dict(measured.missing),
        "findings": [asdict(one) for one in measured.piece.findings],
    }
    write_text(out / JSON_NAME, json.dumps(told, indent=2, ensure_ascii=False) + "\n")
    from .sheet.measures_picture import measures_picture

    figure = measures_picture(measured.piece, measured.measures, title=measured.piece.name)
    picture = io.BytesIO()
    figure.savefig(picture, format="png", metadata={"Software": None})
    write_bytes(out / PICTURE_NAME, picture.getvalue())
    return out / JSON_NAME, out / PICTURE_NAME


def _rounded(measure: Measure) -> dict[str, object]:
    """The measure in JSON's types, to 0.01 mm."""
    return {
        **asdict(measure),
        "value_mm": round(measure.value_mm, 2),
        "height_mm": round(measure.height_mm, 2),
        "where": [round(value, 2) for value in measure.where],
        "line": [[round(value, 2) for value in point] for point in measure.line],
    }
