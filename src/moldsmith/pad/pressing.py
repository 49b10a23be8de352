"""The pad pressed against the wearer: where it touches, gapes, digs in, and its step at the rim."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import trimesh
from numpy.typing import NDArray

from ..errors import BadParameter, MoldsmithError
from ..geometry import colours, ply
from ..geometry.distance import SurfaceIndex
from ..geometry.settling import settled
from ..geometry.topology import border_loops
from ..scan.units import Unit
from ..stage import stage
from ..workpiece import Finding, Vector, Workpiece
from .thickness import mold_scale
from .wearer import refuse_small, wearer_mesh

__all__ = ["PadFaces", "fit_check", "pad_faces", "rim_steps"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_SPACING_MM = 3.0
_PROFILE_POINTS = 200
_SLACK_MM = 0.05  # by which a feathered rim may stand above edge_mm
_RIM_SHARE = 0.99


def fit_check(
    piece: Workpiece,
    *,
    wearer: Path | str | trimesh.Trimesh | None = None,
    unit: Unit | None = None,
    touch_mm: float = 1.0,
    settle: bool = False,
) -> Workpiece:
    """Press the pad against the wearer, before anything is printed.

    The pad is taken as a solid, of the size it has once cast: what `fit` added for
    shrink is taken off again. Nothing is bent.

    Parameters
    ----------
    wearer : the body that will wear it: a scan file, a mesh in mm, or the name of a
        body of the piece, in the coordinates of the piece's scan. Left out, it is
        the scan itself, which an 'outward' pad was built on
    unit : of the file's numbers, as in `load_scan`
    touch_mm : 0.05 to 20; within this the pad counts as touching
    settle : first lay the pad against the wearer by the rigid motion that makes
        gaps and overlaps least (closest points, from where it lies). The bodies
        stay where they are; the log has the motion

    Adds no body. Attaches ``fit_check.ply``, the pad with its back coloured: blue where
    it gapes, red where it digs in, pale where it touches. The log has areas, worst places,
    and the step that a cloth over the rim shows, along each trim line: the distance of the
    outer face's border from the wearer.

    Findings: 'proud-rim' where more than 1 % of the trim line stands more than
    0.05 mm above shell's `edge_mm`; 'gaping-back' where less than half of the back
    touches; 'wearer-through-pad' where the wearer stands out of the outer face.

    Raises
    ------
    BadParameter : no pad, an inward pad without a wearer, or one nowhere near
    BadScan : the wearer's file cannot be used
    """
    try:
        body = wearer_mesh(piece, wearer, unit)
    except MoldsmithError as error:
        raise error.located(piece.name, "fit_check") from error
    return _fit_check(piece, wearer=body, touch_mm=touch_mm, settle=settle)


# The stage proper: it knows the wearer by content, not by the file's name.
@stage
def _fit_check(
    piece: Workpiece, *, wearer: trimesh.Trimesh | None, touch_mm: float, settle: bool
) -> Workpiece:
    if not 0.05 <= touch_mm <= 20:
        raise BadParameter(f"touch_mm = {touch_mm:g}", "Choose 0.05 to 20 mm")
    pad = piece.body("pad")
    shelled = piece.record("shell")
    faces = pad_faces(pad, shelled)
    if wearer is None and shelled["parameters"]["side"] == "inward":
        raise BadParameter(
            "wearer is missing: an inward pad lies under the scan, so the scan is not who wears it",
            "Give the wearer's scan",
        )
    own = wearer is None or wearer is piece.bodies.get("scan")
    body = piece.body("scan") if wearer is None else wearer
    cast = np.asarray(pad.vertices) if own else _as_cast(piece, pad)
    refuse_small(body, cast)
    index = SurfaceIndex(np.asarray(body.vertices), np.asarray(body.faces), _SPACING_MM)
    back = _Face.of(cast, faces.back)
    motion = np.eye(4)
    if settle:
        motion = settled(index, cast[back.vertices], back.weights)
        cast = cast @ motion[:3, :3].T + motion[:3, 3]
        back = _Face.of(cast, faces.back)
    press = _pressed(index, cast[back.vertices], touch_mm)
    _refuse_far(press, back, cast)
    outer = _Face.of(cast, faces.outer)
    through = _pressed(index, cast[outer.vertices], touch_mm) < 0
    # Against its own scan the pad is as large as the mold, and so is its edge.
    edge_mm = float(shelled["parameters"]["edge_mm"]) * (mold_scale(piece) if own else 1)
    figures = {
        "motion": np.round(motion, 9) if settle else None,
        "cast_scale": round(1 if own else 1 / mold_scale(piece), 9),
        **_contact_figures(press, back, cast, touch_mm),
        "through_mm2": round(float(outer.weights[through].sum()), 1),
        "rim": _rim_figures(index, cast, faces, edge_mm),
    }
    reach = _reach(press, touch_mm)
    figures["colour_range_mm"] = [-reach, reach]
    picture = _picture(cast, pad, back, press, reach)
    findings = _findings(figures, back, outer, cast, press, through)
    return piece.note(figures, findings, {"fit_check.ply": picture})


@dataclass(frozen=True, slots=True)
class PadFaces:
    """The triangles of a pad by what they are: outer face, back, rim band."""

    outer: Ints
    back: Ints
    rim: Ints


def pad_faces(pad: trimesh.Trimesh, shelled: Any) -> PadFaces:
    """Tell a pad's triangles apart by the log of the `shell` that made it.

    The scanned face comes first, then the offset face, then the rim. An inward
    pad shows its scanned face, an outward one its offset face.
    """
    figures, faces = shelled["figures"], np.asarray(pad.faces)
    first = int(figures["scanned_face_triangles"])
    second = first + int(figures["offset_face_triangles"])
    scanned, offset, rim = faces[:first], faces[first:second], faces[second:]
    inward = shelled["parameters"]["side"] == "inward"
    return PadFaces(scanned if inward else offset, offset if inward else scanned, rim)


def rim_steps(surface: SurfaceIndex, vertices: Floats, outer: Ints) -> list[tuple[Floats, Floats]]:
    """Height (n,) of the outer face's border above a surface, and its points (n, 3).

    One pair a trim line, in order along it. Less than 0 where the border lies
    below the surface.
    """
    steps = []
    for loop in border_loops(outer):
        points = vertices[loop]
        found = surface.closest(points)
        side = np.where(found.on_border, 1.0, surface.side_of(points, found))
        steps.append((side * found.distance, points))
    return steps


@dataclass(frozen=True, slots=True)
class _Face:
    """The vertices of a part of a mesh, each with the area about it."""

    vertices: Ints
    weights: Floats

    @classmethod
    def of(cls, points: Floats, faces: Ints) -> _Face:
        corners = points[faces]
        cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        area = np.repeat(np.linalg.norm(cross, axis=1) / 6, 3)
        total = np.bincount(faces.ravel(), area, minlength=len(points))
        used = np.unique(faces)
        return cls(used, np.asarray(total[used], dtype=np.float64))


def _as_cast(piece: Workpiece, pad: trimesh.Trimesh) -> Floats:
    """The pad's vertices at the size of the casting, scaled about the scan's origin."""
    origin = np.asarray(piece.frame.moved)[:3, 3]
    return np.asarray(origin + (pad.vertices - origin) / mold_scale(piece))


def _pressed(index: SurfaceIndex, points: Floats, touch_mm: float) -> Floats:
    """Gap (n,) from points to the wearer, less than 0 for an overlap.

    NaN past the wearer's border, where there is nothing to press against.
    """
    found = index.closest(points)
    gap = found.distance * index.side_of(points, found)
    return np.where(found.on_border, np.where(found.distance > touch_mm, np.nan, 0.0), gap)


def _refuse_far(press: Floats, back: _Face, cast: Floats) -> None:
    known = np.isfinite(press)
    nearest = float(np.abs(press[known]).min()) if known.any() else np.inf
    if nearest > 100:
        low, high = (np.round(f(cast[back.vertices], axis=0)).tolist() for f in (np.min, np.max))
        raise BadParameter(
            f"wearer is nowhere near the pad, which spans {low} to {high} mm",
            "Bring both scans into the same place and unit",
        )


def _contact_figures(
    press: Floats, back: _Face, cast: Floats, touch_mm: float
) -> dict[str, object]:
    known = np.isfinite(press)
    gap, area, place = press[known], back.weights[known], cast[back.vertices[known]]
    seen = max(float(area.sum()), 1e-9)
    touches = np.abs(gap) <= touch_mm
    quantiles = _quantiles(gap, area, (0.05, 0.5, 0.95))
    return {
        "touch_mm": touch_mm,
        "back_mm2": round(float(back.weights.sum()), 1),
        "past_wearer_mm2": round(float(back.weights[~known].sum()), 1),
        "contact_mm2": round(float(area[touches].sum()), 1),
        "contact_share": round(float(area[touches].sum()) / seen, 4),
        "gap_mm2": round(float(area[gap > touch_mm].sum()), 1),
        "overlap_mm2": round(float(area[gap < -touch_mm].sum()), 1),
        # To first order: the sum of depth times area over the back.
        "gap_cm3": round(float((np.maximum(gap, 0) * area).sum()) / 1000, 3),
        "overlap_cm3": round(float((np.maximum(-gap, 0) * area).sum()) / 1000, 3),
        "gap_p5_mm": quantiles[0],
        "gap_p50_mm": quantiles[1],
        "gap_p95_mm": quantiles[2],
        "worst_gap": _worst(gap, place),
        "worst_overlap": _worst(-gap, place),
    }


def _worst(depth: Floats, place: Floats) -> dict[str, object] | None:
    """The greatest depth and where, None if there is none above 0."""
    if len(depth) == 0 or depth.max() <= 0:
        return None
    worst = int(np.argmax(depth))
    return {"mm": round(float(depth[worst]), 3), "at": np.round(place[worst], 2)}


def _rim_figures(
    index: SurfaceIndex, cast: Floats, faces: PadFaces, edge_mm: float
) -> dict[str, object]:
    """The step a cloth shows, over the wearer; and the rim's own, over the pad's back."""
    back = SurfaceIndex(cast, faces.back, _SPACING_MM)
    over_wearer = rim_steps(index, cast, faces.outer)
    over_back = rim_steps(back, cast, faces.outer)
    points = [line for _, line in over_wearer]
    length = np.concatenate([_shares_mm(line) for line in points])
    step = np.concatenate([values for values, _ in over_wearer])
    rim = np.concatenate([np.abs(values) for values, _ in over_back])
    limit = edge_mm + _SLACK_MM
    worst = int(np.argmax(step))
    return {
        "length_mm": round(float(length.sum()), 1),
        "edge_mm": edge_mm,
        "step_p50_mm": _quantiles(step, length, (0.5,))[0],
        "step_p95_mm": _quantiles(step, length, (0.95,))[0],
        "step_p99_mm": _quantiles(step, length, (0.99,))[0],
        "step_max_mm": round(float(step[worst]), 3),
        "step_max_at": np.round(np.concatenate(points)[worst], 2),
        "step_within_edge_share": round(float(length[step <= limit].sum() / length.sum()), 5),
        "thickness_p50_mm": _quantiles(rim, length, (0.5,))[0],
        "thickness_p99_mm": _quantiles(rim, length, (0.99,))[0],
        "thickness_max_mm": round(float(rim.max()), 3),
        "thickness_within_edge_share": round(float(length[rim <= limit].sum() / length.sum()), 5),
        "profiles": [_profile(values, line) for values, line in over_wearer],
    }


def _shares_mm(line: Floats) -> Floats:
    """How much of a closed line belongs to each of its points."""
    step = np.linalg.norm(np.roll(line, -1, axis=0) - line, axis=1)
    return np.asarray((step + np.roll(step, 1)) / 2)


def _profile(step: Floats, line: Floats) -> list[list[float]]:
    """[mm along the trim line, step in mm], at equal distances; where it starts, it ends."""
    closed = np.vstack([line, line[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    at = np.linspace(0, along[-1], min(_PROFILE_POINTS, len(line)) + 1)
    heights = np.interp(at, along, np.append(step, step[0]))
    return [[round(float(a), 1), round(float(h), 3)] for a, h in zip(at, heights, strict=True)]


def _quantiles(values: Floats, weights: Floats, shares: tuple[float, ...]) -> list[float | None]:
    """Weighted quantiles; None where there are no values."""
    if len(values) == 0:
        return [None] * len(shares)
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weights[order])
    rank = np.searchsorted(total, np.array(shares) * total[-1])
    return [round(float(v), 3) for v in values[order][np.minimum(rank, len(values) - 1)]]


def _reach(press: Floats, touch_mm: float) -> float:
    """The depth at which the colours end, in whole steps of half a millimetre."""
    known = np.abs(press[np.isfinite(press)])
    most = float(np.quantile(known, 0.98)) if len(known) else 0.0
    return float(np.ceil(2 * max(most, 2 * touch_mm)) / 2)


def _picture(cast: Floats, pad: trimesh.Trimesh, back: _Face, press: Floats, reach: float) -> bytes:
    shown = np.full(len(cast), np.nan)
    shown[back.vertices] = press
    return ply.encode(cast, pad.faces, vertex_colours=colours.diverging(shown, reach))


def _findings(
    figures: dict[str, Any],
    back: _Face,
    outer: _Face,
    cast: Floats,
    press: Floats,
    through: NDArray[np.bool_],
) -> list[Finding]:
    findings = []
    rim = figures["rim"]
    if rim["step_within_edge_share"] < _RIM_SHARE:
        share = 1 - rim["step_within_edge_share"]
        message = (
            f"{share:.0%} of the trim line stands more than {rim['edge_mm'] + _SLACK_MM:g} mm "
            f"above the wearer, at most {rim['step_max_mm']:.1f} mm: it will show under cloth. "
            "Choose a smaller edge_mm, or a scan nearer the wearer's form (fit)"
        )
        place = _vector(rim["step_max_at"])
        findings.append(Finding("proud-rim", "warning", message, "pad", place))
    if figures["contact_share"] < 0.5:
        worst = int(np.nanargmax(np.abs(press)))
        message = (
            f"{figures['contact_share']:.0%} of the back touches the wearer within "
            f"{figures['touch_mm']:g} mm; it is {press[worst]:+.1f} mm off at worst (+ gapes, "
            "- digs in). Fit the scan to the wearer, or try settle = true"
        )
        place = _vector(cast[back.vertices[worst]])
        findings.append(Finding("gaping-back", "warning", message, "pad", place))
    if figures["through_mm2"] > 0.001 * float(outer.weights.sum()):
        message = (
            f"over {figures['through_mm2'] / 100:.1f} cm² the wearer stands out of the pad's outer "
            "face. Fit the scan to the wearer, or bring both into the same place"
        )
        place = _vector(cast[outer.vertices[through]].mean(axis=0))
        findings.append(Finding("wearer-through-pad", "warning", message, "pad", place))
    return findings


def _vector(place: Floats) -> Vector:
    x, y, z = (float(value) for value in place)
    return (x, y, z)
