"""What a split says of its cuts, joints and labels."""

from __future__ import annotations

import numpy as np

from ...geometry import solid
from ...workpiece import Finding
from .cut_planes import Cut
from .labels import Labels
from .pegging import WALL_MM

__all__ = ["boltless", "changed", "few_keys", "no_label", "passing"]


def changed(name: str, cut: Cut, joint: str) -> Finding:
    named = "bolts" if joint == "bolted" else f"a {joint}" if joint == "dovetail" else joint
    place = f"the cut of {name} at {'xyz'[cut.axis]} = {cut.at:.0f} mm"
    if cut.axis == 2 and joint in ("dovetail", "bolted"):
        why = f"{place} is level, where {named} cannot open to the outside: it got pegs. Line up"
        why += " its parts by them and hold them with a strap"
    else:
        why = f"{place} has no room for {named} and got pegs: make wall_mm and floor_mm larger"
    return Finding("joint-changed", "note", why, name)


def passing(name: str, cut: Cut) -> Finding:
    """Says what a cut runs through or comes near to; a note where walls remain all round."""
    through = ", ".join(item.what for item in cut.passed if item.gap_mm < 0)
    near = ", ".join(
        f"{item.gap_mm:.1f} mm from {item.what}" for item in cut.passed if item.gap_mm >= 0
    )
    runs = " and ".join(part for part in (through and f"through {through}", near) if part)
    return Finding(
        "cut-passes",
        "note" if min(item.gap_mm for item in cut.passed) >= WALL_MM else "warning",
        f"the cut of {name} at {'xyz'[cut.axis]} = {cut.at:.0f} mm runs {runs}: no place that the "
        "printer leaves it is clear. Use a larger printer, or fewer flange_keys, bolts and slots",
        name,
    )


def boltless(low: str, high: str) -> Finding:
    text = f"{low} and {high} found no room for a bolt in their seam: hold them with a strap"
    return Finding("joint-changed", "note", text, low)


def no_label(name: str, style: Labels) -> Finding:
    why = "has no outer face to write its number on"
    if style == "embossed":
        why = "has no upright outer face for its number, or does not fit the printer with it"
    return Finding(
        "no-room-for-label",
        "note",
        f"{name} {why}: mark it with a pen as it leaves the printer",
        name,
    )


def few_keys(name: str, cut: Cut, body: solid.Solid) -> Finding:
    low, high = np.reshape(body.bounding_box(), (2, 3))
    where = (low + high) / 2
    where[cut.axis] = cut.at
    x, y, z = where.tolist()
    place = f"the cut of {name} at {'xyz'[cut.axis]} = {cut.at:.0f} mm"
    remedy = "line the parts up by hand, or make wall_mm and floor_mm larger"
    if cut.keys:
        return Finding("few-keys", "note", f"{place} holds one key only: {remedy}", name, (x, y, z))
    return Finding("no-room-for-key", "warning", f"{place} has no key: {remedy}", name, (x, y, z))
