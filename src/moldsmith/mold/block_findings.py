"""What is to be said of a mold of two bodies: its stops, its back, and what holds the casting."""

from __future__ import annotations

import numpy as np
import trimesh
from numpy.typing import NDArray

from ..workpiece import Finding, Workpiece
from .parting import Hindrance

__all__ = ["blocked_out_finding", "held_findings", "told_findings"]

Floats = NDArray[np.float64]
_NOTHING_MM3 = 1.0


def told_findings(
    pad: trimesh.Trimesh,
    style: str,
    piece: Workpiece,
    stops: Floats,
    relief_mm: float,
) -> list[Finding]:
    findings = []
    if style == "cored" and relief_mm > 0 and len(stops) < 3:
        findings.append(
            Finding(
                "no-room-for-stops",
                "warning",
                f"only {len(stops)} of 3 stops found room outside the land: the land alone "
                "holds the gap. Make flange_mm larger or land_mm smaller",
                "core",
            )
        )
    if style == "lidded":
        before = float(piece.body("pad").volume)
        findings.append(
            Finding(
                "flat-back",
                "note",
                f"the pad's back is now flat: {pad.volume / 1000:.0f} cm³ to cast, "
                f"{(pad.volume - before) / 1000:+.0f} cm³ against the even thickness",
                "pad",
            )
        )
    return findings


def held_findings(drag: Hindrance, permitted: float, blocked_out: bool) -> list[Finding]:
    if drag.area_mm2 == 0:
        return []
    too_much = drag.stretch_percent > permitted
    filling = "" if blocked_out else "block_out = true, "
    remedy = (
        f"Choose {filling}another pull, or style = 'pieces'"
        if too_much
        else "A soft foam does (common practice), a stiff material does not"
    )
    return [
        Finding(
            "undercut-casting",
            "warning" if too_much else "note",
            f"the casting is held back over {drag.area_mm2 / 100:.1f} cm², "
            f"{drag.depth_mm:.1f} mm deep: it must give {drag.stretch_percent:.1f} % to leave the "
            f"cavity (permitted {permitted:g} %). {remedy}",
            "cavity",
            drag.where,
        )
    ]


def blocked_out_finding(added_mm3: float, area_mm2: float) -> Finding:
    if added_mm3 < _NOTHING_MM3:
        return Finding(
            "blocked-out",
            "note",
            "block_out = true had nothing to fill: a straight pull releases all of the casting",
            "pad",
        )
    return Finding(
        "blocked-out",
        "note",
        f"what a straight pull could not release was filled over {area_mm2 / 100:.1f} cm²: the "
        f"casting is {added_mm3 / 1000:.1f} cm³ larger there; see block_out.ply for where",
        "pad",
    )
