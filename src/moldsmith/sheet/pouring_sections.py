"""The sheet's parts for the bench: what follows what, seal, mix, pour, clamp."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ..workpiece import Workpiece
from .blocks import (
    Block,
    Check,
    Column,
    Figure,
    Figures,
    Pictures,
    Plan,
    Section,
    Table,
    Text,
    Ticks,
)
from .charts import fill_chart, timeline_chart
from .logs import figures, material_of, ran
from .plan_drawing import drilled_by, low_points, mold_plan, numbered_vents, plan_bounds
from .scene import Scene
from .step_pictures import step_pictures, step_scale
from .wording import count, decimal, grams, grouped, hours, plain

__all__ = ["clamping", "coating", "mixing", "pouring", "schedule"]


def schedule(piece: Workpiece) -> Section | None:
    """What follows what, with hours, and what lies ready before the clock starts."""
    told = figures(piece, "timeline")
    steps = told.get("steps") or ()
    if not steps:
        return None
    last = max(float(step["starts_h"]) + float(step["hours"]) for step in steps)
    items = [Figure(hours(last), "", "from the first print to the trimmed piece")]
    if told.get("hands_on_h"):
        items.append(Figure(hours(float(told["hands_on_h"])), "", "of it by hand"))
    blocks: list[Block] = [Figures(tuple(items))]
    prints = [step for step in steps if str(step["what"]).startswith("print plate")]
    bench = [step for step in steps if step not in prints]
    if prints:
        blocks.append(Plan(timeline_chart(prints), _printed(told, len(prints))))
    if bench:
        caption = (
            "At the bench, from the last print on. Red: your hands; coats and their drying take "
            "turns. Grey: wait."
        )
        blocks.append(Plan(timeline_chart(bench), caption))
    if ready := told.get("at_hand"):
        checks = tuple(_ready(item) for item in ready)
        blocks.append(Ticks(checks, title="At hand before the clock starts", numbered=False))
    if clock := told.get("clock_starts"):
        blocks.append(Text(_sentence(clock)))
    return Section("days", "What follows what", tuple(blocks))


def _printed(told: Mapping[str, Any], plates: int) -> str:
    changes = float(told.get("plate_changes_h") or 0)
    if not changes:
        return "Printing, day and night."
    said = "change of plate" if plates == 2 else f"{plates - 1} changes of plates"
    return f"Printing, day and night; between the bars {hours(changes)} for the {said}."


def _ready(item: Any) -> Check:
    if isinstance(item, Mapping):
        what = str(item.get("what") or item.get("name") or "")
        return Check(what, str(item.get("note") or item.get("why") or ""))
    return Check(str(item))


def _sentence(value: Any) -> str:
    if isinstance(value, Mapping):
        return "; ".join(f"{plain(str(key))}: {item}" for key, item in value.items())
    text = str(value)
    return text[:1].upper() + text[1:].rstrip(".") + "."


def coating(scene: Scene) -> Section | None:
    """Seal, fill and release, in order."""
    told = figures(scene.piece, "coat")
    steps = told.get("steps") or ()
    if not steps:
        return None
    rows = tuple(
        (
            str(step.get("what", "")),
            _given(step.get("coats")),
            _given(step.get("thickness_mm") or None, 3),
            hours(float(step["hours"])) if step.get("hours") is not None else "",
            str(step.get("note") or ""),
        )
        for step in steps
    )
    columns = (
        Column("Step", 1.9),
        Column("Coats", 0.87, True),
        Column("Adds, mm", 1.35, True),
        Column("Time", 1.45, True),
        Column("", 3.9),
    )
    blocks: list[Block] = []
    cusp = told.get("cusp") or {}
    if "max_mm" in cusp:
        items = [Figure(f"{float(cusp['max_mm']):.2f}", "mm", "highest steps of the layers")]
        if "mean_mm" in cusp:
            items.append(Figure(f"{float(cusp['mean_mm']):.2f}", "mm", "steps on average"))
        blocks.append(Figures(tuple(items)))
    blocks.append(Table(columns, rows, tick=True))
    if advice := told.get("layer_advice"):
        blocks.append(Text(_sentence(advice)))
    if (pictures := step_pictures(scene)) and (bar := step_scale(scene)):
        caption = "Where the layers show as steps, as the parts are printed."
        blocks += [Plan(bar), Pictures(pictures, 3, caption)]
    return Section("coat", "Seal and release", tuple(blocks), whole=True)


def _given(value: Any, digits: int = 1) -> str:
    if value is None:
        return ""
    return decimal(float(value), digits) if isinstance(value, int | float) else str(value)


def mixing(piece: Workpiece) -> Section | None:
    """Grams of each part, with boxes to tick as they are weighed."""
    told = figures(piece, "mix")
    parts = told.get("parts") or ()
    if not parts:
        return None
    pours = int(told.get("pours") or 1)
    name = f"{told.get('material', 'to mix')}, in all"
    items = [Figure(grams(float(told["mixed_g"])), "g", name)]
    if pours > 1:
        items.append(Figure(str(pours), "batches", "one after another"))
        items.append(Figure(grams(float(told["batch_g"])), "g", "each batch"))
    if vessel := told.get("vessel_ml"):
        items.append(Figure(grouped(float(vessel)), "ml", "stirring vessel, at least"))
    blocks: list[Block] = [Figures(tuple(items))]
    cast = material_of(piece)
    if cast is not None and cast.note:
        blocks.append(Text(cast.note))
    title = "Weigh in" if pours == 1 else "Weigh in for each batch"
    for batch in range(1, min(pours, 6) + 1):
        heading = title if pours == 1 else f"Batch {batch} of {pours}"
        blocks.append(_portions(parts, heading, told))
    blocks += [_amount(told), *_guess(told), *_test_cup(told)]
    return Section("mix", "Mix", tuple(blocks), whole=True)


def _portions(parts: Sequence[Mapping[str, Any]], title: str, told: Mapping[str, Any]) -> Table:
    cup = told.get("cup_ml")
    columns = (
        Column("Part", 2.2),
        Column("Grams", 1.2, True),
        Column("or ml", 1.2, True),
        Column(f"Cups of {decimal(float(cup))} ml" if cup else "Cups", 1.5, True),
        Column("Weighed", 1.4),
    )
    rows = tuple(
        (
            str(row["name"]),
            decimal(float(row["grams"]), 2),
            "" if row.get("ml") is None else f"{float(row['ml']):.1f}",
            "" if row.get("cups") is None else f"{float(row['cups']):.2f}",
            "",
        )
        for row in parts
    )
    return Table(columns, rows, tick=True, title=title)


def _amount(told: Mapping[str, Any]) -> Table:
    """From the void to the grams, one line a step."""
    rows: list[tuple[str, str]] = [
        ("Void of the mold", f"{decimal(float(told['void_cm3']))} cm³"),
        ("Sprues and vents, to their fill level", f"{decimal(float(told['channels_cm3']))} cm³"),
    ]
    if told.get("coat_cm3"):
        rows.append(("Less what the coats take", f"{decimal(float(told['coat_cm3']))} cm³"))
    if told.get("density_kg_m3"):
        rows.append(("Density", f"{decimal(float(told['density_kg_m3']))} kg/m³"))
    packing = float(told.get("packing_factor") or 1)
    if packing != 1:
        rows.append(("Packed to", f"{decimal(packing, 2)} times the free rise"))
    if told.get("cast_g"):
        rows.append(("In the mold", f"{grams(float(told['cast_g']))} g"))
    rows.append(("Left in cups, on tools, trimmed off", f"{grams(float(told['waste_g']))} g"))
    if told.get("scale_g"):
        step = decimal(float(told["scale_g"]), 2)
        said = f"{grams(float(told['mixed_g']))} g, the parts up to the scale's {step} g"
        rows.append(("To weigh in, in the ratio", said))
    if told.get("pour_s"):
        rate = decimal(float(told.get("pour_rate_ml_s") or 0))
        rows.append(("Pouring takes", f"{decimal(float(told['pour_s']), 0)} s at {rate} ml/s"))
    if assumed := told.get("assumed"):
        said = ", ".join(f"{key} = {decimal(float(value), 0)}" for key, value in assumed.items())
        rows.append(("Assumed, for the data sheet lacks it", said))
    return Table((Column("So much because", 2.4), Column("", 2)), tuple(rows))


def _guess(told: Mapping[str, Any]) -> list[Block]:
    off = (told.get("open_guess") or {}).get("open_cavity_off_percent")
    if off is None:
        return []
    way = "too little" if float(off) < 0 else "too much"
    text = (
        f"Guessed by the water that the open cavity holds, it would have been "
        f"{decimal(abs(float(off)), 0)} % {way}."
    )
    return [Text(text, small=True)]


def _test_cup(told: Mapping[str, Any]) -> list[Block]:
    cup = told.get("test_cup")
    if not cup:
        return []
    steps = tuple(Check(str(step)) for step in cup.get("steps") or ())
    return [Ticks(steps, title="Test cup, to measure the free rise of this batch")]


def pouring(piece: Workpiece) -> Section | None:
    """Where to pour, what to watch, and how it fills."""
    drawing = mold_plan(piece)
    if drawing is None or not ran(piece, "channels"):
        return None
    vents = numbered_vents(piece)
    sprues = figures(piece, "channels").get("sprues") or ()
    told = figures(piece, "fill")
    blocks: list[Block] = []
    tilt = float(told.get("tilt_deg") or 0)
    if tilt > 0.5:
        blocks.append(Figures((Figure(decimal(tilt), "°", "prop the mold up by this"),)))
    flat = drilled_by(piece)
    caption = (
        f"From above. Red: the {'' if flat else 'upper '}trim line. {count(len(sprues), 'sprue')}, "
        f"{count(len(vents), 'vent')}"
    )
    order = ", numbered as they fill" if told.get("vents") and len(vents) > 1 else ""
    slots = " Grey: slots to pry it open." if figures(piece, "fasten").get("pry_slots") else ""
    low = ""
    if flat and told.get("pour_first"):
        where = "Triangle: pour" if low_points(piece) else "Under the sprue: pour"
        low = f" {where} an open cavity here first."
    full = " Full size in sheet.pdf." if flat else ""
    blocks.append(Plan(drawing, f"{caption}{order}.{slots}{low}{full}"))
    if vents:
        blocks.append(_vent_table(piece, vents))
        if any(row.get("escape") is not None for _, row in vents):
            blocks.append(Text(_escape(len(vents)), small=True))
    if curve := told.get("curve"):
        marks = [
            (number, float(row["height_mm"]), float(row["after_cm3"]))
            for number, row in vents
            if "after_cm3" in row
        ]
        rises = bool(told.get("rises"))
        blocks.append(Plan(fill_chart(curve, marks, rises), _curve_caption(piece, rises)))
    return Section("pour", "Pour", tuple(blocks), whole=True)


def _escape(vents: int) -> str:
    if vents == 1:
        return "The foam's air leaves by this vent: plug it when foam shows in it."
    return f"Plug each when foam shows in it, 1 first: the last air leaves by {vents}."


def _curve_caption(piece: Workpiece, rises: bool) -> str:
    if not rises:
        return "How high it stands after so much. Rings: the vents."
    mix = figures(piece, "mix")
    poured = ""
    if mix.get("batch_ml"):
        liquid = float(mix["batch_ml"]) * int(mix.get("pours") or 1)
        poured = f", of {grouped(liquid)} ml of liquid mix"
    return f"How high the foam stands when it has risen to so much{poured}. Rings: the vents."


def _vent_table(piece: Workpiece, vents: Sequence[tuple[int, Mapping[str, Any]]]) -> Table:
    """Where each vent is from the block's edges, and when it shows."""
    bounds = plan_bounds(piece)
    low_x, low_y = (0.0, 0.0) if bounds is None else (float(bounds[0][0]), float(bounds[0][1]))
    filled = any("after_cm3" in row for _, row in vents)
    columns = [
        Column("Vent", 0.8),
        Column("From left, mm", 1.5, True),
        Column("From front, mm", 1.75, True),
        Column("Bore, mm", 1.1, True),
    ]
    columns += [Column("Shows after, cm³", 1.8, True)] if filled else []
    plugged = any(row.get("plug") for _, row in vents)
    columns += [Column("", 1.8)] if plugged else []
    rows = []
    for number, row in vents:
        line = [
            str(number),
            decimal(float(row["x"]) - low_x, 0),
            decimal(float(row["y"]) - low_y, 0),
            decimal(float(row.get("bore_mm") or row.get("void_mm") or 0)),
        ]
        line += [grouped(float(row["after_cm3"])) if "after_cm3" in row else ""] if filled else []
        line += ["plug it when it shows" if row.get("plug") else ""] if plugged else []
        rows.append(tuple(line))
    return Table(tuple(columns), tuple(rows), tick=True, title="Vents")


def clamping(piece: Workpiece) -> Section | None:
    """What holds the mold shut, and on which assumption."""
    told = figures(piece, "clamp")
    if not told:
        return None
    items = []
    for key, unit, what, digits in (
        ("force_n", "N", "push the mold open", 0),
        ("head_kpa", "kPa", "by the height of the mix", 2),
        ("pressure_kpa", "kPa", "and by its pressure", 1),
    ):
        if isinstance(told.get(key), int | float):
            items.append(Figure(_large(float(told[key]), digits), unit, what))
    blocks: list[Block] = [Figures(tuple(items))] if items else []
    if assumption := told.get("assumption"):
        factor = told.get("safety")
        safe = f" Everything below holds {decimal(float(factor), 2)} times that." if factor else ""
        blocks.append(Text(f"Assumed: {_sentence(assumption)}{safe}"))
    rows = _holds(told)
    if rows:
        columns = (Column("To hold it", 1), Column("", 4.5))
        blocks.append(Table(columns, tuple(rows), tick=True))
    if hint := told.get("bolts_hint"):
        blocks.append(Text(_sentence(hint), small=True))
    return Section("clamp", "Clamp", tuple(blocks), whole=True)


def _large(value: float, digits: int) -> str:
    return grouped(value) if digits == 0 else decimal(value, digits)


def _holds(told: Mapping[str, Any]) -> list[tuple[str, str]]:
    """One of these holds the mold shut; and what the lid must be."""
    rows = [
        (str(row["what"]).capitalize() if place == 0 else f"or {row['what']}", str(row["note"]))
        for place, row in enumerate(told.get("means") or ())
    ]
    lid = told.get("lid")
    if isinstance(lid, Mapping) and lid.get("thickness_mm") is not None:
        cut = lid.get("made_of") == "sheet"
        text = f"{'acrylic sheet' if cut else 'printed'} {decimal(float(lid['needed_mm']))} mm"
        if lid.get("sheet_mm") and not cut:
            text += f", or acrylic sheet {decimal(float(lid['sheet_mm']))} mm"
        if lid.get("needed_mm") is not None:
            text += f"; it is {decimal(float(lid['thickness_mm']))} mm"
        if lid.get("deflection_mm") is not None:
            text += f" and bends {decimal(float(lid['deflection_mm']), 2)} mm"
        rows.append(("Lid", f"{text}. {lid.get('formula', '')}".strip()))
    return rows
