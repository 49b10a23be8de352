"""The shop sheet of a piece: what lies on the bench while it is printed, poured and trimmed."""

from __future__ import annotations

from pathlib import Path

from ..geometry.colours import body_colour
from ..workpiece import Workpiece
from ..writing import write_bytes, write_text
from .blocks import Section, Sheet
from .one_to_one import Template
from .overview import lead, overview
from .page_setting import page
from .pdf_setting import pdf
from .plan_drawing import mold_plan
from .pouring_sections import clamping, coating, mixing, pouring, schedule, trimming
from .print_sections import assembly, printing
from .remark_sections import findings, numbers, pictures_of_stages
from .scene import Scene, scene_of
from .view_model import view_model

__all__ = ["sheet_of", "write_shop_sheet"]

PAGE_NAME = "sheet.html"
PDF_NAME = "sheet.pdf"
_FORM = 1  # raised when a sheet of the same work would look different


def write_shop_sheet(piece: Workpiece, folder: Path) -> tuple[Path, ...]:
    scene = scene_of(piece)
    sheet = sheet_of(scene)
    names = tuple((name, "rgb({},{},{})".format(*body_colour(name))) for name in scene.meshes)
    write_text(folder / PAGE_NAME, page(sheet, view_model(piece, scene.meshes), names))
    write_bytes(folder / PDF_NAME, pdf(sheet, templates_of(piece)))
    return (folder / PAGE_NAME, folder / PDF_NAME)


def sheet_of(scene: Scene) -> Sheet:
    piece = scene.piece
    sections: list[Section | None] = [
        overview(scene),
        schedule(piece),
        printing(scene),
        assembly(scene),
        coating(piece),
        mixing(piece),
        pouring(piece),
        clamping(piece),
        trimming(piece),
        findings(piece),
        pictures_of_stages(scene),
        numbers(piece),
    ]
    return Sheet(
        piece.name, "Shop sheet", lead(piece), tuple(one for one in sections if one is not None)
    )


def templates_of(piece: Workpiece) -> tuple[Template, ...]:
    """What is cut, drilled or checked by, at 1:1."""
    drawing = mold_plan(piece, full_size=True)
    if drawing is None:
        return ()
    note = (
        "From above. Red: the trim line, as seen along the pull. Lay it on core or lid to drill by."
    )
    return (Template("Plan at 1:1", drawing, note),)
