"""Which way the wearer's up and facing are: stand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..stage import stage
from ..workpiece import Finding, Vector, Workpiece
from .directions import Direction, unit_vector, upright_frame
from .posture import Told, read_posture, tell_facing, tell_up

__all__ = ["stand"]

Floats = NDArray[np.float64]

SURE = 0.6  # confidence below which the directions stay as the scan was loaded


@stage
def stand(
    piece: Workpiece,
    *,
    up: Direction | None = None,
    facing: Direction | None = None,
) -> Workpiece:
    """Find the wearer's up and facing in a healed scan and set the piece's frame by them.

    The plane of symmetry, the principal axes in it and the plane the body rests
    on tell up; feet, head and trunk tell facing (`scan.posture` has the
    reasoning). Each comes with a confidence of 0 to 1. One below 0.6 changes
    nothing: the direction stays as the scan was loaded. Coordinates stay.

    Parameters
    ----------
    up, facing : the direction itself, not to be looked for: an axis ('x', '-y', ...)
        or three numbers, in the scan's coordinates

    Returns
    -------
    Workpiece with another frame

    Findings: 'orientation-unsure' for each direction with too little confidence.

    Raises
    ------
    BadParameter : a direction makes no sense, or both are all but parallel
    """
    mesh = piece.body("scan")
    posture = read_posture(np.asarray(mesh.vertices), np.asarray(mesh.faces))
    findings: list[Finding] = []
    loaded = piece.frame
    upward = _given(up, "up") or tell_up(posture)
    upward_used = np.asarray(loaded.up) if upward.confidence < SURE else upward.direction
    if upward.confidence < SURE:
        findings.append(_unsure("up", upward, loaded.up))
    forward = _given(facing, "facing") or tell_facing(posture, upward_used)
    forward_used = forward.direction
    if forward.confidence < SURE:
        forward_used = _nearest_to_loaded(forward.direction, upward_used, loaded.facing)
        findings.append(_unsure("facing", forward, _triple(forward_used)))
    frame = upright_frame(_triple(upward_used), _triple(forward_used))
    figures = {
        "up": frame.up,
        "up_confidence": round(upward.confidence, 3),
        "up_hints": _rounded(upward.hints),
        "facing": frame.facing,
        "facing_confidence": round(forward.confidence, 3),
        "facing_hints": _rounded(forward.hints),
        "symmetry_residual_mm": round(posture.residual_mm, 3),
        "symmetry_normal": np.round(posture.across, 6),
    }
    stood = replace(piece, frame=replace(loaded, up=frame.up, facing=frame.facing))
    return stood.note(figures, findings)


def _given(direction: Direction | None, name: str) -> Told | None:
    return None if direction is None else Told(unit_vector(direction, name), 1.0, {"given": 1.0})


def _nearest_to_loaded(forward: Floats, up: Floats, loaded: Vector) -> Floats:
    """Of both directions square to the shoulders, the one the scan was loaded with, if it is near.

    The plane of symmetry tells the line; only which way along it is unsure.
    """
    before = np.asarray(loaded) - (np.asarray(loaded) @ up) * up
    length = float(np.linalg.norm(before))
    if length < 0.5:  # loaded facing up or down: no help
        return forward
    share = float(before @ forward) / length
    if abs(share) > np.cos(np.radians(30.0)):
        return forward if share > 0 else -forward
    return before / length


def _unsure(name: str, told: Told, used: Vector) -> Finding:
    found = ", ".join(f"{value:.3f}" for value in told.direction)
    kept = ", ".join(f"{value:.3f}" for value in used)
    message = (
        f"the wearer's {name} is unsure: ({found}) with confidence {told.confidence:.2f}, "
        f"less than {SURE:g}; ({kept}) is used. Look at the scan and give {name} if that is wrong"
    )
    return Finding("orientation-unsure", "warning", message, "scan")


def _rounded(hints: Mapping[str, float]) -> dict[str, float]:
    return {name: round(value, 3) for name, value in hints.items()}


def _triple(vector: Floats) -> Vector:
    x, y, z = (float(value) for value in vector)
    return (x, y, z)
