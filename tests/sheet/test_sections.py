"""What a sheet says of a piece, and which of it stays on one page."""

from __future__ import annotations

import dataclasses
import io
from typing import Any

import numpy as np
import pytest
import shapely
import trimesh
from PIL import Image
from reportlab.lib.units import mm
from reportlab.platypus import CondPageBreak, KeepTogether, Spacer

import moldsmith as ms
from moldsmith.sheet.blocks import (
    Check,
    Column,
    Figure,
    Figures,
    Picture,
    Pictures,
    Section,
    Table,
    Text,
    Ticks,
)
from moldsmith.sheet.colour_maps import leaving
from moldsmith.sheet.drawing import Label
from moldsmith.sheet.flowing import HEIGHT_MM, told
from moldsmith.sheet.number_section import numbers
from moldsmith.sheet.overview import lead
from moldsmith.sheet.plan_drawing import mold_plan
from moldsmith.sheet.pouring_sections import clamping
from moldsmith.sheet.shop_sheet import templates_of
from moldsmith.sheet.trim_section import trimming
from moldsmith.sheet.wording import quantity, raised

RINGS = {"borders": [{"length_mm": 249.2}, {"length_mm": 344.0}]}
OUTLINE = {"outline_mm": [0.0, 0.0, 150.0, 120.0]}


def worked(**figures: dict[str, Any]) -> ms.Workpiece:
    """A piece whose stages left these figures."""
    records = tuple(
        {
            "stage": stage,
            "parameters": {},
            "figures": told,
            "libraries": {"numpy": "2"},
            "moldsmith": "0",
        }
        for stage, told in figures.items()
    )
    return ms.Workpiece("calf", {}, ms.Workpiece("").frame, records)


def words(section: Section | None) -> str:
    assert section is not None
    return str(section.blocks)


def test_a_sleeve_has_no_template_and_its_two_ends_are_taped() -> None:
    sleeve = worked(crop=RINGS, block={"style": "pieces", **OUTLINE})
    assert templates_of(sleeve) == ()
    said = words(trimming(sleeve))
    assert "249 mm and 344 mm" in said
    assert "1:1" not in said


@pytest.mark.parametrize("style", ["cored", "lidded"])
def test_a_mold_that_opens_on_one_trim_line_has_its_plan_at_full_size(style: str) -> None:
    mold = worked(block={"style": style, **OUTLINE})
    assert len(templates_of(mold)) == 1
    assert "Template at 1:1" in words(trimming(mold))


def test_a_pad_with_a_flat_back_is_not_said_to_be_as_thin_as_its_shell() -> None:
    shell = {"thickness_max_mm": 8.0}
    piece = worked(shell=shell, block={"style": "lidded", **OUTLINE})
    piece.records[0]["parameters"].update({"thickness_mm": 8.0, "taper_mm": 25.0, "edge_mm": 1.5})
    pad = trimesh.creation.box((60.0, 50.0, 46.0))
    assert "flat back, up to 46 mm thick" in lead(piece.with_bodies(pad=pad))
    cored = worked(shell=shell, block={"style": "cored", **OUTLINE})
    cored.records[0]["parameters"].update(piece.records[0]["parameters"])
    assert "8 mm thick, feathered over 25 mm" in lead(cored.with_bodies(pad=pad))


def test_side_pieces_leave_the_way_that_the_mold_opens() -> None:
    rows = [{"body": "side-1", "direction": [0.0, 1.0, 0.0]}]
    sleeve = worked(
        block={"style": "pieces", "mold_bodies": ["side-1", "side-2", "core"], "opening": rows}
    )
    assert leaving(sleeve, "side-1-2").tolist() == [0, 1, 0]
    assert leaving(sleeve, "core").tolist() == [0, 0, 1]


def test_words_beside_the_arrow_keep_off_the_trim_line() -> None:
    turn = np.linspace(0, 2 * np.pi, 80, endpoint=False)
    ring = np.stack([75 + 55 * np.cos(turn), 60 + 45 * np.sin(turn)], axis=1)
    block = {"style": "cored", "trim_plan": ring.tolist(), **OUTLINE}
    mold = worked(block=block)
    frame = dataclasses.replace(mold.frame, up=(0.5, -0.8, 0.33), pull=(0.0, 0.0, 1.0))
    drawing = mold_plan(dataclasses.replace(mold, frame=frame), full_size=True)
    assert drawing is not None
    words = next(one for one in drawing.shapes if isinstance(one, Label) and "head" in one.text)
    written = shapely.box(words.x, words.y - 2, words.x + 0.6 * words.size_mm * 20, words.y + 2)
    assert not written.intersects(shapely.LinearRing(ring + 9.0))


def test_a_lid_cut_from_sheet_is_not_said_to_be_printed() -> None:
    lid = {"needed_mm": 6.0, "sheet_mm": 6.0, "thickness_mm": 8.0, "deflection_mm": 0.2}
    cut = words(clamping(worked(clamp={"lid": {**lid, "made_of": "sheet"}})))
    assert "acrylic sheet 6 mm; it is 8 mm" in cut
    assert "printed" not in cut
    printed = words(clamping(worked(clamp={"lid": {**lid, "made_of": "print"}})))
    assert "printed 6 mm, or acrylic sheet 6 mm" in printed


def test_only_settings_that_differ_from_the_usual_are_told() -> None:
    set_here = {"thickness_mm": 12.0, "taper_mm": 31.0, "side": "outward", "profile": "eased"}
    piece = worked(shell={})
    piece.records[0]["parameters"].update(set_here)
    section = numbers(piece)
    assert section is not None
    table = next(one for one in section.blocks if isinstance(one, Table))
    told_of = {row[1]: row[2] for row in table.rows}
    assert told_of["thickness"] == "12 mm"
    assert told_of["taper"] == "31 mm"
    assert "profile" not in told_of  # as it is when left out


def test_no_cell_of_the_numbers_counts_entries() -> None:
    piece = worked(load_scan={"size_mm": [1.0, 2.0, 3.0]}, overhangs={"parts": []}, mix={})
    assert "entries" not in words(numbers(piece))


def test_keys_are_read_as_names_with_units() -> None:
    assert quantity("free_rise_kg_m3", "80") == ("free rise", "80 kg/m\u00b3")
    assert quantity("viscosity_mpa_s", "700") == ("viscosity", "700 mPa s")
    assert quantity("walls", "3") == ("walls", "3")
    assert raised("474 -> 0 mm2 of 3 cm3") == "474 to 0 mm\u00b2 of 3 cm\u00b3"


def rows(count: int) -> Table:
    return Table((Column("Part"),), tuple((f"part {k}",) for k in range(count)))


def need_mm(section: Section) -> float:
    """What must be free on the page for the section to begin there."""
    first = told(section, 1)[0]
    assert isinstance(first, CondPageBreak)
    return float(first.height / mm)


def test_a_heading_stays_with_its_figures_and_the_whole_of_a_short_table() -> None:
    lead = Figures((Figure("12", "g", "to mix"),))
    alone = need_mm(Section("a", "A", (lead,)))
    short = need_mm(Section("a", "A", (lead, rows(8))))
    long = need_mm(Section("a", "A", (lead, rows(80))))
    assert short > alone + 8 * 6
    assert alone + 20 < long < short  # with some rows of it


def test_a_step_at_the_bench_is_kept_whole_where_a_page_can_hold_it() -> None:
    blocks = (Text("Mix."), rows(8), Ticks((Check("Stir"), Check("Pour"))))
    assert need_mm(Section("a", "A", blocks, whole=True)) > need_mm(Section("a", "A", blocks)) + 20
    endless = (rows(8), rows(80))
    assert need_mm(Section("a", "A", endless, whole=True)) < HEIGHT_MM


def test_what_is_said_of_all_pictures_stays_with_the_last_of_them() -> None:
    target = io.BytesIO()
    Image.new("RGB", (40, 33), "white").save(target, "PNG")
    shown = tuple(Picture(target.getvalue(), 40, 33, f"part {k}") for k in range(3))
    parts = told(Section("a", "A", (Pictures(shown, 2, "Red: leans out."),)), 1)
    kept = [one for one in parts if isinstance(one, KeepTogether)]
    assert len(kept) == 1
    assert isinstance(parts[-1], Spacer)
    assert "Red: leans out." in str(kept[0])
