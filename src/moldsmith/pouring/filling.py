"""How the mold fills: pose, pockets of air, vents in their order, where to pour."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray

from ..errors import BadParameter
from ..geometry import solid
from ..geometry.levels import volumes_below
from ..geometry.peaks import Peak
from ..geometry.summits import Turn, ceiling_peaks, floor_lows, ranked_turns, turned_upright
from ..mold.bodies import opens_sideways
from ..stage import stage
from ..supplies.materials import Material
from ..workpiece import Finding, Vector, Workpiece
from .batches import pour_ml_s
from .channels import (
    Row,
    channel_rows,
    fill_level,
    filled_channels,
    height_mm,
    pouring_up,
    vent_bore_mm,
)

__all__ = ["fill"]

Floats = NDArray[np.float64]
_STEPS = 40
_CLEAR_MM = 0.05
_FINE_MM = 0.1
_MOST_POCKETS = 30


@dataclass(frozen=True, slots=True)
class _Pocket:
    """Air over a summit: how deep and how much without vents, and with them."""

    where: Vector
    depth_mm: float
    cm3: float
    left_mm: float
    left_cm3: float
    vent: int | None


@stage
def fill(
    piece: Workpiece,
    *,
    material: Material | None = None,
    most_tilt_deg: float = 20.0,
    pocket_mm: float = 1.0,
) -> Workpiece:
    """Say how the mold fills in the pose its channels were placed for.

    Parameters
    ----------
    material : what is cast; a foam's vents are also given in the order of escape
    most_tilt_deg : how far the mold may be propped up in the search for a better pose, the
        side that shows staying below; 0 to 35
    pocket_mm : air deeper than this counts; 0.2 to 50

    Figures: the pose (`up`) and what others would give, the fill curve in that pose, each
    pocket of air with the volume it traps without and with the vents, the vents numbered in
    the order they fill, the low places where an open cavity is poured first (side pieces round
    a core have none), and the funnels. A foam's vents have `escape` too, which counts them
    from the other end: 1 is the last that air leaves by and stays open longest. Bodies stay
    as they are. Exact for the pad's mesh; pockets by persistence.

    Findings: 'air-trapped', 'tilt-helps', 'funnel-drowned', 'vent-narrow', 'no-channels'.

    Raises
    ------
    BadParameter : a value out of range, or the piece has no mold
    """
    if not 0 <= most_tilt_deg <= 35:
        raise BadParameter(f"most_tilt_deg = {most_tilt_deg:g}", "Choose 0 to 35")
    if not 0.2 <= pocket_mm <= 50:
        raise BadParameter(f"pocket_mm = {pocket_mm:g}", "Choose 0.2 to 50")
    piece.record("block")
    pad, rows = piece.body("pad"), channel_rows(piece)
    up = pouring_up(piece)
    whole = solid.from_mesh(pad)
    rough = solid.to_mesh(solid.simplified(whole, pocket_mm / 2))
    mouths = np.array([[row["x"], row["y"], row["outside_z"]] for row in rows if not row["vent"]])
    turns = ranked_turns(
        rough.vertices, rough.faces, most_tilt_deg, pocket_mm, mouths if len(mouths) else None
    )
    vents = _numbered_vents(rows, up)
    pockets = _pockets(pad, whole, rows, vents, up, pocket_mm)
    level = fill_level(rows, float((pad.vertices @ up).max()), up)
    curve = _curve(whole, rows, up, level)
    figures: dict[str, Any] = {
        "up": np.round(up, 6).tolist(),
        "tilt_deg": round(float(np.degrees(np.arccos(np.clip(up[2], -1, 1)))), 2),
        "poses": [_turn_row(turn) for turn in turns[:4]],
        "level_pose": _turn_row(next(turn for turn in turns if turn.tilt_deg == 0)),
        "curve": np.round(curve, 4).tolist(),
        "full_cm3": round(float(curve[-1, 1]), 3),
        "pockets": [_pocket_row(pocket) for pocket in pockets],
        "vents": [_vent_row(row, number, len(vents), curve, pad, up, material)
                  for number, row in enumerate(vents, start=1)],
        "pour_first": [] if opens_sideways(piece) else _pour_first(pad, up, pocket_mm),
        "rises": None if material is None else material.rises,
        "funnels": [_funnel_row(row, pad, up) for row in rows if not row["vent"]],
    }  # fmt: skip
    findings = [
        *_pocket_findings(pockets, pocket_mm),
        *_pose_findings(turns, up),
        *_channel_findings(rows, figures, material, curve, opens_sideways(piece)),
    ]
    return piece.note(figures, findings)


def _numbered_vents(rows: Sequence[Row], up: Floats) -> list[Row]:
    """The vents in the order in which the rising mix reaches them."""
    vents = [row for row in rows if row["vent"]]
    return sorted(vents, key=lambda row: (round(height_mm(row, row["ceiling_z"], up), 3), row["x"]))


def _curve(whole: solid.Solid, rows: Sequence[Row], up: Floats, level: float) -> Floats:
    """Height over the lowest place and volume below it (k, 2), mm and cm³, in the pose."""
    filled = solid.to_mesh(filled_channels(whole, rows, up, level))
    upright = turned_upright(np.asarray(filled.vertices), tuple(up.tolist()))
    foot = float(upright[:, 2].min())
    levels = np.linspace(foot, float(upright[:, 2].max()), _STEPS + 1)
    volumes = volumes_below(upright, np.asarray(filled.faces), levels)
    return np.stack([levels - foot, volumes / 1000], axis=1)


def _pockets(
    pad: trimesh.Trimesh,
    whole: solid.Solid,
    rows: Sequence[Row],
    vents: Sequence[Row],
    up: Floats,
    pocket_mm: float,
) -> list[_Pocket]:
    peaks = ceiling_peaks(np.asarray(pad.vertices), np.asarray(pad.faces), up, pocket_mm)
    room = solid.simplified(whole, _FINE_MM)
    sprues = [row for row in rows if not row["vent"]]
    found = []
    for peak in peaks[:_MOST_POCKETS]:
        summit = np.asarray(pad.vertices[peak.vertex])
        without, volume, _ = _held(room, pad, peak, sprues, up)
        left, left_volume, drain = _held(room, pad, peak, rows, up)
        number = next((k for k, row in enumerate(vents, 1) if row is drain), None)
        x, y, z = summit.tolist()
        found.append(_Pocket((x, y, z), without, volume / 1000, left, left_volume / 1000, number))
    return found


def _held(
    room: solid.Solid, pad: trimesh.Trimesh, peak: Peak, openings: Sequence[Row], up: Floats
) -> tuple[float, float, Row | None]:
    """Depth and volume of the air that stays under a summit, and the opening that drains it.

    Air leaves as long as its pocket reaches an opening: what stays lies over the pocket's
    saddle and over its highest opening.
    """
    crown = np.asarray(pad.vertices)[peak.crown]
    for row in openings:
        if np.linalg.norm(crown[:, :2] - [row["x"], row["y"]], axis=1).min() < row["void_mm"] / 2:
            return 0.0, 0.0, row
    lowest = float((pad.vertices @ up).min())
    saddle = max(peak.height - peak.prominence, lowest)
    pocket = _over(room, pad, peak, up, saddle)
    if pocket is None:
        return 0.0, 0.0, None
    plan = shapely.union_all(solid.silhouette(pocket))
    inside = [
        row
        for row in openings
        if plan.distance(shapely.Point(row["x"], row["y"])) < row["void_mm"] / 2
        and height_mm(row, row["ceiling_z"], up) > saddle
    ]
    drain = max(inside, key=lambda row: height_mm(row, row["ceiling_z"], up), default=None)
    if drain is not None:
        saddle = height_mm(drain, drain["ceiling_z"], up)
        if saddle > peak.height - _CLEAR_MM:
            return 0.0, 0.0, drain
        pocket = _over(room, pad, peak, up, saddle)
    volume = 0.0 if pocket is None else solid.volume_mm3(pocket)
    return peak.height - saddle, volume, drain


def _over(
    room: solid.Solid, pad: trimesh.Trimesh, peak: Peak, up: Floats, level: float
) -> solid.Solid | None:
    """The connected part of the room over a level that the summit belongs to."""
    summit = np.asarray(pad.vertices[peak.vertex])
    parts = solid.components(solid.trim_by_plane(room, up, level))

    def away(part: solid.Solid) -> float:
        return float(np.linalg.norm(solid.to_mesh(part).vertices - summit, axis=1).min())

    return min(parts, key=away, default=None)


def _pour_first(pad: trimesh.Trimesh, up: Floats, pocket_mm: float) -> list[list[float]]:
    """The low places of the open cavity, the lowest first: mold x, y, z."""
    lows = floor_lows(np.asarray(pad.vertices), np.asarray(pad.faces), up, pocket_mm)
    return [np.round(pad.vertices[low.vertex], 2).tolist() for low in lows]


def _turn_row(turn: Turn) -> dict[str, Any]:
    return {
        "up": [round(value, 5) for value in turn.up],
        "tilt_deg": round(turn.tilt_deg, 2),
        "pockets": turn.count,
        "depth_mm": round(turn.depth_mm, 2),
        "deepest_mm": round(turn.deepest_mm, 2),
    }


def _pocket_row(pocket: _Pocket) -> dict[str, Any]:
    return {
        "where": [round(value, 2) for value in pocket.where],
        "depth_mm": round(pocket.depth_mm, 2),
        "cm3": round(pocket.cm3, 3),
        "vent": pocket.vent,
        "left_mm": round(pocket.left_mm, 2),
        "left_cm3": round(pocket.left_cm3, 3),
    }


def _vent_row(
    row: Row,
    number: int,
    count: int,
    curve: Floats,
    pad: trimesh.Trimesh,
    up: Floats,
    material: Material | None,
) -> dict[str, Any]:
    heights = pad.vertices @ up
    reached = height_mm(row, row["ceiling_z"], up) - float(heights.min())
    mouth = height_mm(row, row["outside_z"], up)
    return {
        "number": number,
        "x": row["x"],
        "y": row["y"],
        "z": row["outside_z"],
        "bore_mm": row["void_mm"],
        "order": number,
        "escape": count + 1 - number if material is not None and material.rises else None,
        "height_mm": round(reached, 2),
        "after_cm3": round(float(np.interp(reached, curve[:, 0], curve[:, 1])), 2),
        "plug": mouth < float(heights.max()),
    }


def _funnel_row(row: Row, pad: trimesh.Trimesh, up: Floats) -> dict[str, Any]:
    head = height_mm(row, row["outside_z"], up) - float((pad.vertices @ up).max())
    return {
        "x": row["x"],
        "y": row["y"],
        "z": row["outside_z"],
        "width_mm": max(row["funnel_mm"], row["outside_mm"]),
        "head_mm": round(head, 2),
    }


def _pocket_findings(pockets: Sequence[_Pocket], pocket_mm: float) -> list[Finding]:
    return [
        Finding(
            "air-trapped",
            "warning",
            f"{pocket.left_cm3:.1f} cm³ of air stay in a pocket {pocket.left_mm:.1f} mm deep: "
            "drill a vent there by hand, or pour slowly and rock the mold toward it",
            "pad",
            pocket.where,
        )
        for pocket in pockets
        if pocket.left_mm > 2 * pocket_mm and pocket.left_cm3 > 0.05
    ]


def _pose_findings(turns: Sequence[Turn], up: Floats) -> list[Finding]:
    level = next(turn for turn in turns if turn.tilt_deg == 0)
    best = turns[0]
    if up[2] < 1 - 1e-9 or best.count >= level.count:
        return []
    toward = np.degrees(np.arctan2(-best.up[1], -best.up[0])) % 360
    return [
        Finding(
            "tilt-helps",
            "note",
            f"level, the void has {level.count} pockets of air; leaning {best.tilt_deg:.0f}° "
            f"toward {toward:.0f}° (from x to y) it has {best.count}: let channels place "
            "sprue and vents for that (pouring = 'tilted') for fewer vents",
            "pad",
        )
    ]


def _channel_findings(
    rows: Sequence[Row],
    figures: Mapping[str, Any],
    material: Material | None,
    curve: Floats,
    closed: bool,
) -> list[Finding]:
    if not rows:
        told = "the mold has no sprue and no vents: " + (
            "closed, it cannot be poured. Run channels"
            if closed
            else "pour it open at the low places, then close it"
        )
        return [Finding("no-channels", "warning" if closed else "note", told, "pad")]
    findings = [
        Finding(
            "funnel-drowned",
            "warning",
            f"a funnel's mouth lies {-funnel['head_mm']:.1f} mm under the void's top in this "
            "pose: the mix runs out there first. Tilt the mold less, or set a tube on it",
            "core",
            (funnel["x"], funnel["y"], funnel["z"]),
        )
        for funnel in figures["funnels"]
        if funnel["head_mm"] < 0
    ]
    vents = [row for row in rows if row["vent"]]
    if not vents:
        return findings
    rate = _air_ml_s(rows, material, float(curve[-1, 1]))
    for row in vents:
        length = row["outside_z"] - row["void_z"]
        needed = vent_bore_mm(rate / len(vents), length)
        if row["void_mm"] < needed:
            findings.append(
                Finding(
                    "vent-narrow",
                    "warning",
                    f"a vent of {row['void_mm']:g} mm holds the air back: it needs "
                    f"{needed:.1f} mm to let {rate / len(vents):.0f} ml/s out. Make vent_mm wider",
                    "core",
                    (row["x"], row["y"], row["outside_z"]),
                )
            )
    return findings


def _air_ml_s(rows: Sequence[Row], material: Material | None, full_cm3: float) -> float:
    """How fast air has to leave: as fast as the mix runs in, or as the foam rises."""
    if material is None:
        return pour_ml_s([], 1000, 1)
    if material.rises and material.rise_s and material.cream_s:
        # A foam rises fastest at half its time, about twice as fast as on the mean.
        return 2 * full_cm3 / (material.rise_s - material.cream_s)
    bores = [row["void_mm"] for row in rows if not row["vent"]]
    return pour_ml_s(bores, material.mix_density_kg_m3, material.viscosity_mpa_s)
