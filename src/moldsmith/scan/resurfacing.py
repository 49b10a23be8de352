"""A new surface for a scan that local repair cannot mend.

Where layers lie on one another, the surface crosses itself, edges have many faces
or much of the skin is loose islands, there is no neighbourhood to repair. The
winding number still tells inside from outside; its sign on the distance to the
scan, on a narrow band of cells round it, gives a field whose zero is one clean
surface: the outermost of doubled layers. What it spans across openings is taken
away again.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from ..geometry import topology
from ..geometry.distance import SurfaceIndex
from ..geometry.isosurface import extract, narrow_band
from ..geometry.orientation import capped_volume
from ..geometry.winding import WindingTree

__all__ = ["Faults", "Resurface", "faults", "resurfaced", "without_layers"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
Resurface: TypeAlias = Literal["auto", "never", "always"]

CROWDED_SHARE = 0.02  # of edges with more than two faces, beyond which repair is hopeless
OVERLAP_SHARE = 0.03  # of the area that lies inside the rest of the scan
ISLAND_SHARE = 0.05  # of the area, in loose pieces that fill gaps of the skin
PATCH = 0.3  # of its area that a piece of skin shows to one side; half a ball shows half
IN_SKIN = 0.3  # rise of the winding number through such a piece
WITHIN = 0.9  # mean winding number beyond which a face lies inside the scan
PROBES = 2000  # places at which the overlap is looked for
FIRST_PROBES = 500  # where none of these is inside, OVERLAP_SHARE is out of the question
LAYER_MM = 6.0  # a second pass of the scanner lies this near the first; from memory
LAYER_LEAST = 0.01  # of the scan's area: what is less goes as a fragment
LAYER_PROBES = 20_000  # places of a piece at which a layer is looked for
LAYER_SHARE = 0.7  # of a piece's area that must lie so near for it to be a layer
ACCURACY = 1.5  # of the winding tree: the sign is all that is asked
OPEN_SHARE = 0.6  # of the resolution: farther from the scan the new surface spans an opening


@dataclass(frozen=True, slots=True)
class Faults:
    """What speaks against repair: shares of crowded edges, of area inside the scan itself, and
    of area in islands, loose pieces that lie in gaps of the skin, flipped or not."""

    crowded_share: float
    overlap_share: float
    island_share: float

    @property
    def beyond_repair(self) -> bool:
        return (
            self.crowded_share > CROWDED_SHARE
            or self.overlap_share > OVERLAP_SHARE
            or self.island_share > ISLAND_SHARE
        )


def faults(vertices: Floats, faces: Ints, crowded_share: float) -> Faults:
    """How much of an oriented scan lies within itself.

    The mean of the winding numbers before and behind a good face is 1/2, or -1/2 if
    the scan is inside out, and nearer 0 where it is open; on an inner layer or
    beyond a crossing it is 3/2.
    """
    rng = np.random.default_rng(0)
    pieces = _pieces(vertices, faces)
    area, cross = pieces.area, pieces.cross
    chosen = rng.choice(len(faces), PROBES, p=area / area.sum())
    step = 1e-3 * np.sqrt(area.mean())
    front = vertices[faces[chosen]].mean(axis=1) + step * cross[chosen] / area[chosen, None]
    # Winding numbers add up: the tree of the largest piece serves the islands as well.
    trees = [WindingTree(vertices, faces[pieces.main])]
    if not pieces.main.all():
        trees.append(WindingTree(vertices, faces[~pieces.main]))

    def within(points: Floats) -> Mask:
        return np.abs(sum(tree.number(points) for tree in trees) + 0.5) > WITHIN

    inside = within(front[:FIRST_PROBES])
    if inside.any():
        inside = np.r_[inside, within(front[FIRST_PROBES:])]
    overlap = float(inside.mean())
    return Faults(crowded_share, overlap, _island_share(vertices, faces, pieces, trees[0]))


def _island_share(vertices: Floats, faces: Ints, pieces: _Pieces, main: WindingTree) -> float:
    """The share of the area in loose pieces that the rest of the scan has a gap for.

    Dropped they leave holes, and kept a seam all round: neither is the skin.
    A body that closes round itself, as one that stands on a larger floor, fills no gap.
    """
    size = pieces.size
    if size.sum() - size.max() <= ISLAND_SHARE * size.sum():
        return 0.0
    toward = [_sums(pieces.label, column, len(size)) for column in pieces.cross.T]
    patch = np.linalg.norm(np.stack(toward, axis=1), axis=1) > PATCH * size
    rise = _rises(vertices, faces, pieces, main)
    return float(size[patch & (np.abs(rise) > IN_SKIN)].sum() / size.sum())


@dataclass(frozen=True, slots=True)
class _Pieces:
    """The loose pieces of a scan of m faces: label (m,) which one a face belongs to, cross (m, 3)
    its area normal, area (m,), main (m,) whether it is of the largest, size (k,) their areas."""

    label: Ints
    cross: Floats
    area: Floats
    size: Floats
    main: Mask


def _pieces(vertices: Floats, faces: Ints) -> _Pieces:
    number, label = topology.components(faces)
    cross = _crosses(vertices, faces)
    area = np.linalg.norm(cross, axis=1)
    size = _sums(label, area, number)
    return _Pieces(label, cross, area, size, label == np.argmax(size))


def without_layers(vertices: Floats, faces: Ints) -> tuple[Ints, int]:
    """The faces without the pieces that lie all along a larger piece, and how many those were."""
    number, label = topology.components(faces)
    if number == 1:
        return faces, 0
    area = np.linalg.norm(_crosses(vertices, faces), axis=1)
    size = np.bincount(label, area, minlength=number)
    large = np.argsort(-size, kind="stable")
    large = large[size[large] > LAYER_LEAST * size.sum()]  # a hundred at most
    kept, dropped = [int(large[0])], []
    for part in large[1:].tolist():
        own = np.flatnonzero(label == part)
        own = own[:: -(-len(own) // LAYER_PROBES)]
        middles = vertices[faces[own]].mean(axis=1)
        base = faces[np.isin(label, kept) & _about(vertices, faces, middles, LAYER_MM)]
        if len(base) == 0:
            kept.append(part)
            continue
        index = SurfaceIndex(*topology.compact(vertices, base), LAYER_MM / 2)
        near = index.nearest_samples(middles)[0] < LAYER_MM
        if np.average(near, weights=area[own]) > LAYER_SHARE:
            dropped.append(part)
        else:
            kept.append(part)
    return faces[~np.isin(label, dropped)], len(dropped)


def _about(vertices: Floats, faces: Ints, points: Floats, reach: float) -> Mask:
    """Which faces may come within reach of the points, by the points' bounding box."""
    below = vertices < points.min(axis=0) - reach
    above = vertices > points.max(axis=0) + reach
    away = [beyond[faces].all(axis=1).any(axis=1) for beyond in (below, above)]
    return np.asarray(~(away[0] | away[1]))


def resurfaced(
    vertices: Floats, faces: Ints, resolution_mm: float
) -> tuple[Floats, Ints, dict[str, float]]:
    """One manifold surface in place of the soup, and how far it lies off the scan.

    Details and gaps below the resolution are lost; openings stay open.
    """
    faces = _islands_alike(vertices, faces)
    tree = WindingTree(vertices, faces, ACCURACY)
    index = SurfaceIndex(vertices, faces, resolution_mm / 2)
    reach = 0.6 * index.spacing_mm

    def of_cells(points: Floats, half_diagonal: float) -> Floats:
        return index.nearest_samples(points)[0]

    def signed(points: Floats) -> Floats:
        gap = np.maximum(index.closest(points).distance, 1e-6 * resolution_mm)
        return np.where(tree.number(points) > 0.5, -gap, gap)

    band = narrow_band(of_cells, index.sample_points, resolution_mm, resolution_mm, slack_mm=reach)
    new_vertices, new_faces, _ = extract(signed, band)
    off = index.closest(new_vertices).distance
    new_faces = new_faces[(off[new_faces] < OPEN_SHARE * resolution_mm).all(axis=1)]
    new_vertices, new_faces = topology.compact(new_vertices, new_faces)
    off = index.closest(new_vertices).distance if len(new_faces) else np.zeros(1)
    figures = {
        "resolution_mm": resolution_mm,
        "resurfacing_error_p99_mm": round(float(np.quantile(off, 0.99)), 4),
        "resurfacing_error_max_mm": round(float(off.max()), 4),
    }
    return new_vertices, new_faces, figures


def _islands_alike(vertices: Floats, faces: Ints) -> Ints:
    """The largest piece turned outward, and every other as it fits the rest.

    The rest of a body winds more behind a piece of its skin than before it.
    """
    pieces = _pieces(vertices, faces)
    main, faces = pieces.main, np.array(faces)
    if capped_volume(*topology.compact(vertices, faces[main])) < 0:
        faces[main] = faces[main][:, ::-1]
    if main.all():
        return faces
    rise = _rises(vertices, faces, pieces, WindingTree(vertices, faces[main]))
    turn = (rise < 0)[pieces.label] & ~main
    faces[turn] = faces[turn][:, ::-1]
    return faces


def _rises(vertices: Floats, faces: Ints, pieces: _Pieces, main: WindingTree) -> Floats:
    """How much more (k,) the largest piece winds behind every other than before it.

    main : the tree of the largest piece

    About half for what lies in a gap of the skin (a disc seen from 0.63 of its radius),
    none for what floats beside it, less than none for what faces inward; 0 for the
    largest piece itself.
    """
    label, area = pieces.label, pieces.area
    some = _some_of_each(label, ~pieces.main)
    step = np.sqrt(pieces.size[label[some]] / 8)[:, None]
    step = step * pieces.cross[some] / np.maximum(area[some], 1e-30)[:, None]
    middles = vertices[faces[some]].mean(axis=1)
    rise = main.number(middles - step) - main.number(middles + step)
    count = len(pieces.size)
    total = np.bincount(label[some], rise * area[some], minlength=count)
    weight = np.bincount(label[some], area[some], minlength=count)
    return np.asarray(total / np.maximum(weight, 1e-30))


def _sums(label: Ints, area: Floats, number: int) -> Floats:
    return np.bincount(label, area, minlength=number).astype(np.float64)


def _some_of_each(label: Ints, wanted: Mask, most: int = 16) -> Ints:
    """Up to `most` faces of each piece, evenly out of its row."""
    rows = np.flatnonzero(wanted)
    rows = rows[np.argsort(label[rows], kind="stable")]
    _, start, count = np.unique(label[rows], return_index=True, return_counts=True)
    rank = np.arange(len(rows)) - np.repeat(start, count)
    every = np.repeat(-(-count // most), count)
    return np.asarray(rows[rank % every == 0])


def _crosses(vertices: Floats, faces: Ints) -> Floats:
    corners = vertices[faces]
    return np.asarray(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) / 2)
