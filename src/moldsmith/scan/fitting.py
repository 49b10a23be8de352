"""The scan made the wearer's size from known lengths and girths: fit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, get_args

import numpy as np
import trimesh
from numpy.typing import NDArray

from ..errors import BadParameter
from ..stage import stage
from ..workpiece import Finding, Frame, Vector, Workpiece
from .sizing import CLOSE_MM, Fitted, Method, Sized, fitted
from .targets import Girth, Length, Target, girth_targets, length_targets, stature_target

__all__ = ["fit"]

Floats = NDArray[np.float64]
_TABLE_ROWS = 25
_NEARER = (
    "Choose method 'warp' to come nearer",
    "The scan's triangles are too long there to follow the warp: give it smaller ones",
)


@stage
def fit(
    piece: Workpiece,
    *,
    girths: Sequence[Girth] = (),
    lengths: Sequence[Length] = (),
    stature_mm: float | None = None,
    method: Method = "auto",
    max_strain: float = 0.35,
    blend_mm: float = 80.0,
    casting_shrink_pct: float = 0.0,
) -> Workpiece:
    """Make the scan the wearer's size, and compensate what the casting will shrink.

    Places are given on the scan as it comes in, in its coordinates; they move
    along with it. The log's targets tell the size before and after.

    Parameters
    ----------
    girths : {height_mm, girth_mm} each, by tape round the largest part at that height (the
        trunk); or {at = (x, y, z), girth_mm} round the part at that point, with `normal`
        where the tape does not lie level. A tape bridges hollows
    lengths : {from = (x, y, z), to = (x, y, z), length_mm} each, straight
    stature_mm : of the wearer, against the whole height of an uncropped scan
    method : 'uniform', one factor, about the scan's origin; 'axes', one each for side,
        depth and up; 'warp', factors that change smoothly with height, side and depth
        about the body's centre line; 'auto', the first of these that meets all within
        0.5 mm. In 'axes' and 'warp' an axis that no size speaks about keeps its size,
        and side and depth change alike where no length tells them apart
    max_strain : 0.01 to 1, how far the form may change anywhere: principal stretch
        over the overall one, or its inverse, less 1
    blend_mm : 10 to 500, height over which 'warp' goes over from one factor to the next
    casting_shrink_pct : -5 to 20, linear, of the casting relative to the mold: the scan
        becomes 1/(1 − s) larger, so that the casting comes out the wearer's size.
        Less than 0 for what expands. Sizes in the log are those of the wearer. Once only

    Changes body 'scan'.

    Findings: 'size-not-met' where a size is off by more than 0.5 mm, within its limit.

    Raises
    ------
    BadParameter : nothing given, a size or its place makes no sense, the scan is
        open at a girth, sizes contradict each other, or the scan is compensated already

    Notes
    -----
    A size passes that is within what ISO 20685 allows a scan to be off: 4 mm for
    stature and small girths, 9 mm for large ones (from 500 mm), 5 mm for segments.
    """
    _check(method, max_strain, blend_mm, casting_shrink_pct)
    _refuse_twice(piece)
    if stature_mm is not None:
        _refuse_cropped(piece)
    scan = piece.body("scan")
    axes = _axes(piece.frame)
    body = trimesh.Trimesh(scan.vertices @ axes.T, scan.faces, process=False)
    targets: list[Target] = girth_targets(body, girths, axes) + length_targets(lengths, axes)
    targets += [] if stature_mm is None else [stature_target(body, stature_mm)]
    if not targets and casting_shrink_pct == 0:
        raise BadParameter(
            "fit was given no size", "Give girths, lengths, stature_mm or casting_shrink_pct"
        )
    grown = 1 / (1 - casting_shrink_pct / 100)
    found = fitted(body, targets, method, max_strain, blend_mm) if targets else None
    vertices = np.asarray(body.vertices) if found is None else found.stretch(body.vertices)
    sized = trimesh.Trimesh(vertices @ axes * grown, scan.faces, process=False)
    figures = _figures(found, axes, max_strain, grown)
    figures["casting_shrink"] = {
        "percent": casting_shrink_pct,
        "convention": "relative to the mold: scale 1 / (1 - s)",
        "scale": round(grown, 9),
    }
    return piece.with_bodies(scan=sized).note(figures, _findings(found, axes, grown))


def _check(method: str, max_strain: float, blend_mm: float, shrink_pct: float) -> None:
    if method not in get_args(Method):
        raise BadParameter(f"method = {method!r}", f"Choose one of {', '.join(get_args(Method))}")
    if not 0.01 <= max_strain <= 1:
        raise BadParameter(f"max_strain = {max_strain:g}", "Choose 0.01 to 1")
    if not 10 <= blend_mm <= 500:
        raise BadParameter(f"blend_mm = {blend_mm:g}", "Choose 10 to 500 mm")
    if not -5 <= shrink_pct <= 20:
        raise BadParameter(f"casting_shrink_pct = {shrink_pct:g}", "Choose -5 to 20 percent")


def _refuse_twice(piece: Workpiece) -> None:
    """`BadParameter` where an earlier stage made the scan larger than the wearer for shrink."""
    for record in piece.records:
        shrink = record.get("figures", {}).get("casting_shrink", {})
        if shrink.get("percent"):
            raise BadParameter(
                f"casting_shrink_pct = {shrink['percent']:g} was compensated already, by "
                f"{record['stage']} (stage {record['sequence']}): the scan has the mold's size, "
                "no longer the wearer's",
                "Give sizes and shrink in one fit, or the shrink in the last one",
            )


def _refuse_cropped(piece: Workpiece) -> None:
    if any(record["stage"] == "crop" for record in piece.records):
        raise BadParameter(
            "stature_mm cannot be held against a cropped scan",
            "Fit before crop, or give lengths and girths of the part that is left",
        )


def _axes(frame: Frame) -> Floats:
    """Rows side (the wearer's left), depth (backward), up: a right-handed set."""
    up, facing = np.asarray(frame.up, dtype=float), np.asarray(frame.facing, dtype=float)
    return np.stack([np.cross(up, facing), -facing, up])


def _figures(found: Fitted | None, axes: Floats, max_strain: float, grown: float) -> dict[str, Any]:
    if found is None:
        return {"method": None, "targets": []}
    stretch = found.stretch
    rows = _TABLE_ROWS if found.method == "warp" else 1
    heights = np.linspace(stretch.knots[3], stretch.knots[-4], rows)
    factors = np.round(stretch.factors_at(heights), 6)
    return {
        "method": found.method,
        "targets": [_told(found, sized, axes, grown) for sized in found.sizes],
        "factors": [
            {
                "height_mm": round(float(height), 1) if rows > 1 else None,
                "side": side,
                "depth": depth,
                "up": up,
            }
            for height, (side, depth, up) in zip(heights, factors.tolist(), strict=True)
        ],
        "strain_max": round(found.strain, 4),
        "strain_max_at": np.round(found.place @ axes, 1),
        "strain_allowed": max_strain,
    }


def _told(found: Fitted, sized: Sized, axes: Floats, grown: float) -> dict[str, Any]:
    target = sized.target
    return {
        "target": target.label,
        "kind": target.kind,
        "at": np.round(target.centre @ axes, 1),
        "at_after": np.round(_place(found, sized, axes, grown), 1),
        "wanted_mm": target.wanted_mm,
        "before_mm": round(sized.before_mm, 2),
        "after_mm": round(sized.after_mm, 2),
        "residual_mm": round(sized.residual_mm, 2),
        "limit_mm": target.limit_mm,
        "passed": abs(sized.residual_mm) <= target.limit_mm,
    }


def _findings(found: Fitted | None, axes: Floats, grown: float) -> list[Finding]:
    if found is None:
        return []
    return [
        Finding(
            "size-not-met",
            "note",
            f"{sized.target.label}: {sized.after_mm:.1f} mm in place of "
            f"{sized.target.wanted_mm:g}, within the {sized.target.limit_mm:g} mm of ISO 20685. "
            + _NEARER[found.method == "warp"],
            "scan",
            _place(found, sized, axes, grown),
        )
        for sized in found.sizes
        if abs(sized.residual_mm) > CLOSE_MM
    ]


def _place(found: Fitted, sized: Sized, axes: Floats, grown: float) -> Vector:
    x, y, z = (found.stretch(sized.target.centre[None])[0] @ axes * grown).tolist()
    return (x, y, z)
