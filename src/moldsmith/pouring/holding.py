"""What can hold a mold shut of what it has: bolts, clamps, bands, weights."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from ..mold.flange.loads import bolt_limit_n, bolts_for
from ..mold.hardware import Strength, bolt, tightening_torque_nm
from ..mold.pressure import GRAVITY_M_S2
from ..workpiece import Finding, Severity, Workpiece

__all__ = ["Holding", "held_shut", "holding_findings"]

_HEAVY_KG = 60.0
_FEWEST_CLAMPS = 4


@dataclass(frozen=True, slots=True)
class Holding:
    """What pushes the mold open, and what is at hand against it.

    opens : 'upward', the cover; or 'sideways', the side pieces
    force_n, mean_kpa, shadow_mm2, around_mm : along the way it opens
    bolts : size where the mold has none yet; clamp_n : what one clamp presses
    """

    opens: Literal["upward", "sideways"]
    force_n: float
    mean_kpa: float
    shadow_mm2: float
    around_mm: float
    bolts: str
    strength: Strength
    allow_mpa: float
    clamp_n: float
    safety: float


def held_shut(piece: Workpiece, load: Holding) -> dict[str, Any]:
    """Figures of bolts, clamps, bands and weights; `means` lists those that are to be had.

    Bolts are among the means where `fasten` put some; weights where a cover is held down;
    bands where side pieces are, or where there are grooves for them. A band presses what
    it goes round with twice its tension.
    """
    bolts = _bolts(piece, load)
    needed = load.safety * load.force_n
    sideways = load.opens == "sideways"
    figures: dict[str, Any] = {
        "bolts": bolts,
        "clamps": {
            "count": max(_FEWEST_CLAMPS, math.ceil(needed / load.clamp_n)),
            "each_n": load.clamp_n,
        },
        "bands_n": round(needed / 2, 1) if sideways or _grooves(piece) else None,
        "weights_kg": None if sideways else round(needed / GRAVITY_M_S2, 1),
    }
    return {**figures, "means": _means(figures, sideways), "bolts_hint": _hint(bolts, sideways)}


def _bolts(piece: Workpiece, load: Holding) -> dict[str, Any]:
    placed = piece.figures_of("fasten").get("bolts") or ()
    size = bolt(placed[0].get("size", load.bolts) if placed else load.bolts)
    limit = bolt_limit_n(size, size.hole_mm["medium"], load.strength, load.allow_mpa)
    held = bolts_for(load.mean_kpa, load.shadow_mm2, load.around_mm, limit, load.safety)
    each = load.safety * load.force_n / held.count
    return {
        "size": size.size,
        "strength": load.strength,
        "count": held.count,
        "placed": len(placed),
        "each_n": round(each, 1),
        "limit_n": round(held.limit_n, 1),
        "governs": "washer or nut on the print"
        if held.limit_n < 0.75 * size.proof_n[load.strength] - 1e-6
        else "three quarters of the proof load",
        "torque_nm": round(tightening_torque_nm(held.limit_n, size.diameter_mm), 2),
        "enough": bool(each <= held.limit_n + 1e-9),
    }


def _grooves(piece: Workpiece) -> bool:
    """Whether the mold's outside has grooves for bands or straps."""
    return bool(
        piece.figures_of("block").get("grooves_mm") or piece.figures_of("fasten").get("straps")
    )


def _means(figures: Mapping[str, Any], sideways: bool) -> list[dict[str, str]]:
    """What is to be had, each on its own enough unless it says otherwise: bolts come first."""
    bolts, clamps = figures["bolts"], figures["clamps"]
    found = []
    if bolts["placed"]:
        found.append({"what": "bolts", "short": _bolts_short(bolts), "note": _bolts_note(bolts)})
    where = "across the side pieces, over boards" if sideways else "over boards"
    each = f"{clamps['count']} of {clamps['each_n']:g} N"
    found.append(
        {"what": "clamps", "short": f"{clamps['count']} clamps", "note": f"{each}, {where}"}
    )
    if figures["bands_n"] is not None:
        tension = f"{figures['bands_n']:.0f} N"
        where = "round the side pieces" if sideways else "round the mold, over boards"
        note = f"{where}, drawn up to {tension} in all of them together"
        found.append({"what": "bands or straps", "short": f"bands of {tension}", "note": note})
    if figures["weights_kg"] is not None:
        heavy = f"{max(figures['weights_kg'], 1):.0f} kg"
        found.append({"what": "weights", "short": heavy, "note": f"{heavy}, spread evenly"})
    return found


def _bolts_short(bolts: Mapping[str, Any]) -> str:
    few = bolts["placed"] < bolts["count"]
    return f"{bolts['placed']} bolts {bolts['size']}" + (" with clamps between" if few else "")


def _bolts_note(bolts: Mapping[str, Any]) -> str:
    note = f"{bolts['placed']} of {bolts['size']}, class {bolts['strength']}"
    note += f", drawn up by at most {bolts['torque_nm']:g} N m"
    if bolts["placed"] < bolts["count"]:
        return f"{note}; {bolts['count']} would be needed: clamps between them"
    shared = bolts["each_n"] * bolts["count"] / bolts["placed"]
    return f"{note}; each carries {shared:.0f} N of {bolts['limit_n']:.0f} N ({bolts['governs']})"


def _hint(bolts: Mapping[str, Any], sideways: bool) -> str:
    """How to get bolts where the mold has none."""
    if bolts["placed"]:
        return ""
    where = " where two side pieces meet in one plane" if sideways else ""
    return (
        f'The mold has no bolts: fasten.bolts = "{bolts["size"]}" in the job puts them into its '
        f"flange{where}; {bolts['count']} would hold it"
    )


def holding_findings(
    figures: Mapping[str, Any], opens: str, force_n: float, severity: Severity
) -> list[Finding]:
    """What the means fall short of: 'force-large', 'bolts-few', 'weights-heavy'."""
    bolts, findings = figures["bolts"], []
    if not bolts["enough"]:
        over = "the whole cover" if opens == "upward" else "the side pieces"
        findings.append(
            Finding(
                "force-large",
                severity,
                f"{force_n:.0f} N open the mold: {bolts['count']} bolts {bolts['size']} do "
                f"not hold that on printed plastic. Choose larger bolts or boards with clamps over "
                f"{over}, or pack less",
            )
        )
    if 0 < bolts["placed"] < bolts["count"]:
        findings.append(
            Finding(
                "bolts-few",
                severity,
                f"the mold has {bolts['placed']} bolts, the force asks for {bolts['count']} "
                f"{bolts['size']}: add clamps between them, or let fasten place more",
            )
        )
    weights = figures["weights_kg"]
    if weights is not None and weights > _HEAVY_KG:
        findings.append(
            Finding(
                "weights-heavy",
                "note",
                f"{weights:.0f} kg would hold the cover by weight alone: use "
                f"{'bolts or clamps' if bolts['placed'] else 'clamps'}",
            )
        )
    return findings
