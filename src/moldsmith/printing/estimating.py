"""What printing the parts takes: filament, hours, spools."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import trimesh
from numpy.typing import NDArray

from ..stage import stage
from ..supplies.filament import Filament
from ..supplies.printer import Printer
from ..workpiece import Finding, Workpiece
from .calibration import Calibration, MeasuredPrint, calibrated
from .parts import listed_parts
from .pose import laid
from .slices import sliced
from .spools import SpoolUse, allotted, profile
from .timing import Work, work_of

__all__ = ["PrintEstimate", "estimate", "estimated", "sliced_estimate"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PrintEstimate:
    """What one print takes, and how it is spread over its layers, from the bed up.

    grams, metres, seconds, support_g : of all; support is in the grams
    layer_g, layer_s : (n,) of each layer
    """

    grams: float
    metres: float
    seconds: float
    support_g: float
    layer_g: Floats
    layer_s: Floats


@stage
def estimate(
    piece: Workpiece,
    *,
    printer: Printer = Printer(),  # noqa: B008 - a frozen value
    filament: Filament = Filament(),  # noqa: B008 - a frozen value
    measured: MeasuredPrint | None = None,
) -> Workpiece:
    """Work out filament and time of each part and plate, and which spools they need.

    Each part is sliced in its print pose: walls, skins, infill, support and
    brim from the areas of its sections, time from speeds, acceleration, what
    the hot end melts, and the least time of a layer. Parts on one plate are
    printed layer by layer together; without `lay_out` each has its own.

    Parameters
    ----------
    printer : its settings, see `Printer`
    filament : its density, diameter, and what is left on the spools
    measured : one real print: its grams and hours, and either the `part` of
        this piece or its `estimated_grams` and `estimated_hours`. All figures
        are scaled by how far the estimate was off, and `calibration` says so

    Heating up is left out. Bodies stay as they are.

    Findings: 'calibrated' and 'spool-change' (notes), 'filament-short' (warning).

    Raises
    ------
    BadParameter : there are no parts, or `measured` does not tell what was estimated
    """
    rows = listed_parts(piece)
    works = {
        row["body"]: work_of(
            sliced(laid(piece.body(row["body"]), row["pose"]), printer), printer, filament
        )
        for row in rows
    }
    plain = {name: estimated([work], printer, filament) for name, work in works.items()}
    known = calibrated(measured, {name: (e.grams, e.seconds) for name, e in plain.items()})
    parts = {name: estimated([work], printer, filament, known) for name, work in works.items()}
    plates = {
        number: estimated([works[name] for name in names], printer, filament, known)
        for number, names in _plates(rows).items()
    }
    uses = allotted(
        {key: plate.layer_g for key, plate in plates.items()}, filament, printer.layer_mm
    )
    figures = {
        "parts": [_part_row(name, part) for name, part in parts.items()],
        "plates": [
            {
                "number": number,
                "grams": round(plate.grams, 2),
                "seconds": round(plate.seconds),
                "profile": profile(plate.layer_g, printer.layer_mm),
            }
            for number, plate in plates.items()
        ],
        "grams": round(sum(plate.grams for plate in plates.values()), 2),
        "metres": round(sum(plate.metres for plate in plates.values()), 3),
        "seconds": round(sum(plate.seconds for plate in plates.values())),
        "longest_seconds": round(max(plate.seconds for plate in plates.values())),
        "spools": [_spool_row(use) for use in uses],
        "calibration": {
            "grams": round(known.grams_factor, 5),
            "time": round(known.time_factor, 5),
            "said": known.said,
        },
    }
    findings = [Finding("calibrated", "note", known.said)] if known.done else []
    return piece.note(figures, [*findings, *_spool_findings(uses, filament)])


def estimated(
    works: Sequence[Work],
    printer: Printer,
    filament: Filament,
    calibration: Calibration = Calibration(),  # noqa: B008 - a frozen value
) -> PrintEstimate:
    """What parts take that are printed together, layer by layer, from the same bed."""
    layers = max(len(work.busy_s) for work in works)

    def together(key: str) -> Floats:
        total = np.zeros(layers)
        for work in works:
            values = getattr(work, key)
            total[: len(values)] += values
        return total

    seconds = np.maximum(together("busy_s"), printer.min_layer_s) * calibration.time_factor
    share = filament.density_g_cm3 / 1000 * calibration.grams_factor
    grams = together("filament_mm3") * share
    total = float(grams.sum())
    return PrintEstimate(
        total,
        total / filament.grams_per_metre,
        float(seconds.sum()),
        float(together("support_mm3").sum() * share),
        grams,
        seconds,
    )


def sliced_estimate(mesh: trimesh.Trimesh, printer: Printer, filament: Filament) -> PrintEstimate:
    """What one closed part on z = 0 takes, printed alone."""
    return estimated([work_of(sliced(mesh, printer), printer, filament)], printer, filament)


def _plates(rows: Sequence[Mapping[str, Any]]) -> dict[int, list[str]]:
    """Plate number -> the parts on it; parts that no plate is known for have one each."""
    plates: dict[int, list[str]] = {}
    for place, row in enumerate(rows, start=1):
        plates.setdefault(int(row.get("plate", place)), []).append(row["body"])
    return dict(sorted(plates.items()))


def _part_row(name: str, part: PrintEstimate) -> dict[str, Any]:
    return {
        "body": name,
        "grams": round(part.grams, 2),
        "metres": round(part.metres, 3),
        "seconds": round(part.seconds),
        "layers": len(part.layer_g),
        "support_g": round(part.support_g, 2),
    }


def _spool_row(use: SpoolUse) -> dict[str, Any]:
    return {
        "plate": use.plate,
        "spool": use.spool,
        "needed_g": round(use.needed_g, 1),
        "left_g": round(use.left_g, 1),
        "suffices": use.suffices,
        "change_at_mm": None if use.change_at_mm is None else round(use.change_at_mm, 3),
    }


def _spool_findings(uses: Sequence[SpoolUse], filament: Filament) -> list[Finding]:
    findings = []
    for use in uses:
        if use.spool is not None and not use.suffices:
            message = (
                f"plate {use.plate} needs {use.needed_g:.0f} g and spool {use.spool} has "
                f"{use.left_g:.0f} g. Plan a pause at {use.change_at_mm:.1f} mm to change it"
            )
            findings.append(Finding("spool-change", "note", message))
    short = [use for use in uses if use.spool is None]
    if short:
        grams = sum(use.needed_g for use in short)
        plates = ", ".join(str(use.plate) for use in short)
        spools = int(np.ceil(grams / filament.spool_g))
        message = (
            f"{grams:.0f} g of {filament.name} are missing for plate{'s' * (len(short) > 1)} "
            f"{plates}: have {spools} more spool{'s' * (spools > 1)} of {filament.spool_g:g} g "
            "ready before they are started"
        )
        findings.append(Finding("filament-short", "warning", message))
    return findings
