"""The shop sheet of a piece: what lies on the bench while it is printed, poured and trimmed."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from pathlib import Path
from urllib.parse import quote

from ..errors import BadParameter
from ..mold.sheet_lids import cut_from_sheet
from ..sources import sources_digest
from ..workpiece import Workpiece
from ..writing import write_bytes, write_text
from .blocks import Section, Sheet
from .number_section import numbers
from .one_to_one import Template
from .overview import lead, overview
from .page_setting import page
from .pdf_setting import pdf
from .plan_drawing import drilled_by, mold_plan
from .pouring_sections import clamping, coating, mixing, pouring, schedule
from .print_sections import assembly, printing
from .remark_sections import care, findings, pictures_of_stages
from .scene import Scene, cover_picture, scene_of
from .templates import sheet_lid
from .trim_section import trimming
from .view_model import view_model

__all__ = ["sheet_of", "templates_of", "write_shop_sheet"]

PAGE_NAME = "sheet.html"
PDF_NAME = "sheet.pdf"
PICTURE_NAME = "sheet.png"


def write_shop_sheet(piece: Workpiece, folder: Path) -> tuple[Path, ...]:
    """Write sheet.html, sheet.pdf and sheet.png, a picture of the piece, into the folder.

    A lid that is cut from sheet is drawn beside them at 1:1, as of `sheet_lid`.

    The page holds all it needs, with a 3-D view of the bodies; the PDF ends in the plan
    of the mold at 1:1. Each section is there if its stage ran. Equal work gives equal
    bytes; what is there already for the same work is left as it is.

    piece : what ran on it so far is told; pictures of earlier stages are drawn from
        `piece.folder` where the stages wrote

    Raises
    ------
    BadParameter : the piece has no bodies to draw
    CannotWrite : the folder cannot be written to
    """
    paths = (folder / PAGE_NAME, folder / PDF_NAME, folder / PICTURE_NAME)
    mark = _mark(piece)
    if not cut_from_sheet(piece) and _marked(paths, mark):
        return paths
    if not piece.bodies:
        raise BadParameter("the piece has no bodies to draw", "Run load_scan first")
    lids = sheet_lid(piece, folder) if cut_from_sheet(piece) else ()
    scene = scene_of(piece)
    links = tuple((name, quote(name)) for name in (PDF_NAME, *(path.name for path in lids)))
    sheet = replace(sheet_of(scene), mark=mark, links=links)
    write_bytes(folder / PICTURE_NAME, cover_picture(scene).png)
    write_bytes(folder / PDF_NAME, pdf(sheet, templates_of(piece)))
    # The page last: it carries the mark that all are there.
    write_text(folder / PAGE_NAME, page(sheet, view_model(piece, scene.meshes, scene.maps)))
    return (*paths, *lids)


def _mark(piece: Workpiece) -> str:
    """Tells one state of the work, and of the code that draws it, from another."""
    told = [
        [record["stage"], record["key"], record["bodies"], record["figures"], record["findings"]]
        for record in piece.records
    ]
    state = [sources_digest(), piece.name, dict(piece.digests), told]
    return hashlib.sha256(json.dumps(state, sort_keys=True).encode()).hexdigest()[:32]


def _marked(paths: tuple[Path, ...], mark: str) -> bool:
    """Whether all files are there and the page bears the mark."""
    if not all(path.is_file() for path in paths):
        return False
    with paths[0].open("rb") as file:
        return f'content="{mark}"'.encode() in file.read(2000)


def sheet_of(scene: Scene) -> Sheet:
    piece = scene.piece
    sections: list[Section | None] = [
        overview(scene),
        schedule(piece),
        care(piece),
        printing(scene),
        assembly(scene),
        coating(scene),
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
    drawing = mold_plan(piece, full_size=True) if drilled_by(piece) else None
    if drawing is None:
        return ()
    note = "From above. Red: the trim line, as seen along the pull. Drill core or lid by it."
    return (Template("Plan at 1:1", drawing, note),)
