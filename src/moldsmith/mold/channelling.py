"""Ways in for the mix and ways out for the air."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray

from ..errors import BadParameter
from ..geometry import solid
from ..geometry.peaks import Peak, peaks
from ..geometry.summits import ceiling_peaks, ranked_turns
from ..geometry.visibility import grid_over, highest, lowest
from ..ranges import check_range
from ..stage import stage
from ..workpiece import Finding, Workpiece
from .bodies import mold_bodies
from .bores import Channel, bore_solid
from .jackets.hollowing import filled
from .sheet_lids import cut_from_sheet
from .side_pieces.channels import drilled_sides

__all__ = ["Pouring", "channels"]

Floats = NDArray[np.float64]
Pouring = Literal["level", "tilted"]
_CROWN_MM = 0.3
_MARGIN_MM = 3.0
_HEAD_MM = 1.0
_SPRUES_APART = 3  # times their bore, middle to middle


@stage
def channels(
    piece: Workpiece,
    *,
    sprues: int = 1,
    sprue_mm: float = 12.0,
    funnel_mm: float = 30.0,
    vent_mm: float = 3.0,
    taper_deg: float = 1.5,
    pocket_mm: float = 1.0,
    pouring: Pouring = "level",
    most_tilt_deg: float = 20.0,
) -> Workpiece:
    """Drill sprues and vents from the void to the outside, through core or lid.

    Parameters
    ----------
    sprues : how many; 1 to 8. The first stands over the void's lowest place, where
        the mix is to go first; more are spread over the low ground
    sprue_mm, vent_mm : bore at the void; 4 to 60 and 1 to 12
    funnel_mm : width of the funnel at the outside, less where the lid is thin; sprue_mm to 120
    taper_deg : by which bores widen outward on each side, so that what cures in
        them draws out; 0 to 10
    pocket_mm : an air pocket deeper than this gets a vent; 0.2 to 50
    pouring : 'level', the mold stands as it is, core or lid on top; 'tilted', it is propped up
        the way that leaves the fewest and shallowest air pockets, with a sprue over them
    most_tilt_deg : how far it may lean then; 1 to 35

    Air pockets are the void's local maxima of height in the pouring pose, told from
    ripples by persistence. Side pieces and core are drilled together: sprues on the curtains
    between side pieces, where the void is widest near the top; vents at its high rim.
    Vent bores of 1 to 3 mm are common practice for gravity casting. A lid cut from sheet is
    drilled straight, without taper and funnel.

    Findings: 'pocket-without-vent', 'few-sprues', 'sprue-near-rim', 'sprue-narrow',
    'channel-blocked'.

    Raises
    ------
    BadParameter : a size out of range
    """
    _check_sizes(sprues, sprue_mm, funnel_mm, vent_mm, taper_deg, pocket_mm)
    if pouring not in ("level", "tilted"):
        raise BadParameter(f"pouring = {pouring!r}", "Choose 'level' or 'tilted'")
    if not 1 <= most_tilt_deg <= 35:
        raise BadParameter(f"most_tilt_deg = {most_tilt_deg:g}", "Choose 1 to 35")
    if "side-1" in mold_bodies(piece):
        return drilled_sides(
            piece, sprues=sprues, sprue_mm=sprue_mm, funnel_mm=funnel_mm, vent_mm=vent_mm,
            taper_deg=taper_deg, pocket_mm=pocket_mm, level=pouring == "level",
        )  # fmt: skip
    pad = piece.body("pad")
    hidden = "lid" if "lid" in piece.bodies else "core"
    cover = piece.body(hidden)
    top = float(cover.bounds[1, 2])
    shadow = solid.shadow(pad)
    flare = float(np.tan(np.radians(taper_deg)))
    if hidden in cut_from_sheet(piece):
        flare = funnel_mm = 0.0  # drilled as wide as at the void, all through
    apart = (funnel_mm + vent_mm) / 2 + _MARGIN_MM + 3
    ground = _Ground(pad)
    up = np.array([0.0, 0.0, 1.0])
    if pouring == "tilted":
        mouths = ground.mouths(shadow.buffer(-(sprue_mm / 2 + _MARGIN_MM)), top)
        up = _upright(pad, mouths, most_tilt_deg, pocket_mm, apart)
    found = _pockets(pad, ground, up, pocket_mm)
    ground_plan = shadow
    if up[2] < 1:
        # Tilted, funnel and vents both want the high ground: the vents' places are kept free.
        summits = shapely.points(pad.vertices[[pocket.vertex for pocket in found], :2])
        ground_plan = shadow.difference(shapely.union_all(summits).buffer(apart))
    widest = max(funnel_mm, sprue_mm + 2 * flare * float(top - pad.bounds[0, 2]))  # at the outside
    findings: list[Finding] = []
    poured = [
        ground.channel(low, sprue_mm, top, flare, funnel_mm=funnel_mm)
        for low in _sprue_places(
            ground,
            ground_plan,
            sprues,
            sprue_mm,
            findings,
            up,
            top,
            float((pad.vertices @ up).max()),
            max(_SPRUES_APART * sprue_mm, widest + _MARGIN_MM),
        )
    ]
    if len(poured) < sprues:
        findings.append(_few_sprues(len(poured), sprues))
    vented: list[Channel] = []
    for pocket in found:
        # The bore is widest at the outside, over the whole height of the cover.
        reach = vent_mm / 2 + flare * (top - float(pad.vertices[pocket.vertex, 2]) + 5)
        place = _vent_place(pad, pocket, shadow, [*poured, *vented], vent_mm, reach)
        if place is None:
            findings.append(_no_vent(pad, pocket))
            continue
        depth = min(pocket.prominence, 999.0)
        vented.append(ground.channel(place, vent_mm, top, flare, pocket_mm=depth))
    bores = [bore_solid(channel) for channel in (*poured, *vented)]
    columns = [(item.x, item.y, item.mouth_mm / 2 + _MARGIN_MM) for item in (*poured, *vented)]
    standing = filled(piece, hidden, solid.from_mesh(cover), columns)
    drilled = solid.difference(standing, *bores)
    findings += _blocked(piece, [*poured, *vented], bores)
    figures: dict[str, Any] = {
        "sprues": [channel.described() for channel in poured],
        "vents": [channel.described() for channel in vented],
        "pockets": len(found),
        "up": np.round(up, 6).tolist(),
        "drilled_body": hidden,
        "channels_cm3": round((solid.volume_mm3(standing) - solid.volume_mm3(drilled)) / 1000, 3),
    }
    return piece.with_named({hidden: solid.printable(drilled)}).note(figures, findings)


def _check_sizes(
    sprues: int, sprue: float, funnel: float, vent: float, taper: float, pocket: float
) -> None:
    if not 1 <= sprues <= 8:
        raise BadParameter(f"sprues = {sprues}", "Choose 1 to 8")
    ranges = (
        ("sprue_mm", sprue, 4.0, 60.0),
        ("funnel_mm", funnel, sprue, 120.0),
        ("vent_mm", vent, 1.0, 12.0),
        ("taper_deg", taper, 0.0, 10.0),
        ("pocket_mm", pocket, 0.2, 50.0),
    )
    for key, value, least, most in ranges:
        check_range(key, value, least, most)


class _Ground:
    """Floor and ceiling of the void on a grid of upright rays."""

    def __init__(self, pad: trimesh.Trimesh) -> None:
        size = float(np.ptp(pad.bounds[:, :2], axis=0).max())
        self.step_mm = float(np.clip(size / 300, 0.5, 2.0))
        self.grid = grid_over(pad.bounds[0, :2], pad.bounds[1, :2], self.step_mm)
        self.floor = lowest(pad.vertices, pad.faces, self.grid).ravel()
        self.ceiling = highest(pad.vertices, pad.faces, self.grid).ravel()
        self.rows = np.flatnonzero(np.isfinite(self.floor))
        self.places = self.grid.places(self.rows)

    def heights(self, up: Floats, z: Floats | float) -> Floats:
        """How high along `up` the rays' points at z lie."""
        return np.asarray(self.places @ up[:2] + up[2] * z)

    def mouths(self, room: shapely.Geometry, top: float) -> Floats:
        """Places (k, 3) at the height `top` where a sprue has room."""
        inside = shapely.contains_xy(room, self.places[:, 0], self.places[:, 1])
        plan = self.places[inside]
        return np.column_stack([plan, np.full(len(plan), top - _HEAD_MM)])

    def roofed(self, point: Floats) -> bool:
        """Whether the void goes on over a point of its surface."""
        near = int(np.argmin(np.linalg.norm(self.places - point[:2], axis=1)))
        return bool(self.ceiling[self.rows[near]] > point[2] + _CROWN_MM)

    def channel(
        self,
        place: Floats,
        bore_mm: float,
        top: float,
        flare: float,
        *,
        funnel_mm: float = 0.0,
        pocket_mm: float = 0.0,
    ) -> Channel:
        """The bore over a place, from under the lowest ceiling its mouth meets."""
        near = np.linalg.norm(self.places - place, axis=1) <= bore_mm / 2 + self.step_mm
        roof = self.ceiling[self.rows[near]]
        floor = self.floor[self.rows[near]]
        # Into the void by half of what is there, at most 2 mm: the bore must open into it.
        depth = np.minimum((roof - floor) / 2, 2.0)
        start = float((roof - depth).min())
        length = top - start
        x, y = place.tolist()
        wide = bore_mm + 2 * flare * length
        # A funnel of 45 degrees prints without support; a thin lid leaves room for a small one.
        deepest = 0.7 * (top - float(roof.max()))
        funnel_mm = min(funnel_mm, wide + 2 * deepest) if funnel_mm else 0.0
        return Channel(x, y, start, top, bore_mm, wide, float(roof.max()), funnel_mm, pocket_mm)


def _upright(
    pad: trimesh.Trimesh, mouths: Floats, most_tilt_deg: float, pocket_mm: float, apart_mm: float
) -> Floats:
    """The direction to hold upward while pouring, so that a sprue still stands over the void."""
    rough = solid.to_mesh(solid.simplified(solid.from_mesh(pad), pocket_mm / 2))
    turns = ranked_turns(rough.vertices, rough.faces, most_tilt_deg, pocket_mm, mouths, apart_mm)
    return np.asarray(turns[0].up)


def _pockets(pad: trimesh.Trimesh, ground: _Ground, up: Floats, pocket_mm: float) -> list[Peak]:
    if up[2] < 1:
        return ceiling_peaks(pad.vertices, pad.faces, up, pocket_mm, _CROWN_MM)
    # A hill of the void's floor is a summit of the pad's surface too, but holds no air.
    return [
        peak
        for peak in peaks(pad.vertices[:, 2], pad.faces, pocket_mm, _CROWN_MM)
        if pad.vertex_normals[peak.vertex, 2] > 0 or not ground.roofed(pad.vertices[peak.vertex])
    ]


def _sprue_places(
    ground: _Ground,
    shadow: shapely.Geometry,
    count: int,
    sprue_mm: float,
    findings: list[Finding],
    up: Floats,
    top: float,
    void_top: float,
    apart_mm: float,
) -> list[Floats]:
    """Plan places of the sprues: the lowest ground first, the others far from each other.

    None whose mouth, at z `top`, would not lie over the void's highest place along `up`.
    """
    room = shadow.buffer(-(sprue_mm / 2 + _MARGIN_MM))
    if room.is_empty:
        room = shadow.buffer(-0.3 * sprue_mm)
        findings.append(
            Finding(
                "sprue-near-rim",
                "warning",
                f"the pad is too narrow to keep a sprue of {sprue_mm:g} mm clear of its rim: "
                "choose a smaller sprue_mm",
                "pad",
            )
        )
    if room.is_empty:
        raise BadParameter(
            f"sprue_mm = {sprue_mm:g} is wider than the pad", "Choose a smaller sprue_mm"
        )
    shapely.prepare(room)
    inside = shapely.contains_xy(room, ground.places[:, 0], ground.places[:, 1])
    inside &= ground.heights(up, top) >= void_top + _HEAD_MM
    places = ground.places[inside]
    if len(places) == 0:
        point = room.representative_point()
        return [np.array([point.x, point.y])]
    floor = ground.heights(up, ground.floor[ground.rows])[inside]
    # Level ground: among places as low as the lowest, the one nearest their middle.
    lowest = places[floor <= floor.min() + 0.5]
    middle = lowest.mean(axis=0)
    chosen = [lowest[int(np.argmin(np.linalg.norm(lowest - middle, axis=1)))]]
    low = places[floor <= np.quantile(floor, 0.35)]
    while len(chosen) < count:
        gap = np.min([np.linalg.norm(low - place, axis=1) for place in chosen], axis=0)
        pick = int(np.argmax(gap))
        if gap[pick] < apart_mm:
            break
        chosen.append(low[pick])
    return chosen


def _vent_place(
    pad: trimesh.Trimesh,
    pocket: Peak,
    shadow: shapely.Geometry,
    others: list[Channel],
    vent_mm: float,
    reach_mm: float,
) -> Floats | None:
    """The place in the pocket's crown farthest from the other channels, drawn in from the rim."""
    crown = pad.vertices[pocket.crown][:, :2]
    summit = pad.vertices[pocket.vertex][:2]
    gap = np.full(len(crown), np.inf)
    for other in others:
        away = np.linalg.norm(crown - [other.x, other.y], axis=1)
        gap = np.minimum(gap, away - other.mouth_mm / 2)
    # The place may yet be drawn in from the rim by 0.35 of the bore.
    if others and gap.max() < reach_mm + 0.35 * vent_mm + _MARGIN_MM:
        return None
    place = crown[int(np.argmax(gap))] if others else summit
    for share in (0.7, 0.4, 0.1):
        room = shadow.buffer(-share * vent_mm / 2)
        if not room.is_empty:
            nearest = shapely.shortest_line(room, shapely.Point(place)).coords[0]
            return np.asarray(nearest)
    return np.asarray(place)


def _no_vent(pad: trimesh.Trimesh, pocket: Peak) -> Finding:
    x, y, z = pad.vertices[pocket.vertex].tolist()
    return Finding(
        "pocket-without-vent",
        "warning",
        f"an air pocket {pocket.prominence:.1f} mm deep lies at a sprue or another vent, with no "
        "room for one of its own: fill slowly and rock the mold there, or choose a smaller sprue",
        "pad",
        (x, y, z),
    )


def _few_sprues(count: int, asked: int) -> Finding:
    return Finding(
        "few-sprues",
        "note",
        f"only {count} of {asked} sprues found room on low ground, clear of each other's "
        "funnels: choose a smaller funnel_mm or sprue_mm for more",
        "pad",
    )


def _blocked(piece: Workpiece, drilled: list[Channel], bores: list[solid.Solid]) -> list[Finding]:
    """Channels that meet the cavity above the void, under an overhang of it."""
    cavity = solid.from_mesh(piece.body("cavity"))
    findings = []
    for channel, bore in zip(drilled, bores, strict=True):
        above = solid.trim_by_plane(bore, (0, 0, 1), channel.ceiling_z)
        inside = solid.volume_mm3(solid.intersection(above, cavity))
        if inside > 0.05 * solid.volume_mm3(above):
            findings.append(
                Finding(
                    "channel-blocked",
                    "warning",
                    "an overhang of the cavity stands in a channel: drill it by hand from the "
                    "outside, or crop less far round the body",
                    "cavity",
                    (channel.x, channel.y, channel.void_z),
                )
            )
    return findings
