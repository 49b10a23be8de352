"""A trim line through points on the scan, as a function of place: negative inside."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from ..errors import BadParameter
from ..geometry.distance import SurfaceIndex
from ..geometry.offset_lines import Front, Signed, closed_line, level_line, spread_signs
from ..geometry.paths import SurfacePaths
from ..geometry.refining import refined
from ..geometry.threads import threads
from ..geometry.topology import half_edges
from .crossing import refuse_crossing

__all__ = ["TrimLine", "trim_line"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

NEAR_MM = 30.0  # a point farther from the scan was measured in other coordinates
APART_MM = 0.5  # points nearer to the one before are the same point
STEP_MM = 10.0  # the front moves so far before it is traced anew: on a radius of 50 mm 0.02 off
PARTS_OF_RADIUS = 5.0  # a corner's radius over the edges it is traced on
FINEST_MM = 0.4
SHARP_MM = 1.0  # edges where corners stay sharp
MOST_FACES = 250_000  # of the band about the line, before its edges get longer
MOST_SAMPLES = 200_000  # of a surface of few triangles
COARSE_MM = 12.0  # edges at the line; longer ones would make the band about it too wide
ON_SURFACE_MM = 1e-3
SURE_SHARE = 0.9  # of the areas of the two sides: nearer to equal, the smaller is a guess


@dataclass(frozen=True)
class TrimLine:
    """Signed distance along the surface to the trim line, for points on the surface.

    Far from the line it is the straight distance, as it is where `values` at the scan's
    `vertices` are beyond `held_mm`.

    figures : what was measured of the line
    """

    values: Floats
    vertices: cKDTree
    line: cKDTree
    held_mm: float
    band: SurfaceIndex
    band_values: Floats
    figures: dict[str, Any]
    unsure: bool

    def __call__(self, points: Floats) -> Floats:
        """Values (n,) at points (n, 3) on the surface, negative inside."""
        away, nearest = self.vertices.query(points, workers=threads())
        result = np.array(self.values[nearest])
        between = np.flatnonzero(away > 1e-9)
        if len(between):
            found = self.band.closest(points[between])
            on = found.distance < ON_SURFACE_MM
            inner = self.band.interpolate(self.band_values, found)
            result[between] = np.where(on, inner, result[between])
        far = np.flatnonzero(np.abs(result) >= self.held_mm)
        straight, _ = self.line.query(points[far], workers=threads())
        result[far] = np.sign(result[far]) * np.maximum(straight, self.held_mm)
        return result


def trim_line(
    vertices: Floats,
    faces: Ints,
    points: Sequence[ArrayLike] | Floats,
    *,
    inside: ArrayLike | None,
    round_mm: float,
    margin_mm: float,
    mirrored: bool = False,
) -> TrimLine:
    """The closed line through points (n, 3), mm, by the shortest way along the surface.

    Its corners are rounded both ways with `round_mm`, then it is moved outward by
    `margin_mm`. Inside is the side of the point `inside`, or the smaller one. That points are
    `mirrored` ones is told where one is refused.

    Raises
    ------
    BadParameter : fewer than three points, one far from the surface, a line that
        crosses itself or does not part the surface, nothing left inside
    """
    index = SurfaceIndex(vertices, faces, _spacing(vertices, faces))
    snapped, face, weights, off, numbers = _on_surface(index, points, mirrored)
    line, leg = _loop(vertices, faces, snapped, face, weights)
    middles = (line + np.roll(line, -1, axis=0)) / 2
    refuse_crossing(vertices, faces, line, index.closest(middles).face, leg, numbers)
    if _longest_edge(vertices, faces, line) > COARSE_MM:
        line = _dense(line, COARSE_MM)
        vertices, faces = _finer_near(vertices, faces, line)
        index = SurfaceIndex(vertices, faces, _spacing(vertices, faces))
    near_mm = 2 * _longest_edge(vertices, faces, line)
    reach = max(near_mm, round_mm, 1.5 * STEP_MM)
    travel = round_mm + abs(margin_mm) + reach
    band = _Band(vertices, faces, line, travel, round_mm)
    signed = band.first_values(line, reach)
    whole = band.over_all(signed.values)
    area, other = _areas(vertices, faces, whole)
    if _is_other_side(index, band, signed.values, whole, inside, area, other):
        signed, whole, area, other = -signed, -whole, other, area
    for way in _ways(round_mm, margin_mm):
        signed = band.front.moved(signed, way, STEP_MM, reach)
        _refuse_broken(band, signed, round_mm, margin_mm, way)
    values = signed.values
    whole[band.numbers] = values[: len(band.numbers)]
    final = level_line(band.front.vertices, band.front.faces, signed)
    length = np.linalg.norm(final.end - final.start, axis=1).sum()
    near = np.abs(band.index.interpolate(values, band.index.closest(snapped)))
    figures = {
        "line_mm": round(float(length), 3),
        "points_off_surface_mm": round(float(off.max()), 3),
        "points_off_line_mm": round(float(near.max()), 3),
        "line_traced_on_mm": round(band.front.edge_mm, 3),
    }
    unsure = inside is None and area > SURE_SHARE * other
    traced = cKDTree((final.start + final.end) / 2)
    return TrimLine(whole, cKDTree(vertices), traced, reach, band.index, values, figures, unsure)


def _finer_near(vertices: Floats, faces: Ints, line: Floats) -> tuple[Floats, Ints]:
    """The same surface with edges of at most `COARSE_MM` at the line, longer away from it."""
    tree = cKDTree(_dense(line, 2.0))

    def allowed(points: Floats) -> Floats:
        away, _ = tree.query(points, workers=threads())
        return np.asarray(COARSE_MM + away)

    return refined(vertices, faces, allowed)


class _Band:
    """The surface about a line, its triangles made fine enough for the corners' radius."""

    def __init__(
        self, vertices: Floats, faces: Ints, line: Floats, travel_mm: float, round_mm: float
    ) -> None:
        self.all_vertices = vertices
        tree = cKDTree(_dense(line, 2.0))
        longest = _longest_edge(vertices, faces, line)
        away, _ = tree.query(
            vertices, distance_upper_bound=travel_mm + 2 * longest, workers=threads()
        )
        chosen = np.isfinite(away)[faces].all(axis=1)
        self.beside = faces[~chosen]
        self.numbers, local = np.unique(faces[chosen], return_inverse=True)
        local = local.reshape(-1, 3)
        own = vertices[self.numbers]
        edge = _spacing(own, local)
        wanted = SHARP_MM
        if round_mm:
            wanted = float(np.clip(round_mm / PARTS_OF_RADIUS, FINEST_MM, SHARP_MM))
        corners = own[local]
        cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        twice = np.linalg.norm(cross, axis=1)
        least = np.sqrt(twice.sum() / 2 / (0.3 * MOST_FACES))
        wanted = max(wanted, float(least))
        wanted = max(wanted, _sliver_edge_mm(corners, twice, wanted))
        self.front = Front(*refined(own, local, wanted * 1.4))
        self.index = SurfaceIndex(self.front.vertices, self.front.faces, edge)

    def first_values(self, line: Floats, reach_mm: float) -> Signed:
        """Signed distance at the band's vertices, its sign known at all of them."""
        middles = (line + np.roll(line, -1, axis=0)) / 2
        traced = closed_line(line, self.index.closest(middles).face)
        found, sides = self.front.sides(traced, reach_mm, 1.1 * self.front.longest_mm)
        signs = np.zeros(len(self.all_vertices) + len(sides) - len(self.numbers))
        place = self._places(len(sides))
        signs[place] = sides
        signs, torn = spread_signs(self._all_edges(), signs)
        if len(torn):
            points = np.concatenate([self.all_vertices, self.front.vertices[len(self.numbers) :]])
            x, y, z = points[torn[0]].round(1).tolist()
            raise BadParameter(
                "the trim line does not part the scan into two sides: one can walk from its "
                f"inside to its outside, by way of x {x:g}, y {y:g}, z {z:g}",
                "Lead the line all the way round what is to be cut out",
            )
        signs = np.where(signs == 0, 1.0, signs)  # pieces of the scan that the line is not on
        self.far_signs = signs[: len(self.all_vertices)]
        side = signs[place]
        return Signed(side * np.minimum(found.values, reach_mm), side[:, None] * found.slopes)

    def over_all(self, values: Floats) -> Floats:
        """Values at all vertices of the scan; away from the band they tell the side."""
        whole = self.far_signs * float(np.abs(values).max())
        whole[self.numbers] = values[: len(self.numbers)]
        return np.asarray(whole)

    def _places(self, count: int) -> Ints:
        """The band's vertices among the scan's and, after those, the ones that were added."""
        new = np.arange(count - len(self.numbers)) + len(self.all_vertices)
        return np.concatenate([self.numbers, new])

    def _all_edges(self) -> Ints:
        """Edges of the scan beside the band and of the band, in those numbers."""
        place = self._places(len(self.front.vertices))
        return np.concatenate([half_edges(self.beside), place[self.front.edges]])


def _ways(round_mm: float, margin_mm: float) -> list[float]:
    """How far the line moves, outward where positive, turn by turn: the margin, then in, out, in.

    The corners come last, or a margin would make those sharp again that turn its way. What
    was moved outward by more than their radius has none that turn the other.
    """
    if round_mm == 0:
        return [margin_mm] if margin_mm else []
    if margin_mm >= round_mm:
        return [margin_mm + round_mm, -round_mm]
    if margin_mm > 0:
        return [margin_mm, -round_mm, 2 * round_mm, -round_mm]
    return [margin_mm - round_mm, 2 * round_mm, -round_mm]


def _on_surface(
    index: SurfaceIndex, points: Any, mirrored: bool
) -> tuple[Floats, Ints, Floats, Floats, Ints]:
    """Nearest points of the surface: place, face, weights; how far off all were; their numbers."""
    try:
        given = np.asarray(points, dtype=float)
    except (TypeError, ValueError):
        given = np.empty(0)
    if given.ndim != 2 or given.shape[1] != 3 or len(given) < 3 or not np.isfinite(given).all():
        raise BadParameter(
            "points is no loop on the scan", "Give three or more points (x, y, z) in mm"
        )
    found = index.closest(given)
    worst = int(np.argmax(found.distance))
    if found.distance[worst] > NEAR_MM:
        x, y, z = given[worst].round(1).tolist()
        raise BadParameter(
            f"points[{worst + 1}]{', mirrored,' if mirrored else ''} = ({x:g}, {y:g}, {z:g}) lies "
            f"{found.distance[worst]:.0f} mm from the scan (allowed {NEAR_MM:g} mm)",
            "Give points on or near the scan, in mm and in its coordinates",
        )
    step = np.linalg.norm(found.point - np.roll(found.point, 1, axis=0), axis=1)
    kept = step > APART_MM
    if kept.sum() < 3:
        raise BadParameter(
            f"points has only {int(kept.sum())} places more than {APART_MM:g} mm apart",
            "Give three or more points round what is to be cut out",
        )
    numbers = np.flatnonzero(kept) + 1
    return found.point[kept], found.face[kept], found.weights[kept], found.distance, numbers


def _loop(
    vertices: Floats, faces: Ints, points: Floats, face: Ints, weights: Floats
) -> tuple[Floats, Ints]:
    """The closed line (k, 3) by the shortest ways, and the leg (k,) each segment is of."""
    paths = SurfacePaths(vertices, faces)
    parts, legs = [], []
    for number in range(len(points)):
        to = (number + 1) % len(points)
        path = paths.shortest((int(face[number]), weights[number]), (int(face[to]), weights[to]))
        parts.append(path[:-1])
        legs.append(np.full(len(path) - 1, number))
    line, leg = np.concatenate(parts), np.concatenate(legs)
    moved = np.linalg.norm(line - np.roll(line, 1, axis=0), axis=1) > 1e-6
    return line[moved], leg[moved]


def _is_other_side(
    index: SurfaceIndex,
    band: _Band,
    values: Floats,
    whole: Floats,
    inside: ArrayLike | None,
    area: float,
    other: float,
) -> bool:
    """Whether the side that is negative so far is not the one to be kept."""
    if inside is None:
        return other < area
    try:
        point = np.asarray(inside, dtype=float)
    except (TypeError, ValueError):
        point = np.empty(0)
    if point.shape != (3,) or not np.isfinite(point).all():
        raise BadParameter(f"inside = {inside!r} is no point", "Give (x, y, z) in mm")
    found = index.closest(point[None])
    if found.distance[0] > 2 * NEAR_MM:
        raise BadParameter(
            f"inside = {point.round(1).tolist()} lies {found.distance[0]:.0f} mm from the scan",
            "Give a point on or near the part of the scan that is kept",
        )
    fine = band.index.closest(found.point)
    if fine.distance[0] < ON_SURFACE_MM:
        value = float(band.index.interpolate(values, fine)[0])
    else:
        value = float(whole[index.faces[found.face[0]]].mean())
    return value > 0


def _areas(vertices: Floats, faces: Ints, values: Floats) -> tuple[float, float]:
    """Areas of the negative and the positive side, mm2."""
    corners = vertices[faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(cross, axis=1) / 2
    share = (values[faces] < 0).mean(axis=1)
    return float(area @ share), float(area @ (1 - share))


def _refuse_broken(
    band: _Band, signed: Signed, round_mm: float, margin_mm: float, way: float
) -> None:
    """`BadParameter` where a move left nothing inside, or more than one line."""
    last = way == margin_mm - round_mm or round_mm == 0
    name = f"margin_mm = {margin_mm:g}" if last and margin_mm else f"round_mm = {round_mm:g}"
    line = level_line(band.front.vertices, band.front.faces, signed)
    if len(line.face) == 0:
        raise BadParameter(
            f"{name} leaves nothing inside the trim line, or nothing outside it",
            "Choose a smaller one, or points farther apart",
        )
    loops = line.closed_lengths()
    crumb = max(6 * band.front.edge_mm, 0.02 * loops[0][0]) if loops else 0.0
    if len(loops) > 1 and loops[1][0] > crumb:
        x, y, z = loops[1][1].round(1).tolist()
        raise BadParameter(
            f"{name} makes the trim line meet itself and breaks it in {len(loops)}, the second "
            f"about x {x:g}, y {y:g}, z {z:g}",
            "Choose a smaller one, or draw the narrow place wider",
        )


def _sliver_edge_mm(corners: Floats, twice_mm2: Floats, edge_mm: float) -> float:
    """The edge at which the triangles narrower than an edge become at most `MOST_FACES`.

    Of such a one its length counts, not its area: cut into k along it, it becomes about 2 k.
    corners (m, 3, 3); twice_mm2 (m,) : twice their areas
    """
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    narrow = (twice_mm2 < edge_mm * longest) & (longest > edge_mm)
    return float(2 * longest[narrow].sum() / MOST_FACES)


def _spacing(vertices: Floats, faces: Ints) -> float:
    """Between samples of the surface: as its edges, or what keeps them few on long triangles."""
    corners = vertices[faces]
    length = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    most = max(2 * len(faces), MOST_SAMPLES)
    return float(max(np.median(length), np.sqrt((length.max(axis=1) ** 2).sum() / most)))


def _longest_edge(vertices: Floats, faces: Ints, line: Floats) -> float:
    """Length of the longest edge that the line can cross, mm."""
    edges = half_edges(faces)
    length = np.linalg.norm(vertices[edges[:, 0]] - vertices[edges[:, 1]], axis=1)
    middle = (vertices[edges[:, 0]] + vertices[edges[:, 1]]) / 2
    away, _ = cKDTree(_dense(line, 2.0)).query(middle, workers=threads())
    return float(length[away < length / 2 + 2.0].max())


def _dense(line: Floats, step_mm: float) -> Floats:
    """Points at most `step_mm` apart on a closed line."""
    after = np.roll(line, -1, axis=0)
    count = np.maximum(np.ceil(np.linalg.norm(after - line, axis=1) / step_mm), 1).astype(np.int64)
    owner = np.repeat(np.arange(len(line)), count)
    rank = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    share = (rank / count[owner])[:, None]
    return np.asarray(line[owner] * (1 - share) + after[owner] * share)
