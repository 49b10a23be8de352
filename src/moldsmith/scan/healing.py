"""A raw scan becomes one clean surface: heal."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import trimesh
from numpy.typing import NDArray

from ..errors import BadParameter, BadScan
from ..geometry import holes, orientation, topology
from ..geometry.clipping import corner_angles
from ..geometry.deviation import faulty
from ..geometry.reduction import reduced
from ..stage import stage
from ..workpiece import Finding, Vector, Workpiece
from .fragments import sort_out
from .resurfacing import Resurface, faults, resurfaced, without_layers
from .torn import mended

__all__ = ["heal"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

APART_MM = 0.02  # between vertices that were one: well above the step of an STL's float32
SPIKE_DEG = 90.0  # angles round a vertex: flat is 360, a cone this sharp is no body
ANGLES_AT_ONCE = 500_000  # faces; bounds the memory
CRUMBS = 100  # loose pieces from which on ...
CRUMB_SHARE = 0.02  # ... a largest one of less than this share of the area is no body
SURE_ROUNDNESS = 0.002  # enclosed volume that tells the outside from the inside


@dataclass
class _Surface:
    """The scan on its way through heal, and what was done to it."""

    vertices: Floats
    faces: Ints
    counts: dict[str, Any]


@stage
def heal(
    piece: Workpiece,
    *,
    max_hole_mm: float = 60.0,
    fragment_share: float = 0.05,
    weld_mm: float = 0.01,
    resurface: Resurface = "auto",
    resolution_mm: float = 3.0,
    reduce_mm: float = 0.05,
) -> Workpiece:
    """Make the raw scan one clean, outward-facing surface.

    Vertices within `weld_mm` become one, and farther apart where most triangles do not
    meet; degenerate and doubled triangles, spikes, loose fragments and a floor patch go;
    edges of more than two
    triangles and vertices of more than one fan are taken apart; all triangles
    face outward; a second layer over the first goes; holes are filled smoothly,
    large openings stay. A scan beyond such repair is given a new surface.

    Parameters
    ----------
    max_hole_mm : a border at most this far across is filled (0: none), mm
    fragment_share : a loose piece of less than this share of the largest one's
        area is dropped, 0 to 1
    weld_mm : 0 to 1 mm
    resurface : 'auto' makes a new surface where more than 2 % of the edges have more
        than two triangles, more than 3 % of the area lies inside the scan itself or more
        than 5 % in loose pieces that fill gaps of the skin, flipped or not; 'never'; 'always'
    resolution_mm : edge of the cells of such a new surface, 0.5 to 20 mm
    reduce_mm : the result has as few triangles as keep it within this of the healed
        surface, 0 to 2 mm; 0: all

    Returns
    -------
    Workpiece whose 'scan' is manifold and oriented, closed but for its openings

    Findings: triangles joined that did not meet, new surface with its deviation, layers
    dropped, pieces kept, holes filled that were more than half of max_hole_mm across,
    openings kept, floor dropped, outside unsure.

    Raises
    ------
    BadParameter : a value is out of range
    BadScan : nothing is left, or only crumbs
    """
    _check("max_hole_mm", max_hole_mm, 0.0, 1000.0)
    _check("fragment_share", fragment_share, 0.0, 1.0)
    _check("weld_mm", weld_mm, 0.0, 1.0)
    _check("resolution_mm", resolution_mm, 0.5, 20.0)
    _check("reduce_mm", reduce_mm, 0.0, 2.0)
    if resurface not in ("auto", "never", "always"):
        raise BadParameter(
            f"resurface = {resurface!r} is not known", "Give 'auto', 'never' or 'always'"
        )
    mesh = piece.body("scan")
    counts = {"triangles": len(mesh.faces)}
    surface = _Surface(np.array(mesh.vertices), np.array(mesh.faces), counts)
    _weld(surface, weld_mm)
    findings = _mend(surface)
    _drop_spikes(surface)
    crowded, edges = _crowded_edges(surface.faces)
    _make_manifold(surface)
    _refuse_crumbled(surface)
    findings += _drop_layers(surface)
    findings += _resurface(surface, resurface, resolution_mm, crowded / edges)
    label, more = _drop_loose(surface, fragment_share, np.asarray(piece.frame.up))
    findings += more + _face_outward(surface, label)
    findings += _fill_holes(surface, max_hole_mm)
    if faulty(surface.faces, len(surface.vertices)).any():  # two holes' fillings may meet
        _make_manifold(surface)
    _reduce(surface, reduce_mm)
    surface.vertices, moved = topology.pulled_apart(surface.vertices, surface.faces, APART_MM)
    surface.counts["vertices_pulled_apart"] = moved
    surface.counts["triangles_left"] = len(surface.faces)
    healed = trimesh.Trimesh(surface.vertices, surface.faces, process=False)
    return piece.with_bodies(scan=healed).note(surface.counts, findings)


def _check(parameter: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high:
        raise BadParameter(f"{parameter} = {value!r} is out of range", f"Give {low:g} to {high:g}")


def _weld(surface: _Surface, weld_mm: float) -> None:
    count = _used(surface.faces, len(surface.vertices)).sum()
    faces = topology.weld_near(surface.vertices, surface.faces, weld_mm)
    faces = _without_useless(surface, faces)
    if len(faces) == 0:
        raise BadScan(
            f"no triangle is larger than weld_mm = {weld_mm:g}", "Check the unit of the scan"
        )
    left = _used(faces, len(surface.vertices)).sum()
    surface.counts["vertices_welded"] = int(count - left)
    surface.vertices, surface.faces = topology.compact(surface.vertices, faces)


def _without_useless(surface: _Surface, faces: Ints) -> Ints:
    """The faces without those of no area and those there twice."""
    degenerate = topology.degenerate(faces)
    faces = faces[~degenerate]
    repeated = topology.repeated(faces)
    _add(surface, "degenerate_dropped", int(degenerate.sum()))
    _add(surface, "repeated_dropped", int(repeated.sum()))
    return faces[~repeated]


def _mend(surface: _Surface) -> list[Finding]:
    """Triangles that do not meet are brought together."""
    found = mended(surface.vertices, surface.faces)
    surface.counts["torn_joined_mm"] = 0.0 if found is None else round(found[2], 4)
    if found is None:
        return []
    vertices, faces, reach = found
    surface.vertices, surface.faces = topology.compact(vertices, _without_useless(surface, faces))
    message = (
        "most triangles had corners of their own that did not meet: what lay within "
        f"{reach:.2g} mm of one another was made one, in the middle. "
        "Export the scan with shared vertices if it has finer detail than that"
    )
    return [Finding("torn-scan", "warning", message, "scan", _place(surface.vertices))]


def _refuse_crumbled(surface: _Surface) -> None:
    """`BadScan` where the scan is crumbs, none of which could be the body."""
    number, label = topology.components(surface.faces)
    corners = surface.vertices[surface.faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.bincount(label, np.linalg.norm(cross, axis=1), minlength=number)
    share = float(size.max() / max(float(size.sum()), 1e-30))
    if number >= CRUMBS and share < CRUMB_SHARE:
        raise BadScan(
            f"the scan is {number} loose pieces, the largest {100 * share:.2g} % of its area: "
            "its triangles do not meet",
            "Export it as one surface with shared vertices, or raise weld_mm",
        )


def _used(faces: Ints, count: int) -> NDArray[np.bool_]:
    """Which of `count` vertices a face names."""
    used = np.zeros(count, dtype=bool)
    used[faces] = True
    return used


def _drop_spikes(surface: _Surface) -> None:
    """Vertices that stick out like a needle go with their triangles; the hole is filled later."""
    faces, count = surface.faces, len(surface.vertices)
    around = np.zeros(count)
    for part in np.array_split(faces, -(-len(faces) // ANGLES_AT_ONCE)):
        angles = corner_angles(surface.vertices, part)
        around += np.bincount(part.ravel(), angles.ravel(), minlength=count)
    border = np.zeros(count, dtype=bool)
    border[topology.border_edges(faces)] = True
    spike = ~border & (around < SPIKE_DEG)
    gone = spike[faces].any(axis=1)
    if gone.all():
        return
    surface.counts["spikes_dropped"] = int((spike & _used(faces, count)).sum())
    surface.vertices, surface.faces = topology.compact(surface.vertices, faces[~gone])


def _make_manifold(surface: _Surface) -> None:
    """Only two faces an edge, one fan a vertex, neighbours facing alike."""
    vertices, faces = surface.vertices, surface.faces
    crowded, _ = _crowded_edges(faces)
    flips = orientation.consistent_flips(faces, topology.mated_edges(vertices, faces))
    faces = np.where(flips[:, None], faces[:, ::-1], faces)
    before = len(vertices)
    for _ in range(8):
        faces, source = topology.split_corners(faces, topology.mated_edges(vertices, faces))
        vertices = vertices[source]
        # A surface folded onto itself can meet an edge twice in one fan: such faces go.
        folded = topology.crowded_faces(faces)
        if not folded.any():
            break
        faces = faces[~folded]
        _add(surface, "folded_dropped", int(folded.sum()))
    _add(surface, "folded_dropped", 0)
    _add(surface, "crowded_edges_split", crowded)
    _add(surface, "vertices_split", len(vertices) - before)
    _add(surface, "triangles_flipped", int(flips.sum()))
    surface.vertices, surface.faces = topology.compact(vertices, faces)


def _add(surface: _Surface, key: str, number: int) -> None:
    surface.counts[key] = surface.counts.get(key, 0) + number


def _crowded_edges(faces: Ints) -> tuple[int, int]:
    """How many edges have more than two faces, and how many edges there are."""
    keys = np.sort(topology.edge_keys(topology.half_edges(faces)))
    first = np.flatnonzero(np.r_[True, keys[1:] != keys[:-1]])
    per_edge = np.diff(np.r_[first, len(keys)])
    return int((per_edge > 2).sum()), len(per_edge)


def _drop_layers(surface: _Surface) -> list[Finding]:
    faces, dropped = without_layers(surface.vertices, surface.faces)
    surface.counts["layers_dropped"] = dropped
    if not dropped:
        return []
    kept = surface.faces
    surface.vertices, surface.faces = topology.compact(surface.vertices, faces)
    message = (
        f"{dropped} second layer(s) of {len(kept) - len(faces)} triangles lay along a larger "
        "piece and were dropped. If they were meant, put them into a file of their own"
    )
    return [Finding("layer-dropped", "warning", message, "scan")]


def _resurface(
    surface: _Surface, wanted: Resurface, resolution_mm: float, crowded_share: float
) -> list[Finding]:
    """A new surface where the faults are beyond repair, or where one is wanted."""
    found = faults(surface.vertices, surface.faces, crowded_share)
    surface.counts["crowded_edge_share"] = round(found.crowded_share, 4)
    surface.counts["overlap_area_share"] = round(found.overlap_share, 4)
    surface.counts["island_area_share"] = round(found.island_share, 4)
    needed = wanted == "always" or (wanted == "auto" and found.beyond_repair)
    surface.counts["resurfaced"] = needed
    if not needed:
        return []
    vertices, faces, figures = resurfaced(surface.vertices, surface.faces, resolution_mm)
    if len(faces) == 0:
        raise BadScan(
            "the scan encloses nothing that a new surface could be laid round",
            "Scan again, or give resurface = 'never'",
        )
    surface.vertices, surface.faces = vertices, faces
    surface.counts |= figures
    _make_manifold(surface)
    message = (
        f"{100 * found.crowded_share:.1f} % of the edges had more than two triangles and "
        f"{100 * found.overlap_share:.0f} % of the area lay inside the scan itself, "
        f"{100 * found.island_share:.0f} % in loose islands of the skin: the surface was made "
        f"anew at {resolution_mm:g} mm, {figures['resurfacing_error_p99_mm']:.2f} mm off the scan "
        "at most (99 %). Detail below that is lost; a smaller resolution_mm keeps more"
    )
    return [Finding("resurfaced", "warning", message, "scan", _place(vertices))]


def _reduce(surface: _Surface, reduce_mm: float) -> None:
    """Fewer triangles within the tolerance; the deviation is measured, not assumed."""
    before, deviation = len(surface.faces), 0.0
    if reduce_mm > 0:
        surface.vertices, surface.faces, deviation = reduced(
            surface.vertices, surface.faces, reduce_mm
        )
    surface.counts["triangles_reduced"] = before - len(surface.faces)
    surface.counts["reduction_deviation_mm"] = round(deviation, 5)


def _drop_loose(surface: _Surface, share: float, up: Floats) -> tuple[Ints, list[Finding]]:
    """Fragments and the floor go; gives the number of the piece each face left belongs to."""
    number, label = topology.components(surface.faces)
    keep, figures, findings = sort_out(surface.vertices, surface.faces, number, label, share, up)
    surface.counts |= figures
    surface.vertices, surface.faces = topology.compact(surface.vertices, surface.faces[keep])
    return label[keep], findings


def _face_outward(surface: _Surface, label: Ints) -> list[Finding]:
    """Each piece is turned so that it encloses a positive volume, its openings thought closed."""
    vertices, faces = surface.vertices, np.array(surface.faces)
    findings = []
    for part in np.flatnonzero(np.bincount(label)).tolist():
        rows = np.flatnonzero(label == part)
        own_vertices, own = topology.compact(vertices, faces[rows])
        volume = orientation.capped_volume(own_vertices, own)
        corners = own_vertices[own]
        cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        area = float(np.linalg.norm(cross, axis=1).sum() / 2)
        if orientation.roundness(volume, area) < SURE_ROUNDNESS:
            findings.append(_unsure(own_vertices))
        elif volume < 0:
            faces[rows] = faces[rows][:, ::-1]
            _add(surface, "triangles_turned_outward", len(rows))
    surface.faces = faces
    return findings


def _unsure(vertices: Floats) -> Finding:
    message = (
        "the surface is so flat that its outside cannot be told; it faces as most of the file's "
        "triangles did. If the pad grows the wrong way, turn the scan over before loading it"
    )
    return Finding("outside-unsure", "warning", message, "scan", _place(vertices))


def _fill_holes(surface: _Surface, max_hole_mm: float) -> list[Finding]:
    vertices, faces = surface.vertices, surface.faces
    loops = topology.border_loops(faces)
    # The rim of a small loose patch is no hole: nothing wider than half the scan is filled.
    limit = min(max_hole_mm, float(np.linalg.norm(np.ptp(vertices, axis=0))) / 2)
    across = [holes.opening(vertices[loop]) for loop in loops]
    chosen = [loop for loop, size in zip(loops, across, strict=True) if size <= limit]
    surface.vertices, surface.faces = holes.fill(vertices, faces, chosen)
    wide = [size for size in across if size <= limit]
    surface.counts |= {
        "holes_filled": len(chosen),
        "widest_filled_mm": round(max(wide, default=0.0), 3),
        "triangles_added": len(surface.faces) - len(faces),
        "openings_kept": len(loops) - len(chosen),
        "openings_mm": sorted((round(size, 3) for size in across if size > limit), reverse=True),
    }
    findings = []
    for loop, size in zip(loops, across, strict=True):
        place = _place(vertices[loop])
        if size > limit:
            message = (
                f"an opening {size:.0f} mm across stays open. "
                "Crop it away, or raise max_hole_mm to have it filled"
            )
            findings.append(Finding("opening-kept", "note", message, "scan", place))
        elif size > max_hole_mm / 2:
            message = (
                f"a hole {size:.0f} mm across was filled with a smooth surface that no scan saw. "
                "Compare it with the body, or scan again"
            )
            findings.append(Finding("large-hole-filled", "warning", message, "scan", place))
    return findings


def _place(points: Floats) -> Vector:
    x, y, z = np.round(points.mean(axis=0), 2).tolist()
    return (x, y, z)
