"""Where to cut a body so that its parts fit the printer, and how each cut is keyed."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import product

import numpy as np
import shapely
from numpy.typing import NDArray

from ..errors import BadParameter
from ..geometry import solid
from ..geometry.placing import largest_disc, spread_discs
from ..printing.pose import fits_flat
from ..printing.printer import Printer
from .keys import PEG_TAPER_DEG, Peg

__all__ = ["Cut", "KeepOut", "place_cuts", "place_pegs"]

Floats = NDArray[np.float64]
PEG_LENGTH_MM = 8.0
_MOST_PARTS = 64
_PEG_RADII_MM = (1.5, 8.0)
_WALL_MM = 1.2  # three lines of 0.4 mm round a socket
_THIN_MM = 2.4
_LEAST_FACE_MM2 = 20.0
_PEG_AREA_MM2 = 2500.0
_MOST_PEGS = 6
_TRIES = 9
# Rows that turn an axis to z, keeping the other two in order.
_TURNS = tuple(np.roll(np.eye(3), -(axis + 1), axis=0) for axis in range(3))


@dataclass(frozen=True, slots=True)
class KeepOut:
    """An upright bore, stop or key that a cut must not pass: plan place and radius, mm."""

    x: float
    y: float
    radius_mm: float


@dataclass(frozen=True, slots=True)
class Cut:
    """The plane where coordinate `axis` equals `at`; pegs stand on its low side."""

    axis: int
    at: float
    pegs: list[Peg] = field(default_factory=list)


def place_cuts(body: solid.Solid, printer: Printer, keep_out: list[KeepOut]) -> list[Cut]:
    """The cuts (without pegs yet) of the fewest-part grid whose cells fit the printer."""
    low, high = np.reshape(body.bounding_box(), (2, 3))
    counts = _fewest(high - low, printer)
    cuts = []
    for axis, count in enumerate(counts):
        if count > 1:
            room = _cell_limits(high - low, counts, printer)[axis]
            cuts += _places_along(body, axis, count, room, low[axis], high[axis], keep_out)
    return cuts


def _fewest(size: Floats, printer: Printer) -> tuple[int, int, int]:
    """Numbers of cells along x, y and z: fewest parts first, then least cut area."""
    smallest = min(printer.volume_mm)
    if smallest < 3 * PEG_LENGTH_MM:
        raise BadParameter(
            f"printer.volume_mm = {list(printer.volume_mm)}: a part must hold a key of "
            f"{PEG_LENGTH_MM:g} mm and its socket",
            f"Each side must be at least {3 * PEG_LENGTH_MM:g} mm",
        )
    x, y, z = (int(np.ceil(length / (smallest - PEG_LENGTH_MM))) + 1 for length in size)
    area = [size[1] * size[2], size[0] * size[2], size[0] * size[1]]
    options = sorted(
        product(range(1, x + 1), range(1, y + 1), range(1, z + 1)),
        key=lambda n: (n[0] * n[1] * n[2], sum((k - 1) * a for k, a in zip(n, area, strict=True))),
    )
    for counts in options:
        if int(np.prod(counts)) > _MOST_PARTS:
            break
        if _cells_fit(size, counts, printer):
            return counts
    raise BadParameter(
        f"printer.volume_mm = {list(printer.volume_mm)}: a body of "
        f"{size[0]:.0f} x {size[1]:.0f} x {size[2]:.0f} mm needs more than {_MOST_PARTS} parts",
        "Use a larger printer, or crop the piece smaller",
    )


def _cells_fit(size: Floats, counts: tuple[int, ...], printer: Printer) -> bool:
    """Whether equal cells, with the pegs that stand out of them, fit."""
    cell = [
        length / count + (PEG_LENGTH_MM if count > 1 else 0)
        for length, count in zip(size, counts, strict=True)
    ]
    width, depth, height = printer.volume_mm
    if min(cell[:2]) > min(width, depth) or max(cell[:2]) > np.hypot(width, depth):
        return False  # no turn about z could help
    return fits_flat(cell[0], cell[1], printer) and cell[2] <= height


def _cell_limits(size: Floats, counts: tuple[int, ...], printer: Printer) -> list[float]:
    """The longest cell along each axis, less its pegs, while the other axes keep equal cells."""
    limits = []
    for axis in range(3):
        even = size[axis] / counts[axis]
        best = even
        for stretch in np.linspace(1.0, 2.0, 41):
            trial = np.array(size, dtype=float)
            trial[axis] *= stretch
            if not _cells_fit(trial, counts, printer):
                break
            best = even * stretch
        limits.append(best)
    return limits


def _places_along(
    body: solid.Solid,
    axis: int,
    count: int,
    room: float,
    low: float,
    high: float,
    keep_out: list[KeepOut],
) -> list[Cut]:
    """Cut places along one axis, each the best of several within what the printer allows."""
    turned = solid.moved(body, _turning(axis))
    cuts: list[Cut] = []
    before = low
    for number in range(1, count):
        first = max(high - (count - number) * room, before + 2 * PEG_LENGTH_MM)
        last = min(before + room, high - 2 * PEG_LENGTH_MM)
        even = before + (high - before) / (count - number + 1)
        spread = min(even - first, last - even) if first < even < last else 0.0
        tries = even + spread * np.linspace(-1, 1, _TRIES) if spread > 0 else np.array([even])
        tries = tries[np.argsort(np.abs(tries - even), kind="stable")]
        rated = [_rating(turned, axis, float(at), keep_out) for at in tries]
        at = float(tries[int(np.argmax(rated))])
        cuts.append(Cut(axis, at))
        before = at
    return cuts


def _rating(turned: solid.Solid, axis: int, at: float, keep_out: list[KeepOut]) -> float:
    """Room for keys on a cut, less what it passes: bores and keys, thin walls, more pieces."""
    region = _key_region(turned, at)
    radius = largest_disc(region, 0.5)[1]
    passed = 0
    if axis < 2:
        places = [(item.x, item.y)[axis] for item in keep_out]
        passed = sum(
            abs(place - at) < item.radius_mm + 2
            for place, item in zip(places, keep_out, strict=True)
        )
    section = solid.section(turned, at)
    thin = section.area - section.buffer(-_THIN_MM).buffer(_THIN_MM).area
    pieces = len(section.geoms)
    value = min(radius, 12.0) + 0.002 * region.area**0.5 - 30.0 * passed - 0.02 * thin - pieces
    return float(value)


def _key_region(turned: solid.Solid, at: float) -> shapely.Geometry:
    """Plan region, in the cut's own plane, with material from root to socket's end."""
    depths = (-2.0, 0.0, PEG_LENGTH_MM / 2, PEG_LENGTH_MM + 2.0)
    region: shapely.Geometry = solid.section(turned, at + depths[0])
    for depth in depths[1:]:
        region = region.intersection(solid.section(turned, at + depth))
    return region


def place_pegs(
    body: solid.Solid, cut: Cut, others: list[Cut], clearance_mm: float
) -> list[list[Peg]]:
    """Pegs for a cut, a list for each pair of parts it will part.

    By largest inscribed circles, more on larger sections, the first of each pair
    larger: one odd peg makes the parts go together one way only. Pegs keep clear
    of the other cuts, so that none is cut through.
    """
    turned = solid.moved(body, _turning(cut.axis))
    region = _key_region(turned, cut.at)
    section = solid.section(turned, cut.at)
    fields = _fields(section, cut.axis, [other for other in others if other.axis != cut.axis])
    return [
        _pegs_in(region.intersection(field), cut, clearance_mm)
        for field, face in ((field, section.intersection(field)) for field in fields)
        if face.area > _LEAST_FACE_MM2
    ]


def _fields(section: shapely.Geometry, axis: int, others: list[Cut]) -> list[shapely.Geometry]:
    """The rectangles of a cut's plane between the other cuts, kept clear of them by a peg."""
    low_x, low_y, high_x, high_y = section.bounds
    marks: list[list[float]] = [[], []]
    for other in others:
        marks[int(np.argmax(_TURNS[axis][:2, other.axis]))].append(other.at)
    spans = [
        _spans(low - 1, high + 1, sorted(set(cuts)))
        for low, high, cuts in zip((low_x, low_y), (high_x, high_y), marks, strict=True)
    ]
    return [
        shapely.box(x0, y0, x1, y1) for (x0, x1), (y0, y1) in product(*spans) if x0 < x1 and y0 < y1
    ]


def _spans(low: float, high: float, cuts: list[float]) -> list[tuple[float, float]]:
    clear = PEG_LENGTH_MM + 3
    ends = [low, *(end for cut in cuts for end in (cut - clear, cut + clear)), high]
    return list(zip(ends[::2], ends[1::2], strict=True))


def _pegs_in(region: shapely.Geometry, cut: Cut, clearance_mm: float) -> list[Peg]:
    inscribed = largest_disc(region)[1]
    least, most = _PEG_RADII_MM
    back = _turning(cut.axis)[:3, :3].T
    best: list[Peg] = []
    # Where the wanted size finds one place only, smaller pegs may find two.
    for share in (0.7, 0.5, 0.35):
        large = min(share * inscribed, inscribed - _WALL_MM - clearance_mm, most)
        if large < least:
            continue
        places = _spread(region, large, max(0.75 * large, least), clearance_mm)
        pegs = [_peg(back, cut.axis, centre, cut.at, reach) for centre, reach in places]
        if len(pegs) > len(best):
            best = pegs
        if len(best) >= 2:
            break
    return best


def _spread(
    region: shapely.Geometry, large: float, small: float, clearance: float
) -> list[tuple[Floats, float]]:
    """Places and radii: the larger peg off the region's middle, the others far from it."""
    margin = max(_WALL_MM, 0.35 * large) + clearance
    odd = spread_discs(region, large + margin, 1.0, 1)
    place = odd[0] if len(odd) else largest_disc(region)[0]
    rest = region.difference(shapely.Point(place).buffer(large + margin))
    count = int(np.clip(1 + region.area // _PEG_AREA_MM2, 2, _MOST_PEGS))
    spots = spread_discs(rest, small + margin, 3 * (small + margin), count - 1)
    return [(place, large), *((spot, small) for spot in spots)]


def _peg(back: Floats, axis: int, centre: Floats, at: float, reach: float) -> Peg:
    """The peg whose corners lie `reach` from its middle: square on its corner when level."""
    sides = 48 if axis == 2 else 4
    radius = reach * float(np.cos(np.pi / sides))
    x, y, z = (back @ [*centre, at]).tolist()
    u, v, w = (back @ [0.0, 0.0, 1.0]).tolist()
    length = min(PEG_LENGTH_MM, 0.6 * radius / np.tan(np.radians(PEG_TAPER_DEG)))
    return Peg((x, y, z), (u, v, w), radius, float(length), sides=sides)


def _turning(axis: int) -> Floats:
    matrix = np.eye(4)
    matrix[:3, :3] = _TURNS[axis]
    return matrix
