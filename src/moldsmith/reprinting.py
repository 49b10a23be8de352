"""A print that stopped: what is left of it as a part of its own, and pauses planned ahead."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import trimesh
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from .errors import BadParameter, BadScan
from .geometry import solid, stl
from .mold.hardware import dowel
from .printing.estimating import PrintEstimate, sliced_estimate
from .printing.pose import fits_flat
from .printing.remainder import (
    Cut,
    LayerGrid,
    cut_part,
    dowel_places,
    drill_template,
    with_bores,
)
from .printing.spools import height_left_mm
from .printing.standing import is_firm
from .ranges import check_range, check_whole
from .supplies.filament import Filament
from .supplies.printer import Printer
from .workpiece import Finding
from .writing import write_bytes, write_text

__all__ = ["Pause", "Reprint", "pause_height", "reprint"]

Floats = NDArray[np.float64]
_ON_BED_MM = 0.05
_DEPTH = 2.0  # diameters that a dowel goes into either side
_OFF_GRID = 0.25  # of a layer


@dataclass(frozen=True)
class Reprint:
    """The rest of a part whose print stopped.

    layers : printed and kept; cut_mm : their height, on the grid of layers of `layer_mm`
    remainder : to print, on z = 0, turned no way; bored if dowels were asked for
    template : to print, to drill the stump through; None without dowels
    holes_mm : (k, 2) centres, from the low x and low y edge of the stump's top
    drill_mm, depth_mm : to drill into the stump
    printed_cm3, remainder_cm3 : of the part, before any bore
    islands : separate regions of the cut; pieces : separate bodies to print
    estimate : of the remainder alone
    """

    layers: int
    layer_mm: float
    cut_mm: float
    remainder: trimesh.Trimesh
    template: trimesh.Trimesh | None
    holes_mm: Floats
    drill_mm: float
    depth_mm: float
    printed_cm3: float
    remainder_cm3: float
    islands: int
    pieces: int
    estimate: PrintEstimate
    findings: tuple[Finding, ...]

    def figures(self) -> dict[str, Any]:
        """The plan in plain numbers."""
        return {
            "layers": self.layers,
            "layer_mm": self.layer_mm,
            "cut_mm": round(self.cut_mm, 4),
            "printed_cm3": round(self.printed_cm3, 4),
            "remainder_cm3": round(self.remainder_cm3, 4),
            "size_mm": np.round(self.remainder.extents, 3).tolist(),
            "islands": self.islands,
            "pieces": self.pieces,
            "grams": round(self.estimate.grams, 2),
            "metres": round(self.estimate.metres, 3),
            "seconds": round(self.estimate.seconds),
            "drill_mm": self.drill_mm,
            "depth_mm": self.depth_mm,
            "holes_mm": np.round(self.holes_mm, 2).tolist(),
            "findings": [
                {"code": item.code, "severity": item.severity, "message": item.message}
                for item in self.findings
            ],
        }


@dataclass(frozen=True, slots=True)
class Pause:
    """Where a print needs another spool.

    layers, height_mm : after which to pause; both None if the spool suffices
    needed_g : for the whole part; rest_g : from the pause on
    """

    layers: int | None
    height_mm: float | None
    needed_g: float
    rest_g: float


def reprint(
    part: trimesh.Trimesh | str | Path,
    *,
    height_mm: float | None = None,
    layer: int | None = None,
    printer: Printer = Printer(),  # noqa: B008 - a frozen value
    filament: Filament = Filament(),  # noqa: B008 - a frozen value
    first_layer_mm: float | None = None,
    dowel_mm: float | None = None,
    dowels: int = 2,
    clearance_mm: float = 0.1,
    out: str | Path | None = None,
) -> Reprint:
    """Cut off what a stopped print has, and plan printing the rest.

    The cut is level, in the part's print pose, where the last whole layer ends
    by the height measured on the stump. The remainder is exactly what lies above,
    so that its layers are those of the part, and its underside meets the stump.

    Parameters
    ----------
    part : closed, in its print pose on z = 0, or its STL file (from `parts/`), mm
    height_mm : measured on the stump; or
    layer : number of whole layers printed
    printer, filament : layer height, bed and settings, those it was printed with; the layer
        height sets where the cut is, the rest the estimate
    first_layer_mm : height of the part's first layer, 0.05 to 1; else as the others
    dowel_mm : diameter of parallel pins (ISO 2338) to line both up by; blind
        bores in the remainder, a drill template and coordinates for the stump
    dowels : for each piece of the remainder, 1 to 6
    clearance_mm : of the remainder's bores round a pin, on every side, 0 to 0.5
    out : folder for `<part>-remainder.stl`, `<part>-drill-template.stl` and
        `<part>-reprint.json`

    Findings: 'between-layers', 'islands', 'many-pieces' (notes); 'few-dowels',
    'unsteady', 'does-not-fit' (warnings).

    Raises
    ------
    BadParameter : a value out of its range, no or both of height and layer, a
        cut outside the part, or a part that is not closed or not on z = 0
    BadScan : the file is no binary STL
    CannotWrite : the folder cannot be written to
    """
    _check(height_mm, layer, first_layer_mm, dowel_mm, dowels, clearance_mm)
    mesh = _part(part)
    grid = LayerGrid(printer.layer_mm, first_layer_mm or printer.layer_mm)
    layers = grid.layers_at(height_mm) if height_mm is not None else int(layer or 0)
    _refuse_ends(mesh, grid, layers, "layer" if height_mm is None else "height_mm", height_mm)
    cut = cut_part(mesh, grid.top_mm(layers))
    left, centres, per_piece = cut.above, np.empty((0, 2)), [0] * len(cut.pieces)
    depth = drill = 0.0
    if dowel_mm is not None:
        pin = dowel(float(dowel_mm))
        depth, drill = _DEPTH * pin.diameter_mm, pin.diameter_mm
        radius = pin.greatest_mm / 2 + clearance_mm
        groups = dowel_places(cut, radius, depth, dowels)
        centres, per_piece = np.concatenate(groups), [len(group) for group in groups]
        if len(centres):
            left = with_bores(cut.above, centres, cut.height_mm, radius, depth)
    remainder = _set_down(left, cut.height_mm)
    template = solid.printable(drill_template(cut, centres, drill)) if len(centres) else None
    corner = np.array(cut.section.bounds[:2])
    made = Reprint(
        layers,
        printer.layer_mm,
        cut.height_mm,
        remainder,
        template,
        centres - corner,
        drill,
        depth,
        solid.volume_mm3(cut.below) / 1000,
        solid.volume_mm3(cut.above) / 1000,
        len(cut.section.geoms),
        len(per_piece),
        sliced_estimate(remainder, printer, filament),
        (
            *_grid_findings(height_mm, cut, printer),
            *_piece_findings(cut, per_piece, dowels if dowel_mm is not None else 0),
            *_bed_findings(remainder, template, printer),
        ),
    )
    if out is not None:
        _write(made, Path(out), Path(part).stem if isinstance(part, str | Path) else "part")
    return made


def pause_height(
    part: trimesh.Trimesh | str | Path,
    *,
    left_g: float,
    printer: Printer = Printer(),  # noqa: B008 - a frozen value
    filament: Filament = Filament(),  # noqa: B008 - a frozen value
) -> Pause:
    """Where to plan a pause because a spool will not last: after the last layer it is enough for.

    Parameters
    ----------
    part : as for `reprint`
    left_g : filament left on the spool, without the spool's own weight

    The figures are those of `estimate`: keep a few grams in hand.

    Raises
    ------
    BadParameter : the spool is not enough for the first layer, or as for `reprint`
    """
    check_range("left_g", left_g, 0, 20_000, " g")
    plan = sliced_estimate(_part(part), printer, filament)
    height = height_left_mm(plan.layer_g, left_g, printer.layer_mm)
    if height is None:
        return Pause(None, None, plan.grams, 0.0)
    layers = round(height / printer.layer_mm)
    if layers == 0:
        raise BadParameter(
            f"left_g = {left_g:g} is not enough for the first layer ({plan.layer_g[0]:.1f} g)",
            "Begin on another spool",
        )
    return Pause(layers, height, plan.grams, float(plan.layer_g[layers:].sum()))


def _check(
    height: float | None,
    layer: int | None,
    first: float | None,
    dowel_mm: float | None,
    dowels: int,
    clearance: float,
) -> None:
    if (height is None) == (layer is None):
        raise BadParameter("height_mm and layer: give one of them", "Measure the stump, or count")
    check_range("height_mm", height, 0.01, 10_000, " mm, the stump's height")
    check_whole("layer", layer, 1, 1_000_000, ", the whole layers printed")
    check_range("first_layer_mm", first, 0.05, 1, " mm")
    check_whole("dowels", dowels, 1, 6)
    check_range("clearance_mm", clearance, 0, 0.5, " mm")
    check_range("dowel_mm", dowel_mm, 0.5, 50, " mm")


def _refuse_ends(
    mesh: trimesh.Trimesh, grid: LayerGrid, layers: int, key: str, height_mm: float | None
) -> None:
    """`BadParameter` where no layer is printed, or none is left."""
    top = float(mesh.vertices[:, 2].max())
    given = f"{key} = {layers if height_mm is None else height_mm:g}"
    if layers == 0:
        raise BadParameter(
            f"{given} is less than the first layer of {grid.first_mm:g} mm",
            "Print the whole part anew",
        )
    if grid.top_mm(layers) > top - grid.layer_mm / 2:
        raise BadParameter(
            f"{given} leaves nothing to print: the part is {top:.2f} mm high, and layers of "
            f"{grid.layer_mm:g} mm end at {grid.top_mm(layers):.2f} mm",
            f"Give less than {top - grid.layer_mm / 2:.2f} mm, or use the part as it is",
        )


def _part(part: trimesh.Trimesh | str | Path) -> trimesh.Trimesh:
    """The part, standing on z = 0."""
    if isinstance(part, str | Path):
        try:
            vertices, faces = stl.decode(Path(part).read_bytes())
        except OSError as error:
            raise BadScan(f"{part}: cannot be read ({error.strerror})", "Check the path") from error
        except ValueError as error:
            raise BadScan(f"{part}: is no binary STL ({error})", "Give a file of parts/") from error
        part = trimesh.Trimesh(vertices, faces, process=False)
    if not isinstance(part, trimesh.Trimesh):
        raise BadParameter(f"part = {part!r} is no part", "Give its mesh, or the path of its STL")
    if len(part.faces) == 0:
        raise BadParameter("the part has no triangles", "Give the part as moldsmith wrote it")
    low = float(part.vertices[:, 2].min())
    if abs(low) > _ON_BED_MM:
        raise BadParameter(
            f"the part begins at z = {low:.2f} mm, not on the bed", "Give it in its print pose"
        )
    return part


def _set_down(body: solid.Solid, height_mm: float) -> trimesh.Trimesh:
    """The body's mesh, moved down from the cut, its underside exactly on z = 0."""
    down = np.eye(4)
    down[2, 3] = -height_mm
    mesh = solid.printable(solid.moved(body, down))
    vertices = np.array(mesh.vertices)
    vertices[np.abs(vertices[:, 2]) < 1e-6, 2] = 0.0
    return trimesh.Trimesh(vertices, mesh.faces, process=False)


def _grid_findings(height: float | None, cut: Cut, printer: Printer) -> list[Finding]:
    if height is None or abs(height - cut.height_mm) <= _OFF_GRID * printer.layer_mm:
        return []
    message = (
        f"{height:g} mm is between layers: the cut is at {cut.height_mm:.2f} mm, where the last "
        "whole one ends. Sand the stump down to it, or measure again"
    )
    return [Finding("between-layers", "note", message)]


def _piece_findings(cut: Cut, per_piece: Sequence[int], asked: int) -> list[Finding]:
    findings = []
    islands = len(cut.section.geoms)
    if islands > 1:
        message = (
            f"the cut at {cut.height_mm:.2f} mm has {islands} islands: the stump ends in as many "
            "places, which must all be flat and clean to meet"
        )
        findings.append(Finding("islands", "note", message))
    if len(per_piece) > 1:
        message = f"what is left falls into {len(per_piece)} pieces; glue each on by itself"
        findings.append(Finding("many-pieces", "note", message))
    for number, count in enumerate(per_piece, start=1):
        if count < min(asked, 2):
            of = f"piece {number}" if len(per_piece) > 1 else "the remainder"
            message = (
                f"{of} has room for {count} of {asked} dowels: choose a thinner pin, or line it "
                "up by its outline"
            )
            findings.append(Finding("few-dowels", "warning", message))
    return findings


def _bed_findings(
    remainder: trimesh.Trimesh, template: trimesh.Trimesh | None, printer: Printer
) -> list[Finding]:
    findings = []
    for what, mesh in (("the remainder", remainder), ("the drill template", template)):
        if mesh is None:
            continue
        x, y, z = mesh.extents.tolist()
        if not fits_flat(x, y, printer) or z > printer.volume_mm[2] + 0.01:
            message = (
                f"{what} of {x:.0f} x {y:.0f} x {z:.0f} mm does not fit the printer: "
                "use the coordinates of the holes, or a larger printer"
            )
            findings.append(Finding("does-not-fit", "warning", message))
    for piece in solid.components(solid.from_mesh(remainder)):
        mesh = solid.to_mesh(piece)
        hull = ConvexHull(mesh.vertices)
        if not is_firm(hull, np.asarray(mesh.center_mass), np.array([0, 0, 1.0]), 0.05):
            message = (
                "what is left does not stand on the cut by itself: print it with a brim and "
                "support, or turn it over if its top is flat"
            )
            findings.append(Finding("unsteady", "warning", message))
            break
    return findings


def _write(made: Reprint, folder: Path, name: str) -> None:
    bodies = {"remainder": made.remainder, "drill-template": made.template}
    for what, mesh in bodies.items():
        if mesh is not None:
            data = stl.encode(mesh.vertices, mesh.faces)
            write_bytes(folder / f"{name}-{what}.stl", data)
    text = json.dumps(made.figures(), indent=2, ensure_ascii=False)
    write_text(folder / f"{name}-reprint.json", text + "\n")
