"""From the cropped scan to the pad: thickness, feathered edge, closed body."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import trimesh
from numpy.typing import NDArray

from ..errors import BadParameter, MoldsmithError
from ..geometry import colours, ply
from ..geometry.distance import SurfaceIndex
from ..geometry.inscribed import inner_radius
from ..geometry.offset import Sheet, offset_sheet
from ..geometry.refining import refined
from ..geometry.topology import border_loops
from ..stage import stage
from ..workpiece import Finding, Workpiece
from .building import Side, closed_pad, coated_void
from .fields import (
    Bump,
    Limit,
    ThicknessPoint,
    bumps_height,
    limited,
    thickness_at_points,
    widened,
)
from .forms import form_body, form_finding, thickness_to_form
from .thickness import (
    THICKEST_MM,
    Floats,
    Profile,
    check_thickness,
    mold_scale,
    rim_distance,
    tapered_thickness,
)

__all__ = ["Profile", "Side", "shell"]

# Of a taper of 10 mm over 25 mm, edges of 1.5 mm miss 0.03 mm.
_FINE_CELLS = 1.5
_RIM_MM = 3.0  # triangles on which the distance from the trim line is measured


def shell(
    piece: Workpiece,
    *,
    thickness_mm: float | None = None,
    side: Side = "inward",
    taper_mm: float = 25.0,
    edge_mm: float = 1.0,
    profile: Profile = "eased",
    points: Sequence[ThicknessPoint] = (),
    form: Path | str | trimesh.Trimesh | None = None,
    bumps: Sequence[Bump] = (),
    limits: Sequence[Limit] = (),
    min_mm: float = 0.0,
    coat_mm: float = 0.0,
    cell_mm: float = 2.0,
) -> Workpiece:
    """Give the cropped scan its thickness: the pad that will be cast.

    Parameters
    ----------
    thickness_mm : 0.5 to 200, away from the rim; with `points`, of pieces of the scan
        that have none. May be left out with `points` or `form`
    side : 'inward', the scan is the outer skin of the finished piece; 'outward',
        the scan is the wearer's body and the pad is built on it
    taper_mm : width, along the surface, over which the pad thins toward the trim
        line; 0 for none
    edge_mm : what is left at the rim, 0.2 to the thickness
    profile : of the taper: 'straight', 'eased' (flat at both ends) or 'feather'
        (thin over its outer third)
    points : {at, thickness_mm, name} each: thickness at points of the scan (mm),
        smooth in between and nowhere beyond the points' own range
    form : a second scan whose surface the pad is built up to, outward: a file, a mesh
        in mm, or the name of a body of the piece
    bumps : {at, radius_mm, height_mm, name} each: rises built on the thickness, outward
    limits : {at, radius_mm, min_mm, max_mm, name} each, or `plane` (point, normal)
        in place of ball: least and greatest thickness of a region
    min_mm : least thickness away from the rim; 0 for none
    coat_mm : of the seal coat on the printed faces over the pad; the land stays bare
    cell_mm : resolution of the offset face, 0.3 to 10

    All are sizes of the casting: where `fit` made the scan larger for the casting's
    shrink, the pad is made thicker, its taper wider, by the same scale, once. Thicknesses
    among the log's figures are the mold's; its `casting_to_mold` tells the scale.

    Makes body 'pad', closed; the scanned face keeps its own triangles. With
    `coat_mm` also 'void', the pad grown by the coat, which `block` encloses in its place.
    Attaches ``thickness.ply``, the scanned face coloured by thickness.

    Findings: 'filled-solid' where the body is less deep than the thickness,
    'form-missing' where there is no form over the scan, 'coat-set-back'.

    Raises
    ------
    BadParameter : a size out of range, no trim line, a point off the scan, limits that
        contradict each other. A body less deep than the pad is filled, and told as above
    BadScan : the form's file cannot be used
    """
    try:
        body = form_body(piece, form)
    except MoldsmithError as error:
        raise error.located(piece.name, "shell") from error
    return _shell(
        piece,
        thickness_mm=thickness_mm,
        side=side,
        taper_mm=taper_mm,
        edge_mm=edge_mm,
        profile=profile,
        points=list(points),
        form=body,
        bumps=list(bumps),
        limits=list(limits),
        min_mm=min_mm,
        coat_mm=coat_mm,
        cell_mm=cell_mm,
    )


# The stage proper: it knows a second scan by its content, not by its file's name.
@stage
def _shell(
    piece: Workpiece,
    *,
    thickness_mm: float | None,
    side: Side,
    taper_mm: float,
    edge_mm: float,
    profile: Profile,
    points: Sequence[ThicknessPoint],
    form: trimesh.Trimesh | None,
    bumps: Sequence[Bump],
    limits: Sequence[Limit],
    min_mm: float,
    coat_mm: float,
    cell_mm: float,
) -> Workpiece:
    if side not in ("inward", "outward"):
        raise BadParameter(f"side = {side!r}", "Choose 'inward' or 'outward'")
    check_thickness(thickness_mm, taper_mm, edge_mm, cell_mm, min_mm, coat_mm, profile)
    _check_sources(thickness_mm, side, points, form, bumps)
    patch = piece.body("scan")
    if not border_loops(patch.faces):
        raise BadParameter("the scan is closed: the pad has no trim line", "Run crop first")
    # Thickness is linear over triangles: a scan's own are too large to follow the taper.
    # A coat is thinner than what the taper may miss: it wants them smaller yet.
    longest_mm = cell_mm if coat_mm > 0 else _FINE_CELLS * cell_mm
    # Asked are the casting's sizes: where fit made the scan larger for shrink, so is the pad.
    grown = mold_scale(piece)
    fine, rim_mm = _refined(patch, longest_mm, max(grown * taper_mm, 4 * cell_mm))
    index = SurfaceIndex(fine.vertices, fine.faces, cell_mm)
    sign = 1.0 if side == "outward" else -1.0
    full, missing = _base(fine, index, thickness_mm, points, form, sign, cell_mm)
    full = full / (grown if form is not None else 1.0)  # a form has the mold's size already
    if bumps:
        full = full + bumps_height(index, widened(bumps, grown))
    full = np.maximum(limited(index.vertices, full, widened(limits, grown)), min_mm)
    _refuse_extremes(fine, full, edge_mm)
    taper_mm, edge_mm, min_mm = grown * taper_mm, grown * edge_mm, grown * min_mm
    wanted = tapered_thickness(rim_mm, grown * full, taper_mm, edge_mm, profile)
    sheet = offset_sheet(index, wanted, side=sign, cell_mm=cell_mm)
    depth = inner_radius(index, sign, float(wanted.max()))
    # Pad and void must have the same scanned triangles: a coat is set off from the small ones.
    face = fine if coat_mm > 0 else patch
    own = len(face.vertices)
    bodies = {"pad": closed_pad(face, sheet, side, wanted[:own], depth[:own])}
    if coat_mm > 0:
        bodies["void"] = coated_void(face, side, wanted, depth, cell_mm, coat_mm)
    field = _Field(fine, wanted, min_mm, rim_mm >= taper_mm)
    figures = {
        **_body_figures(face, bodies["pad"], sheet),
        **field.figures(),
        "casting_to_mold": round(grown, 9),
        **_coat_figures(bodies, coat_mm),
    }
    findings = [
        *_findings(fine, wanted, depth, side),
        *form_finding(fine, missing),
        *_coat_findings(coat_mm),
    ]
    return piece.with_named(bodies).note(figures, findings, {"thickness.ply": field.picture()})


def _refined(
    patch: trimesh.Trimesh, longest_mm: float, limit_mm: float
) -> tuple[trimesh.Trimesh, Floats]:
    """The patch in triangles that small, and the distance (n,) of its vertices from the trim line.

    That is measured on triangles of up to some millimetres, over which it is all but linear.
    """
    vertices, faces = np.asarray(patch.vertices), np.asarray(patch.faces, dtype=np.int64)
    vertices, faces = refined(vertices, faces, max(longest_mm, _RIM_MM))
    rim_mm = rim_distance(trimesh.Trimesh(vertices, faces, process=False), limit_mm)
    both, faces = refined(np.column_stack([vertices, rim_mm]), faces, longest_mm)
    return trimesh.Trimesh(both[:, :3], faces, process=False), np.array(both[:, 3])


def _check_sources(
    thickness_mm: float | None,
    side: Side,
    points: Sequence[ThicknessPoint],
    form: trimesh.Trimesh | None,
    bumps: Sequence[Bump],
) -> None:
    """`BadParameter` where nothing, or more than one thing, says how thick the pad is."""
    if thickness_mm is None and not points and form is None:
        raise BadParameter(
            "thickness_mm is missing", "Choose 0.5 to 200 mm, or give points or a form"
        )
    if form is not None and points:
        raise BadParameter(
            "both form and points say how thick the pad is", "Give one; limits can bound the form"
        )
    if side == "inward" and (form is not None or bumps):
        raise BadParameter(
            f"{'form' if form is not None else 'bumps'} with side = 'inward': they are built on "
            "the scan, not under it",
            "Choose side 'outward'",
        )


def _base(
    patch: trimesh.Trimesh,
    index: SurfaceIndex,
    thickness_mm: float | None,
    points: Sequence[ThicknessPoint],
    form: trimesh.Trimesh | None,
    sign: float,
    cell_mm: float,
) -> tuple[Floats, NDArray[np.bool_]]:
    """Thickness (n,) before bumps, limits and taper, and where a form was missing."""
    whole = np.zeros(len(index.vertices), dtype=bool)
    if form is not None:
        return thickness_to_form(index, form, sign, 2 * cell_mm)
    if points:
        return thickness_at_points(patch, index, points, thickness_mm), whole
    return np.full(len(index.vertices), thickness_mm, dtype=float), whole


def _refuse_extremes(patch: trimesh.Trimesh, full: Floats, edge_mm: float) -> None:
    """A field may come out too thick for a pad, or thinner than it can be printed round."""
    worst = int(np.argmax(full))
    if full[worst] > THICKEST_MM:
        x, y, z = patch.vertices[worst]
        raise BadParameter(
            f"the thickness comes to {full[worst]:.0f} mm at x {x:.0f}, y {y:.0f}, z {z:.0f}",
            f"Stay within {THICKEST_MM:g} mm: lower the bumps there, or limit it (limits)",
        )
    worst = int(np.argmin(full))
    if full[worst] < min(0.2, edge_mm):
        x, y, z = patch.vertices[worst]
        raise BadParameter(
            f"the thickness comes down to {full[worst]:.2f} mm at x {x:.0f}, y {y:.0f}, z {z:.0f}",
            "Give min_mm of 0.2 or more, or crop the pad to where it is to have a thickness",
        )


@dataclass(frozen=True, slots=True)
class _Field:
    """The thickness wanted at each vertex of the patch; `within` says which lie past the taper."""

    patch: trimesh.Trimesh
    wanted: Floats
    min_mm: float
    within: NDArray[np.bool_]

    def figures(self) -> dict[str, object]:
        faces, area = self.patch.faces, self.patch.area_faces
        mean = self.wanted[faces].mean(axis=1)
        thin = mean < self.min_mm - 1e-6
        past_taper = self.within[faces].all(axis=1)
        low, high = self._range()
        return {
            "thickness_min_mm": round(float(self.wanted.min()), 3),
            "thickness_mean_mm": round(float(mean @ area / area.sum()), 3),
            "thickness_max_mm": round(float(self.wanted.max()), 3),
            "below_min_mm2": round(float(area[thin].sum()), 1),
            "below_min_past_taper_mm2": round(float(area[thin & past_taper].sum()), 1),
            "thickness_scale_mm": [low, high],
        }

    def picture(self) -> bytes:
        shades = colours.scale(self.wanted, *self._range())
        return ply.encode(self.patch.vertices, self.patch.faces, vertex_colours=shades)

    def _range(self) -> tuple[float, float]:
        low, high = float(np.floor(self.wanted.min())), float(np.ceil(self.wanted.max()))
        return low, max(high, low + 1)


def _body_figures(patch: trimesh.Trimesh, pad: trimesh.Trimesh, sheet: Sheet) -> dict[str, object]:
    error = np.abs(sheet.error_mm)
    return {
        "pad_volume_cm3": round(float(pad.volume) / 1000, 3),
        # The scanned face is the first so many triangles of the pad.
        "scanned_face_triangles": len(patch.faces),
        "scanned_face_mm2": round(float(patch.area), 1),
        "offset_face_triangles": len(sheet.faces),
        "offset_error_p99_mm": round(float(np.quantile(error, 0.99)), 4),
        "offset_error_max_mm": round(float(error.max()), 4),
        "field_values": sheet.cells,
    }


def _coat_figures(bodies: dict[str, trimesh.Trimesh], coat_mm: float) -> dict[str, object]:
    """Which faces of the mold are set back, and by how much."""
    if coat_mm == 0:
        return {}
    return {
        "coat_set_back_mm": coat_mm,
        "coat_set_back_faces": ["scanned face", "offset face", "rim"],
        "void_volume_cm3": round(float(bodies["void"].volume) / 1000, 3),
    }


def _coat_findings(coat_mm: float) -> list[Finding]:
    if coat_mm == 0:
        return []
    return [
        Finding(
            "coat-set-back",
            "note",
            f"the mold's faces over the pad are set back by {coat_mm:g} mm, once, for the seal "
            "coat. Coat them that thick, and keep the land and the keys bare: a coat there would "
            "hold the mold open",
            "void",
        )
    ]


def _findings(patch: trimesh.Trimesh, wanted: Floats, depth: Floats, side: Side) -> list[Finding]:
    """Where the body is less deep than the pad is to be thick."""
    thin = depth < wanted - 1e-6
    area = patch.area_faces[thin[patch.faces].all(axis=1)].sum()
    if area < 0.02 * patch.area:
        return []
    worst = int(np.argmax(np.where(thin, wanted - depth, 0)))
    x, y, z = (float(value) for value in patch.vertices[worst])
    where = "the body is less deep" if side == "inward" else "the hollow is less wide"
    return [
        Finding(
            "filled-solid",
            "warning",
            f"over {area / 100:.0f} cm² {where} than the pad is thick (least "
            f"{depth[worst]:.0f} mm): the pad is solid there. Choose a smaller thickness_mm "
            "if that is not meant",
            "pad",
            (x, y, z),
        )
    ]
