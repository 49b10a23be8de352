"""What the sheet tells the bench, by what the stages found."""

from __future__ import annotations

from typing import Any

import moldsmith as ms
from moldsmith.sheet.blocks import Section, Table, Text, Ticks
from moldsmith.sheet.pouring_sections import clamping, mixing
from moldsmith.sheet.trim_section import trimming


def told(**figures: dict[str, Any]) -> ms.Workpiece:
    rows = [
        {"stage": name, "figures": row, "findings": [], "parameters": {}, "outputs": {}}
        for name, row in figures.items()
    ]
    return ms.Workpiece("calf", records=tuple(rows))


def words(section: Section | None) -> str:
    assert section is not None
    found = []
    for block in section.blocks:
        if isinstance(block, Table):
            found += [" ".join(row) for row in block.rows]
        elif isinstance(block, Ticks):
            found += [f"{item.what} {item.note}" for item in block.items]
        elif isinstance(block, Text):
            found.append(block.text)
    return "\n".join(found)


def test_what_is_drawn_off_a_core_that_stands_alone_is_the_casting() -> None:
    side = {"body": "side-1", "direction": [0, 1, 0], "travel_mm": 62.0}
    core = {"body": "core", "direction": [0, 0, 1], "travel_mm": 275.0}
    opening = [side, {**core, "casting_stretch_percent": 20.4}]
    block = {"style": "pieces", "opening": opening}
    said = words(trimming(told(block=block, fasten={"pry_slots": [{}]})))
    assert "Draw side-1 sideways" in said
    assert said.count("Undo what holds it shut. With a flat bar in the slots") == 1
    assert "Draw the core" not in said
    assert "Draw the casting off the core" in said
    assert "It must stretch by 20 %. It is off after 275 mm." in said
    first = words(trimming(told(block={**block, "opening": opening[::-1]})))
    assert first.index("core up") < first.index("Draw the casting off the core")
    assert "bar" not in first


def test_what_is_no_means_is_not_ticked_off() -> None:
    means = [{"what": "clamps", "short": "5 clamps", "note": "5 of 500 N, over boards"}]
    hint = 'The mold has no bolts: fasten.bolts = "M5" in the job puts them in'
    said = words(clamping(told(clamp={"force_n": 900.0, "means": means, "bolts_hint": hint})))
    assert "Clamps 5 of 500 N" in said
    assert "Bolts" not in said
    assert 'fasten.bolts = "M5"' in said


def test_what_the_data_sheet_lacks_is_told_as_assumed() -> None:
    part = {"name": "A", "grams": 50.0, "ml": 49.0, "cups": 0.1}
    mix = {
        "parts": [part], "mixed_g": 50.0, "void_cm3": 400.0, "channels_cm3": 3.0, "waste_g": 4.0,
        "assumed": {"mixing_s": 30.0},
    }  # fmt: skip
    assert "Assumed, for the data sheet lacks it mixing_s = 30" in words(mixing(told(mix=mix)))
