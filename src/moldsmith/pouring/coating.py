"""Making a layered print's face tight, smooth and ready to let go."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from ..errors import BadParameter
from ..printing.cusps import layer_for_cusp_mm
from ..stage import stage
from ..supplies.materials import Material
from ..supplies.printer import Printer
from ..workpiece import Finding, Workpiece
from .working_faces import WorkingFace, cusp_pictures, working_faces

__all__ = ["Sealer", "coat"]

Floats = NDArray[np.float64]
Sealer = Literal["varnish", "resin"]
_HIGH = 0.98  # share of the area that a 'greatest' step covers: single slivers do not count
_WAXED, _WAX_DRY_H = 3, 0.33  # coats of release, hours each dries: from memory
_TIGHT = 2  # coats of a sealer that close a print's pores: common practice
_MOST_COATS = 6  # more take days to dry, and round the detail off: from memory
_SLACK_MM = 0.03
# Of the nozzle's bore, the lowest and highest layer that prints well: common practice.
_LAYER_SHARES = (0.25, 0.75)
_LINE_SHARE = 0.3  # of the outer line that sanding may take: from memory


@dataclass(frozen=True, slots=True)
class _Film:
    """One coat, as it usually comes out: thickness, drying, time it takes a hand for 1000 cm².

    least : coats that close the pores where the room for them is tight
    """

    what: str
    mm: float
    dry_h: float
    hand_h: float
    note: str
    least: int = 1


@dataclass(frozen=True, slots=True)
class _Layers:
    """The layers advised for the steps wished, and the steps that they leave."""

    advised_mm: float
    left_mm: float
    low_mm: float
    high_mm: float


# All from memory; the tin's data sheet wins.
_FILLER = _Film("filler primer", 0.05, 1.0, 0.2, "spray thin; sand level between coats")
_SEALERS: dict[str, _Film] = {
    "varnish": _Film(
        "sealer: varnish or shellac", 0.025, 2.0, 0.2, "thin coats; no tack before the next", _TIGHT
    ),
    "resin": _Film(
        "sealer: brush-on epoxy", 0.12, 12.0, 0.3, "thin and even, let it level; gloves, moving air"
    ),
}
_RELEASE = {
    "foam": "paste wax, buffed; then what the foam's maker names, a thin mist",
    "rubber": "what the rubber's maker names; some silicones need none on a waxed face",
    "gypsum": "soap solution, wiped almost dry",
}


@stage
def coat(
    piece: Workpiece,
    *,
    printer: Printer = Printer(),  # noqa: B008 - a frozen value
    material: Material | None = None,
    sealer: Sealer = "varnish",
    cusp_mm: float = 0.1,
    grits: tuple[int, ...] = (120, 240, 400),
) -> Workpiece:
    """Say how to sand, fill, seal and release the printed face, and how rough it is.

    Parameters
    ----------
    printer : its layer height makes the steps
    material : what is cast: names the release; left out, the general advice
    sealer : 'varnish' (about 0.025 mm a coat) or 'resin' (about 0.12 mm)
    cusp_mm : step height wished for on the face; 0.01 to 1
    grits : of the paper, coarse to fine, each 40 to 3000; none leaves sanding out

    The seal coat's thickness is the one given to `shell` (coat_mm): so many coats are planned
    as come nearest to it. Step height by slope and layer, c = L |n . u| (Dolenc and Mäkelä,
    Computer-Aided Design 26 (1994) 119), on the faces that shape the casting, in the
    pose each part is printed in. Attaches ``cusp.ply`` and the picture ``cusp.png``.

    Films and times are from memory; the tins' data sheets win. Bodies stay as they are.

    Layers are advised from a quarter to three quarters of the nozzle's bore, no others.

    Findings: 'coat-without-room', 'coat-differs', 'coats-many', 'steps-high', 'sanding-deep',
    'layer-unusual'.

    Raises
    ------
    BadParameter : a value out of range, or the piece has no mold
    """
    _check(sealer, cusp_mm, grits)
    piece.record("block")
    faces = working_faces(piece)
    if sum(len(face.mesh.faces) for face in faces) == 0:
        raise BadParameter("no part of the mold lies on the pad", "Run block anew")
    area = np.concatenate([face.area for face in faces])
    steps_mm = np.concatenate([face.cusps_mm(printer.layer_mm) for face in faces])
    high = _share_below(steps_mm, area, _HIGH)
    entered = _coat_mm(piece)
    steps = _schedule(_SEALERS[sealer], entered, high, float(area.sum()), material, grits)
    planned = sum(step["thickness_mm"] for step in steps if step["stays"])
    layers = _layers(high, cusp_mm, printer)
    figures: dict[str, Any] = {
        "steps": steps,
        "hours": round(sum(step["hours"] for step in steps), 2),
        "coat_mm": entered,
        "planned_mm": round(planned, 3),
        "cusp": {
            "max_mm": round(high, 4),
            "mean_mm": round(float((steps_mm * area).sum() / area.sum()), 4),
            "wished_mm": cusp_mm,
            "over_share": round(float(area[steps_mm > cusp_mm].sum() / area.sum()), 4),
            "layer_mm": printer.layer_mm,
            "area_cm2": round(float(area.sum()) / 100, 3),
            "parts": [_part_row(face, printer.layer_mm) for face in faces],
        },
        "sanding_allowance_mm": round(high / 2, 4),
        "layer_for_cusp_mm": round(layers.advised_mm, 4),
        "layer_advice": _layer_advice(layers, high, cusp_mm, printer),
    }
    findings = [
        *_coat_findings(entered, planned, _SEALERS[sealer]),
        *_step_findings(high, cusp_mm, layers, printer, grits),
    ]
    return piece.note(figures, findings, cusp_pictures(faces, printer.layer_mm))


def _check(sealer: str, cusp_mm: float, grits: tuple[int, ...]) -> None:
    if sealer not in _SEALERS:
        raise BadParameter(f"sealer = {sealer!r}", "Choose 'varnish' or 'resin'")
    if not 0.01 <= cusp_mm <= 1:
        raise BadParameter(f"cusp_mm = {cusp_mm:g}", "Choose 0.01 to 1")
    if not all(40 <= grit <= 3000 for grit in grits) or list(grits) != sorted(set(grits)):
        raise BadParameter(f"grits = {list(grits)}", "Give grits of 40 to 3000, coarse to fine")


def _schedule(
    film: _Film,
    entered: float,
    high: float,
    area_mm2: float,
    material: Material | None,
    grits: tuple[int, ...],
) -> list[dict[str, Any]]:
    """The steps in their order; `stays` tells what remains on the face as the coat."""
    size = math.sqrt(area_mm2 / 1e5)  # hands take longer on more area, not in proportion
    steps = []
    if grits:
        dry = [grit for grit in grits if grit <= 320] or list(grits[:1])
        steps.append(
            _step(
                f"sand, grit {', '.join(map(str, dry))}",
                1,
                0.0,
                0.4 * len(dry) * size,
                0.0,
                f"take the tops off the steps, up to {high / 2:.2f} mm; mask on, wet if you can",
            )
        )
    # Valleys half a step deep are filled; what fills them lies under the face, not on it.
    fillings = min(math.ceil(high / 2 / _FILLER.mm), 4) if high > 0.03 else 0
    if fillings:
        steps.append(
            _step(
                _FILLER.what,
                fillings,
                fillings * _FILLER.mm,
                fillings * _FILLER.hand_h * size,
                fillings * _FILLER.dry_h,
                f"{_FILLER.note}: it is sanded back to the tops and does not count as coat",
            )
        )
    coats = max(film.least if entered else _TIGHT, round(entered / film.mm))
    steps.append(
        _step(
            film.what,
            coats,
            coats * film.mm,
            coats * film.hand_h * size,
            coats * film.dry_h,
            film.note + "; no drop of water may soak in",
            stays=True,
        )
    )
    fine = [grit for grit in grits if grit > 320]
    if fine:
        note = "wet, until it feels even; wipe clean"
        steps.append(
            _step(
                f"polish, grit {', '.join(map(str, fine))}",
                1,
                0.0,
                0.3 * len(fine) * size,
                0.0,
                note,
            )
        )
    named = _RELEASE[material.kind] if material else "what the casting material's maker names"
    waxed = f"{named}; thin, each coat dry"
    steps.append(_step("release", _WAXED, 0.0, _WAXED * 0.1 * size, _WAXED * _WAX_DRY_H, waxed))
    return steps


def _step(
    what: str,
    coats: int,
    mm: float,
    hand_h: float,
    dry_h: float,
    note: str,
    *,
    stays: bool = False,
) -> dict[str, Any]:
    """A step's row: its hours are those of hands, and of drying between coats and after them."""
    return {
        "what": what,
        "coats": coats,
        "thickness_mm": round(mm, 4),
        "hours": round(hand_h + dry_h, 2),
        "hand_h": round(hand_h, 2),
        "note": note,
        "stays": stays,
    }


def _share_below(values: Floats, weights: Floats, share: float) -> float:
    """The value that this share of the weight does not pass."""
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weights[order])
    place = int(np.searchsorted(total, share * total[-1]))
    return float(values[order][min(place, len(values) - 1)])


def _part_row(face: WorkingFace, layer_mm: float) -> dict[str, Any]:
    total = float(face.area.sum())
    steps = face.cusps_mm(layer_mm)
    return {
        "body": face.body,
        "area_cm2": round(total / 100, 3),
        "max_mm": round(_share_below(steps, face.area, _HIGH), 4) if total else 0.0,
        "mean_mm": round(float((steps * face.area).sum() / total), 4) if total else 0.0,
    }


def _coat_mm(piece: Workpiece) -> float:
    """The thickness of the seal coat, as it was given to `shell`."""
    shelled = piece.newest("shell")
    return 0.0 if shelled is None else float(shelled["parameters"].get("coat_mm") or 0.0)


def _layers(high: float, cusp_mm: float, printer: Printer) -> _Layers:
    low, most = (share * printer.nozzle_mm for share in _LAYER_SHARES)
    slope = min(high / printer.layer_mm, 1.0)
    wanted = float(layer_for_cusp_mm(np.degrees(np.arccos(slope)), cusp_mm, most))
    advised = max(wanted, min(low, printer.layer_mm))
    return _Layers(advised, advised * slope, low, most)


def _layer_advice(layers: _Layers, high: float, cusp_mm: float, printer: Printer) -> str:
    share = f"{100 * _HIGH:.0f} % of the face"
    if layers.left_mm > cusp_mm + 1e-9:
        return (
            f"No layer that a nozzle of {printer.nozzle_mm:g} mm prints well keeps the steps "
            f"within {cusp_mm:g} mm: {layers.advised_mm:.2f} mm leaves {layers.left_mm:.2f} mm on "
            f"{share}, {printer.layer_mm:g} mm leaves {high:.2f} mm. Sand and fill, or turn the "
            "parts in lay_out"
        )
    return (
        f"Layers of {layers.advised_mm:.2f} mm keep the steps within {cusp_mm:g} mm on {share}; "
        f"{printer.layer_mm:g} mm leaves {high:.2f} mm"
    )


def _coat_findings(entered: float, planned: float, film: _Film) -> list[Finding]:
    findings = []
    if entered == 0 and planned > _SLACK_MM:
        findings.append(
            Finding(
                "coat-without-room",
                "note",
                f"the seal coats add {planned:.2f} mm that the cavity has no room for: the "
                f"casting comes out thinner by so much on each face. Give shell coat_mm = "
                f"{planned:.2f} if that matters",
                "pad",
            )
        )
    elif entered and abs(planned - entered) > max(_SLACK_MM, 0.2 * entered):
        findings.append(
            Finding(
                "coat-differs",
                "warning",
                f"shell left room for a coat of {entered:g} mm, whole coats of this sealer come to "
                f"{planned:.2f}: choose the other sealer, or another coat_mm",
                "pad",
            )
        )
    coats = round(planned / film.mm)
    if coats > _MOST_COATS:
        findings.append(
            Finding(
                "coats-many",
                "warning",
                f"{coats} coats take {coats * film.dry_h:.0f} h to dry and round the detail off: "
                "choose the thicker sealer ('resin'), or a smaller coat_mm in shell",
                "pad",
            )
        )
    return findings


def _step_findings(
    high: float, cusp_mm: float, layers: _Layers, printer: Printer, grits: tuple[int, ...]
) -> list[Finding]:
    findings = []
    if not layers.low_mm - 1e-9 <= printer.layer_mm <= layers.high_mm + 1e-9:
        findings.append(
            Finding(
                "layer-unusual",
                "warning",
                f"a nozzle of {printer.nozzle_mm:g} mm prints layers of {layers.low_mm:.2f} to "
                f"{layers.high_mm:.2f} mm well; {printer.layer_mm:g} mm bond badly or smear. "
                "Choose layer_mm among those, or another nozzle",
                "cavity",
            )
        )
    if high > cusp_mm + 1e-9 and not grits:
        findings.append(
            Finding(
                "steps-high",
                "warning",
                f"steps of {high:.2f} mm will show on the casting: sand (grits), turn the parts in "
                f"lay_out, or print layers of {layers.advised_mm:.2f} mm, which leave "
                f"{layers.left_mm:.2f} mm",
                "cavity",
            )
        )
    if high / 2 > _LINE_SHARE * printer.nozzle_mm:
        findings.append(
            Finding(
                "sanding-deep",
                "warning",
                f"sanding takes up to {high / 2:.2f} mm off walls of {printer.nozzle_mm:g} mm "
                "lines: print thinner layers, or fill instead of sanding",
                "cavity",
            )
        )
    return findings
