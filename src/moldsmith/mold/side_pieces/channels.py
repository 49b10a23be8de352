"""Sprues and vents of a mold of side pieces: in the curtains, so that they come free."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray

from ...errors import BadParameter
from ...geometry import solid
from ...geometry.peaks import Peak, peaks
from ...geometry.visibility import grid_over, highest
from ...workpiece import Finding, Workpiece
from ..bodies import mold_bodies
from ..bores import Channel, bore_solid
from ..jackets.hollowing import filled_within
from ..jackets.roofs import STEEP

__all__ = ["drilled_sides"]

Floats = NDArray[np.float64]
_STEP_MM = 1.5
_CROWN_MM = 0.3
_DEEP_MM = 2.0
_LEAST_SPRUE_MM = 4.0
_MARGIN_MM = 3.0
_WALL_MM = 2.4  # two passes of a nozzle on either side (common practice)
_WALL_SIDES = 48
_DEEPEST_MM = 45.0  # a sprue opens no farther under the void's top


@dataclass(frozen=True, slots=True)
class _Ray:
    """An upright sheet seen from above: places on the axis (r, 3) and directions there (r, 2)."""

    axis: Floats
    ray: Floats

    def away(self, points: Floats) -> Floats:
        """How far points (n, 3) are from it, level; on its far side, from the axis."""
        row = np.abs(self.axis[:, 2][None] - points[:, 2:]).argmin(axis=1)
        aside = points[:, :2] - self.axis[row, :2]
        along = np.einsum("ij,ij->i", aside, self.ray[row])
        across = np.abs(aside[:, 0] * self.ray[row, 1] - aside[:, 1] * self.ray[row, 0])
        return np.asarray(np.where(along > 0, across, np.linalg.norm(aside, axis=1)))

    def run(self, height: float, length: float) -> shapely.LineString:
        """Its line at a height, seen from above."""
        row = int(np.abs(self.axis[:, 2] - height).argmin())
        foot = self.axis[row, :2]
        return shapely.LineString([foot, foot + length * self.ray[row]])


@dataclass(frozen=True, slots=True)
class _Drill:
    """What a mold's upright bores have in common."""

    pad: trimesh.Trimesh
    top: float
    flare: float
    funnel_mm: float

    def channel(
        self, place: Floats, start: float, bore: float, *, wide: float = 0.0, pocket: float = 0.0
    ) -> Channel:
        """A bore from `start` up; one of at least `wide` outside has a funnel (a sprue)."""
        x, y = place.tolist()
        length = self.top - start
        outside = bore + 2 * self.flare * length
        outside = max(outside, min(wide, bore + length))  # 27 degrees at most: still draws
        funnel = 0.0
        if wide:
            deepest = 0.7 * (self.top - float(self.pad.bounds[1, 2]))
            funnel = max(min(self.funnel_mm, outside + 2 * deepest), outside)
        ceiling = min(start + _DEEP_MM, float(self.pad.bounds[1, 2]))
        return Channel(x, y, start, self.top, bore, outside, ceiling, funnel, pocket)


def drilled_sides(
    piece: Workpiece,
    *,
    sprues: int,
    sprue_mm: float,
    funnel_mm: float,
    vent_mm: float,
    taper_deg: float,
    pocket_mm: float,
    level: bool = True,
) -> Workpiece:
    """The piece with upright bores from the top of the block, through whatever they cross.

    Sprues stand on curtains where the void is widest near the top, spread over them; vents
    on the void's summits, as near a curtain as these reach, and on two sides of a level rim.
    """
    if not level:
        raise BadParameter(
            "pouring = 'tilted' with side pieces: their channels are made for a mold that stands",
            "Choose 'level'",
        )
    pad = piece.body("pad")
    names = mold_bodies(piece)
    top = max(float(piece.body(name).bounds[1, 2]) for name in names)
    flare = float(np.tan(np.radians(taper_deg)))
    drill = _Drill(pad, top, flare, funnel_mm)
    curtains, pulls = _rays(piece)
    found = _pockets(pad, pocket_mm)
    findings: list[Finding] = []
    poured = _sprues(drill, curtains, found, sprues, sprue_mm, vent_mm, findings)
    vented: list[Channel] = []
    for pocket in found:
        places = _vent_places(pad, pocket, [*curtains, *pulls], [*poured, *vented], vent_mm)
        if not places:
            findings.append(_no_vent(pad, pocket))
        start = pocket.height - min(_DEEP_MM, pocket.prominence / 2)
        depth = min(pocket.prominence, 999.0)
        vented += [drill.channel(place, start, vent_mm, pocket=depth) for place in places]
    drilled, volume = _drilled(piece, names, [*poured, *vented])
    figures = {
        "sprues": [channel.described() for channel in poured],
        "vents": [channel.described() for channel in vented],
        "pockets": len(found),
        "up": [0.0, 0.0, 1.0],
        "drilled_body": ", ".join(drilled),
        "channels_cm3": round(volume / 1000, 3),
    }
    return piece.with_named(drilled).note(figures, findings)


def _rays(piece: Workpiece) -> tuple[list[_Ray], list[_Ray]]:
    """The curtains by their upper half, and the side pieces' pulls."""
    figures = piece.record("block")["figures"]
    axis = np.asarray(figures["axis"])
    upper = axis[len(axis) // 2 :]

    def ray(degrees: Any) -> _Ray:
        turn = np.radians(np.broadcast_to(np.asarray(degrees, dtype=float), len(axis)))
        turn = turn[len(axis) // 2 :]
        return _Ray(upper, np.stack([np.cos(turn), np.sin(turn)], axis=1))

    return [ray(row) for row in figures["curtains_deg"]], [
        ray(value) for value in figures["pull_degrees"]
    ]


def _pockets(pad: trimesh.Trimesh, least_mm: float) -> list[Peak]:
    """The void's summits that hold air."""
    found = peaks(pad.vertices[:, 2], pad.faces, least_mm, _CROWN_MM)
    return [peak for peak in found if pad.vertex_normals[peak.vertex, 2] > 0 or _rim(pad, peak)]


def _rim(pad: trimesh.Trimesh, peak: Peak) -> bool:
    """Whether no part of the pad lies over a summit: a rim, not a hill of the void's floor."""
    x, y, z = pad.vertices[peak.vertex]
    grid = grid_over(np.array([x - 1, y - 1]), np.array([x + 1, y + 1]), 0.5)
    over = highest(pad.vertices, pad.faces, grid)
    return not bool((over[np.isfinite(over)] > z + _CROWN_MM).any())


def _sprues(
    drill: _Drill,
    curtains: Sequence[_Ray],
    pockets: Sequence[Peak],
    count: int,
    sprue_mm: float,
    vent_mm: float,
    findings: list[Finding],
) -> list[Channel]:
    """Sprues on the curtains, the one over the widest void first; further ones far from it."""
    options = [option for ray in curtains for option in _options(drill, ray, sprue_mm)]
    crowns = [drill.pad.vertices[pocket.crown, :2] for pocket in pockets]
    room = [option for option in options if _leaves_room(option[1], crowns, vent_mm)]
    options = sorted(room or options, key=lambda option: -option[0])
    if not options:
        raise BadParameter(
            f"sprue_mm = {sprue_mm:g} finds no curtain with void under it", "Choose a smaller one"
        )
    chosen = options[:1]
    good = [option for option in options if option[0] > 0.7 * options[0][0]]
    while len(chosen) < count:
        gaps = [min(_gap(one, other[1]) for other in chosen) for _, one in good]
        if max(gaps) < _MARGIN_MM:
            break
        chosen.append(good[int(np.argmax(gaps))])
    poured = [channel for _, channel in chosen]
    narrow = [channel for channel in poured if channel.void_mm < 0.75 * sprue_mm]
    if narrow:
        one = narrow[0]
        findings.append(
            Finding(
                "sprue-narrow",
                "note",
                f"the void is {one.void_mm:.1f} mm wide under a sprue: it opens by that, and is "
                f"{one.outside_mm:.0f} mm wide outside. Pour slowly, or ask for more sprues",
                "pad",
                (one.x, one.y, one.void_z),
            )
        )
    return poured


def _options(drill: _Drill, ray: _Ray, sprue_mm: float) -> list[tuple[float, Channel]]:
    """Sprues along a curtain with their rating: where the void is wide and high."""
    low, high = (float(value) for value in drill.pad.bounds[:, 2])
    size = float(np.ptp(drill.pad.bounds[:, :2], axis=0).max())
    body = solid.from_mesh(drill.pad)
    found = []
    for height in np.arange(high - 1.0, max(high - _DEEPEST_MM, low + 1.0), -_STEP_MM):
        # A bore is upright: what it meets higher up is void, print or side piece, all drilled.
        walls = shapely.intersection(solid.section(body, float(height)), ray.run(height, size))
        for wall in shapely.get_parts(walls):
            if wall.length < _LEAST_SPRUE_MM:
                continue
            bore = min(float(wall.length), sprue_mm)
            middle = np.asarray(
                shapely.line_interpolate_point(wall, 0.5, normalized=True).coords[0]
            )
            made = drill.channel(middle, float(height), bore, wide=sprue_mm)
            found.append((bore - 0.05 * (high - float(height)), made))
    return found


def _gap(one: Channel, other: Channel) -> float:
    return float(np.hypot(one.x - other.x, one.y - other.y)) - (one.mouth_mm + other.mouth_mm) / 2


def _leaves_room(sprue: Channel, crowns: Sequence[Floats], vent_mm: float) -> bool:
    """Whether every pocket's crown reaches far enough from the sprue for a vent of its own."""
    need = sprue.mouth_mm / 2 + vent_mm + _MARGIN_MM
    place = np.array([sprue.x, sprue.y])
    return all(float(np.linalg.norm(crown - place, axis=1).max()) > need for crown in crowns)


def _vent_places(
    pad: trimesh.Trimesh,
    pocket: Peak,
    rays: Sequence[_Ray],
    others: Sequence[Channel],
    vent_mm: float,
) -> list[Floats]:
    """Plan places of a pocket's vents: one, and one more on a rim that is level far round.

    On a curtain or in the middle of a side piece what cures in them comes free.
    """
    crown = pad.vertices[pocket.crown]
    near = np.min([ray.away(crown) for ray in rays], axis=0)
    plan = crown[:, :2]
    places: list[Floats] = []
    gap = np.full(len(plan), np.inf)
    for other in others:
        away = np.linalg.norm(plan - [other.x, other.y], axis=1) - other.mouth_mm / 2
        gap = np.minimum(gap, away)
    wide = float(np.ptp(plan, axis=0).max())
    for need in (vent_mm + _MARGIN_MM, max(0.35 * wide, 10 * vent_mm)):
        free = gap >= need
        if not free.any():
            break
        good = free & (near <= max(float(near[free].min()), vent_mm / 4))
        rows = np.flatnonzero(good)
        # The summit itself where nothing else stands there, else far from what does.
        score = np.minimum(gap[rows], 1e6) + crown[rows, 2]
        place = plan[rows[int(np.argmax(score))]]
        places.append(place)
        gap = np.minimum(gap, np.linalg.norm(plan - place, axis=1) - vent_mm / 2)
    return places


def _no_vent(pad: trimesh.Trimesh, pocket: Peak) -> Finding:
    x, y, z = (float(value) for value in pad.vertices[pocket.vertex])
    return Finding(
        "pocket-without-vent",
        "warning",
        f"an air pocket {min(pocket.prominence, 999.0):.1f} mm deep lies at a sprue or another "
        "vent, with no room for one of its own: fill slowly and rock the mold there, or choose a "
        "smaller funnel_mm",
        "pad",
        (x, y, z),
    )


def _drilled(
    piece: Workpiece, names: Sequence[str], channels: Sequence[Channel]
) -> tuple[dict[str, trimesh.Trimesh], float]:
    """The bodies that bores cross, drilled, and the volume taken.

    Where a bore leaves the wall of a jacket it gets a wall of its own.
    """
    found, volume = {}, 0.0
    bores = [bore_solid(channel) for channel in channels]
    walls = solid.union(*(_wall_round(channel) for channel in channels))
    for name in names:
        body = filled_within(piece, name, solid.from_mesh(piece.body(name)), walls)
        left = solid.difference(body, *bores)
        taken = solid.volume_mm3(body) - solid.volume_mm3(left)
        if taken > 1e-3:
            found[name] = solid.printable(left)
            volume += taken
    return found, volume


def _wall_round(channel: Channel) -> solid.Solid:
    """What a bore stands in: its own form and a wall, under its funnel no flatter than prints."""
    place, top = (channel.x, channel.y), channel.outside_z
    low, high, mouth = (
        width / 2 + _WALL_MM for width in (channel.void_mm, channel.outside_mm, channel.mouth_mm)
    )
    length = top - channel.void_z
    parts = [solid.frustum((*place, channel.void_z), (0, 0, length), low, high, _WALL_SIDES)]
    deep = STEEP * (mouth - high)
    if deep > 0:
        parts.append(solid.frustum((*place, top - deep), (0, 0, deep), high, mouth, _WALL_SIDES))
    return solid.union(*parts)
