"""The part of the scan that is padded, cut out along the trim line: crop."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
import trimesh
from numpy.typing import ArrayLike, NDArray

from ..errors import BadParameter
from ..geometry import clipping, holes, topology
from ..geometry.cut_refining import refined_at_bends, refined_for_cut
from ..geometry.fairing import fair_borders
from ..stage import stage
from ..workpiece import Finding, Frame, Vector, Workpiece
from .directions import Direction, View, axes_of_view
from .mirroring import found_plane, mirrored, symmetric_within
from .region import Field, box_planes, half_space, inside_outline, rounded_outline, together
from .trimline import TrimLine, trim_line
from .viewing import area_towards, nearer_half

__all__ = ["crop"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

CRUMB_SHARE = 0.005  # of the largest piece's area: what is less fell off the trim line
PINHOLE_MM = 5.0  # across: where a ripple of the scan only just crosses the cut
LARGE_MM = 10.0  # edges of triangles in which a part of the cut may be hidden
HIDDEN_MM = 3.0  # deep: less is not worth smaller triangles
FAIR_MM = 5.0  # radius at most that a rim is smoothed to: more would take it off a limb's form
BEND_MM = 0.02  # that the cut may lie off its chord in a triangle
BEND_EDGE_MM = 0.8  # of edges that a bend makes no shorter
COARSE_SHARE = 0.5  # of a corner's radius: edges longer than this do not show it
APART_MM = 0.02  # between vertices that were one: well above the step of an STL's float32


@stage
def crop(
    piece: Workpiece,
    *,
    planes: Sequence[Sequence[ArrayLike]] | None = None,
    box: Sequence[ArrayLike] | None = None,
    outline: Sequence[Sequence[float]] | None = None,
    points: Sequence[Sequence[float]] | None = None,
    inside: Sequence[float] | None = None,
    mirror: bool = False,
    margin_mm: float = 0.0,
    view: View | Direction = "front",
    through: bool = False,
    keep: Literal["largest", "all"] = "largest",
    round_mm: float = 5.0,
) -> Workpiece:
    """Cut the patch to be padded out of the scan.

    Planes, box, outline and points may be combined: what is inside all of them is kept.

    Parameters
    ----------
    planes : (point, normal) each, mm; the normal points to the side that is kept
    box : (low corner, high corner), mm
    outline : three or more points (u, v), mm, of a closed line drawn in `view`:
        u to the viewer's right, v up, both measured from the scan's origin
    points : three or more points (x, y, z), mm, on or near the scan, in the order the trim
        line runs: it goes from one to the next by the shortest way along the surface
    inside : a point (x, y, z), mm, on the side of that line that is kept; the smaller
        side if left out
    mirror : cut out the other side of the wearer instead: points and inside are
        mirrored in the scan's plane of symmetry
    margin_mm : −200 to 200; how far the line through the points is moved along the
        surface, outward where positive
    view : 'front', 'back', 'left', 'right' (the wearer's), 'top', or the
        direction looked along. From the front, u grows to the wearer's left
    through : whether the outline cuts through to the far side. If not, only the
        half of the body that faces the viewer is kept
    keep : 'largest' piece (as seen in the view where an outline is given) or 'all'
        but crumbs of less than 0.5 % of its area
    round_mm : radius of the trim line's corners, 0 to 100; the rim is smoothed to it, to
        5 mm at most, so that the roughness of the scan does not fray it. Corners at the points are
        rounded by it, after the margin; the rim keeps to them within 0.1 mm

    Returns
    -------
    Workpiece whose 'scan' is an open patch, its borders the trim lines

    Raises
    ------
    BadParameter : nothing or all of the scan is left, a normal has no length, the
        outline or the line through the points crosses itself (with the place) or is
        narrower than twice the radius, a point is far from the scan
    """
    scan = piece.body("scan")
    _check(planes, box, outline, points, keep, round_mm)
    _check_line(points, inside, mirror, margin_mm)
    vertices, faces = np.asarray(scan.vertices), np.asarray(scan.faces)
    fields: list[Field] = [half_space(p, f"planes[{k}]") for k, p in enumerate(planes or (), 1)]
    fields += box_planes(box) if box is not None else []
    along, half = None, None
    if outline is not None:
        right, upright, direction = axes_of_view(view, piece.frame)
        fields.append(inside_outline(rounded_outline(outline, round_mm), right, upright))
        half = None if through else nearer_half(vertices, faces, right, upright, direction)
        along = None if through else direction
    line_figures: dict[str, Any] = {}
    line_findings: list[Finding] = []
    if points is not None:
        if mirror:
            points, inside, line_figures = _mirrored(scan, piece.frame, points, inside)
        line = trim_line(
            vertices, faces, points, inside=inside, round_mm=round_mm, margin_mm=margin_mm,
            mirrored=mirror,
        )  # fmt: skip
        fields.append(line)
        line_figures |= line.figures
        line_findings = _line_findings(line, points, round_mm)
    drawn = together(fields, round_mm)
    wanted = drawn if half is None else together([*fields, half], round_mm)
    vertices, faces = refined_for_cut(vertices, faces, wanted, LARGE_MM, HIDDEN_MM)
    vertices, faces = refined_at_bends(vertices, faces, drawn, BEND_MM, BEND_EDGE_MM)
    _refuse_far_cut(vertices, faces, wanted)
    vertices, faces, on_cut = clipping.clip(vertices, faces, wanted)
    if len(faces) == 0:
        raise BadParameter(
            "the crop leaves less than one triangle of the scan",
            "Move the cut so that more of the scan is inside",
        )
    vertices, faces, on_cut, dropped = _pieces(vertices, faces, on_cut, keep, along)
    vertices, faces, on_cut, filled = _without_pinholes(vertices, faces, on_cut)
    _refuse_uncut(vertices, faces)
    vertices = fair_borders(vertices, faces, min(round_mm, FAIR_MM))
    vertices, _ = topology.pulled_apart(vertices, faces, APART_MM)
    patch = trimesh.Trimesh(vertices, faces, process=False)
    figures, findings = _measured(vertices, faces, on_cut)
    figures |= {
        "triangles_before": len(scan.faces),
        "pieces_dropped": dropped,
        "pinholes_filled": filled,
        **line_figures,
    }
    return piece.with_bodies(scan=patch).note(figures, findings + line_findings)


def _check(planes: Any, box: Any, outline: Any, points: Any, keep: str, round_mm: float) -> None:
    nothing = outline is None and box is None and points is None
    if nothing and (planes is None or len(planes) == 0):
        raise BadParameter(
            "crop was given nothing to cut with", "Give planes, box, outline or points"
        )
    if keep not in ("largest", "all"):
        raise BadParameter(f"keep = {keep!r} is not known", "Give 'largest' or 'all'")
    if not 0 <= round_mm <= 100:
        raise BadParameter(f"round_mm = {round_mm!r} is out of range", "Give 0 to 100 mm")


def _check_line(points: Any, inside: Any, mirror: bool, margin_mm: float) -> None:
    if not -200 <= margin_mm <= 200:
        raise BadParameter(f"margin_mm = {margin_mm!r} is out of range", "Give -200 to 200 mm")
    if points is not None:
        return
    for name, given in (
        ("inside", inside is not None),
        ("mirror", mirror),
        ("margin_mm", margin_mm),
    ):
        if given:
            raise BadParameter(f"{name} is given without points", "Give points, or leave it out")


def _mirrored(
    scan: trimesh.Trimesh, frame: Frame, points: Any, inside: Any
) -> tuple[Any, Any, dict[str, Any]]:
    """Points and inside on the wearer's other side, and the plane between."""
    point, normal, residual = found_plane(scan, frame)
    if residual > symmetric_within(scan):
        raise BadParameter(
            "mirror = True: the scan is not symmetric left and right, so that the points have no "
            "other side on it",
            "Crop the side that the points are on, then use the stage mirror",
        )
    figures = {
        "plane_point_mm": np.round(point, 4).tolist(),
        "plane_normal": np.round(normal, 9).tolist(),
        "symmetry_residual_mm": round(residual, 4),
    }
    other = None if inside is None else mirrored(inside, point, normal)
    return mirrored(points, point, normal), other, figures


def _line_findings(line: TrimLine, points: Any, round_mm: float) -> list[Finding]:
    place, found = _place(np.asarray(points)), []
    if line.unsure:
        message = (
            "both sides of the trim line are about as large: the smaller was kept. Give a point "
            "`inside` to say which"
        )
        found.append(Finding("side-unsure", "warning", message, "scan", place))
    edge = line.figures["line_traced_on_mm"]
    if round_mm and edge > COARSE_SHARE * round_mm:
        message = (
            f"the trim line was traced in steps of {edge:.1f} mm, so that its corners follow "
            f"round_mm = {round_mm:g} only roughly: the line is long, or the triangles about it "
            "long and thin. Choose a larger round_mm, or heal with resurface = 'always'"
        )
        found.append(Finding("coarse-line", "warning", message, "scan", place))
    return found


def _refuse_far_cut(vertices: Floats, faces: Ints, wanted: Field) -> None:
    """`BadParameter` where nothing would be left, or a closed scan stays closed."""
    values = wanted(vertices[np.unique(faces)])
    low, high = (np.round(f(vertices, axis=0), 1).tolist() for f in (np.min, np.max))
    span = ", ".join(f"{a} {x:g} to {y:g}" for a, x, y in zip("xyz", low, high, strict=True))
    if not (values < 0).any():
        raise BadParameter(
            f"the crop removes everything: the scan spans {span} mm and lies outside, "
            f"at least {values.min():.1f} mm away",
            "Check the unit, the points, and that normals point to the side that is kept",
        )
    if not (values > 0).any() and len(topology.border_edges(faces)) == 0:
        raise BadParameter(
            f"the crop removes nothing of a closed scan: it spans {span} mm, all of it inside; "
            "a pad needs a trim line",
            "Move the cut so that it meets the scan",
        )


def _refuse_uncut(vertices: Floats, faces: Ints) -> None:
    """`BadParameter` where the piece that is kept closes round itself."""
    if len(topology.border_edges(faces)) == 0:
        x, y, z = _place(vertices)
        raise BadParameter(
            f"the piece that the crop leaves, about x {x:g}, y {y:g}, z {z:g}, is closed: no cut "
            "meets it, and a pad needs a trim line",
            "Move the cut so that it meets the piece, or drop loose pieces (heal, fragment_share)",
        )


def _pieces(
    vertices: Floats, faces: Ints, on_cut: Mask, keep: str, along: Floats | None
) -> tuple[Floats, Ints, Mask, int]:
    """The pieces kept, without pinched vertices, and how many were dropped."""
    faces, source = topology.split_corners(faces, topology.mated_edges(vertices, faces))
    vertices, on_cut = vertices[source], on_cut[source]
    vertices, faces, on_cut = clipping.without_needles(vertices, faces, on_cut)
    number, label = topology.components(faces)
    if along is None:
        corners = vertices[faces]
        cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        area = np.linalg.norm(cross, axis=1) / 2
    else:
        area = area_towards(vertices, faces, along)
    size = np.bincount(label, area, minlength=number)
    whole = size > CRUMB_SHARE * size.max()
    chosen = np.flatnonzero(whole) if keep == "all" and whole.any() else np.argmax(size)
    mask = np.isin(label, chosen)
    used = np.zeros(len(vertices), dtype=bool)
    used[faces[mask]] = True
    vertices, faces = topology.compact(vertices, faces[mask])
    return vertices, faces, on_cut[used], int(number - np.size(chosen))


def _without_pinholes(
    vertices: Floats, faces: Ints, on_cut: Mask
) -> tuple[Floats, Ints, Mask, int]:
    """The patch with the tiny holes closed that the cut made inside it, and their number."""
    loops = topology.border_loops(faces)
    tiny = [loop for loop in loops[1:] if on_cut[loop].all() and _is_pinhole(vertices[loop])]
    count = len(vertices)
    vertices, faces = holes.fill(vertices, faces, tiny)
    inner = np.zeros(len(vertices) - count, dtype=bool)
    return vertices, faces, np.concatenate([on_cut, inner]), len(tiny)


def _is_pinhole(points: Floats) -> bool:
    """Whether a loop (n, 3) is narrow: a small hole, or a slit of no more area."""
    area = np.linalg.norm(np.cross(points, np.roll(points, -1, axis=0)).sum(axis=0)) / 2
    return holes.opening(points) < PINHOLE_MM or float(area) < np.pi / 4 * PINHOLE_MM**2


def _measured(vertices: Floats, faces: Ints, on_cut: Mask) -> tuple[dict[str, Any], list[Finding]]:
    """Figures of the patch and its borders, and a finding for each border that no cut made."""
    loops = topology.border_loops(faces)
    lengths, findings = [], []
    for loop in loops:
        points = vertices[loop]
        length = float(np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1).sum())
        made = float(on_cut[loop].mean())
        lengths.append({"length_mm": round(length, 3), "cut_share": round(made, 3)})
        if made < 0.5:
            message = (
                f"the patch has an opening of {length:.0f} mm round that no cut made. "
                "Heal with a larger max_hole_mm, or crop so that it stays outside"
            )
            findings.append(Finding("opening-in-piece", "warning", message, "scan", _place(points)))
    border = topology.border_edges(faces)
    border = border[on_cut[border].all(axis=1)]
    sides = np.linalg.norm(vertices[border[:, 1]] - vertices[border[:, 0]], axis=1)
    rim = np.isin(faces, border).any(axis=1)
    area = trimesh.Trimesh(vertices, faces, process=False).area
    figures = {
        "area_mm2": round(float(area), 3),
        "borders": lengths,
        "shortest_trim_edge_mm": round(float(sides.min()), 4) if len(sides) else None,
        "smallest_trim_angle_deg": _smallest_angle(vertices, faces[rim]),
    }
    if not on_cut.any():
        message = "the crop met nothing of the scan: the patch is all of it. Move the cut inwards"
        findings.append(Finding("nothing-cut", "warning", message, "scan", _place(vertices)))
    return figures, findings


def _smallest_angle(vertices: Floats, faces: Ints) -> float | None:
    if len(faces) == 0:
        return None
    return round(float(clipping.corner_angles(vertices, faces).min()), 3)


def _place(points: Floats) -> Vector:
    x, y, z = np.round(points.mean(axis=0), 2).tolist()
    return (x, y, z)
