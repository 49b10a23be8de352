"""A lid to cut from sheet: drawn as DXF and SVG for machines, and as a PDF at 1:1 to drill by."""

from __future__ import annotations

import io
from html import escape
from pathlib import Path

import numpy as np
import shapely

from ..mold.sheet_lids import Hole, LidPlan, lid_plan
from ..workpiece import Workpiece
from ..writing import write_bytes
from .blocks import Column, Section, Sheet, Table, Text
from .drawing import TONES, Circle, Drawing, Label, Shape, line
from .one_to_one import Template
from .pdf_setting import pdf

__all__ = ["LAYERS", "lid_dxf", "lid_pdf", "lid_svg", "sheet_lid"]

# Layer -> its colour number in a DXF, and how it is drawn here.
LAYERS = {"cut": 7, "drill": 1, "engrave": 5}
_MARGIN_MM = 10.0
_CROSS_MM = 3.0
_ROUND_MM = 0.02  # by which the outline may be made simpler
_ENGRAVE_MM = 0.1


def sheet_lid(piece: Workpiece, folder: Path) -> tuple[Path, ...]:
    """Write the lid of a lidded mold as <piece>-lid.dxf, .svg and .pdf into a folder.

    All are in mm at 1:1, seen from outside: the outline to cut, holes to drill (sprues, vents,
    bolts, keys), the casting's edge and the marks to engrave. The PDF is tiled over A4 pages
    that print on Letter too, each with a ruler of 100 mm to check the print's scale by.

    Raises
    ------
    BadParameter : the mold has no flat lid that is cut from sheet
    CannotWrite : the folder cannot be written to
    """
    plan = lid_plan(piece)
    made = {"dxf": lid_dxf(plan), "svg": lid_svg(plan), "pdf": lid_pdf(plan)}
    paths = []
    for kind, data in made.items():
        paths.append(folder / f"{piece.name}-lid.{kind}")
        write_bytes(paths[-1], data)
    return tuple(paths)


def lid_dxf(plan: LidPlan) -> bytes:
    """The plan as DXF of the year 2010, units mm, on the layers cut, drill and engrave."""
    # Here, not above: few jobs cut a lid, and all would wait a quarter of a second for it.
    import ezdxf
    import ezdxf.units

    before = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True  # no dates: equal plans, equal bytes
    try:
        document = ezdxf.new("R2010", units=ezdxf.units.MM)
        for name, colour in LAYERS.items():
            document.layers.add(name, color=colour)
        space = document.modelspace()
        space.add_lwpolyline(_ring(plan.outline, _ROUND_MM), close=True, dxfattribs=_on("cut"))
        for hole in plan.holes:
            middle = (hole.x, hole.y)
            space.add_circle(middle, hole.diameter_mm / 2, dxfattribs=_on("drill"))
            space.add_point(middle, dxfattribs=_on("drill"))
            text = space.add_text(hole.what, height=3.0, dxfattribs=_on("engrave"))
            text.set_placement((hole.x + hole.diameter_mm / 2 + 2, hole.y - 1.5))
        space.add_lwpolyline(
            _ring(plan.casting, _ENGRAVE_MM), close=True, dxfattribs=_on("engrave")
        )
        target = io.StringIO()
        document.write(target)
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before
    return target.getvalue().encode(document.encoding)


def lid_svg(plan: LidPlan) -> bytes:
    """The plan as SVG whose units are mm, a group for each layer."""
    low, width, height = _paper(plan)
    high = low[1] + height

    def path(points: np.ndarray) -> str:
        places = (f"{x - low[0]:.3f} {high - y:.3f}" for x, y in points.tolist())
        return f'<path d="M{" L".join(places)} Z"/>'

    circles = "".join(
        f'<circle cx="{hole.x - low[0]:.3f}" cy="{high - hole.y:.3f}" '
        f'r="{hole.diameter_mm / 2:.3f}"><title>{escape(hole.what)}</title></circle>'
        for hole in plan.holes
    )
    groups = {
        "cut": path(_ring(plan.outline, _ROUND_MM)),
        "drill": circles,
        "engrave": path(_ring(plan.casting, _ENGRAVE_MM)),
    }
    tones = {"cut": "ink", "drill": "accent", "engrave": "soft"}
    drawn = "\n".join(
        f'<g id="{name}" fill="none" stroke="{TONES[tones[name]]}" '  # type: ignore[index]
        f'stroke-width="0.2">{shapes}</g>'
        for name, shapes in groups.items()
    )
    text = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.3f}mm" height="{height:.3f}mm" '
        f'viewBox="0 0 {width:.3f} {height:.3f}">\n<title>{escape(plan.name)}: lid</title>\n'
        f"{drawn}\n</svg>\n"
    )
    return text.encode("utf-8")


def lid_pdf(plan: LidPlan) -> bytes:
    """The plan at 1:1 over as many pages as it takes, after a list of its holes."""
    low, width, height = _paper(plan)
    shapes: list[Shape] = [
        line(_ring(plan.casting, _ENGRAVE_MM) - low, "accent", 0.3, closed=True),
        line(_ring(plan.outline, _ROUND_MM) - low, "ink", 0.5, closed=True),
    ]
    for hole in plan.holes:
        shapes += _drilled(hole, low, width)
    template = Template(
        "Lid", Drawing(width, height, tuple(shapes)), "Cut the outer line, drill at the crosses."
    )
    size = np.reshape(plan.outline.bounds, (2, 2))
    wide, tall = (size[1] - size[0]).tolist()
    lead = f"{plan.thickness_mm:g} mm sheet, {wide:.1f} x {tall:.1f} mm, seen from outside."
    sheet = Sheet(plan.name, "Lid from sheet", lead, (_holes(plan),))
    return pdf(sheet, [template])


def _holes(plan: LidPlan) -> Section:
    low_x, low_y, _, _ = plan.outline.bounds
    columns = (
        Column("Hole", 2),
        Column("Drill, mm", 1, True),
        Column("x, mm", 1, True),
        Column("y, mm", 1, True),
    )
    rows = tuple(
        (
            hole.what,
            f"{hole.diameter_mm:.1f}",
            f"{hole.x - low_x:.1f}",
            f"{hole.y - low_y:.1f}",
        )
        for hole in plan.holes
    )
    said = (
        "Sheet cracks when it is drilled in haste: a board under it, a blunted or step drill, slow "
        "and with little pressure. Eye protection; swarf and dust are not to be breathed."
    )
    if not rows:
        return Section("holes", "Holes", (Text("None yet: run channels and fasten."), Text(said)))
    measured = Text("x to the right and y up from the lower left corner.", small=True)
    return Section("holes", "Holes", (Table(columns, rows, tick=True), measured, Text(said)))


def _drilled(hole: Hole, low: np.ndarray, width: float) -> list[Shape]:
    x, y = hole.x - float(low[0]), hole.y - float(low[1])
    radius = hole.diameter_mm / 2
    reach = radius + _CROSS_MM
    text = f"{hole.what}, {hole.diameter_mm:g} mm"
    # Toward the middle, where no outline runs through the words.
    if x > width / 2:
        label = Label(x - reach - 1, y + 2.4, text, 3.0, "end")
    else:
        label = Label(x + reach + 1, y + 2.4, text, 3.0)
    return [
        Circle(x, y, radius, "ink", 0.3),
        line([(x - reach, y), (x + reach, y)], "ink", 0.2),
        line([(x, y - reach), (x, y + reach)], "ink", 0.2),
        label,
    ]


def _paper(plan: LidPlan) -> tuple[np.ndarray, float, float]:
    """Lower left corner in the mold's plan, width and height of the drawing with its margin."""
    low_x, low_y, high_x, high_y = plan.outline.bounds
    low = np.array([low_x, low_y]) - _MARGIN_MM
    return low, high_x - low_x + 2 * _MARGIN_MM, high_y - low_y + 2 * _MARGIN_MM


def _ring(polygon: shapely.Polygon, tolerance_mm: float) -> np.ndarray:
    return np.asarray(polygon.exterior.simplify(tolerance_mm).coords)[:-1]


def _on(layer: str) -> dict[str, str]:
    return {"layer": layer}
