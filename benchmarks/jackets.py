"""Block against jacket: grams and hours of the printed mold, and what making it costs.

    python benchmarks/jackets.py

Grams and hours are those of `estimate`, which slices the parts. Times are CPU seconds of
`block` alone. The tables are written to `jackets.md` beside this file.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

import moldsmith as ms
from moldsmith.mold.blocks import Outer

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "tests"))

import sleeves  # noqa: E402 - found through the line above
from shapes import cap, heightfield, patched  # noqa: E402 - as above

BIG = ms.Printer(volume_mm=(500, 500, 400))  # so that the cuts of a split do not tell
# Name -> size in plan, height of the hill, its reach, all in mm.
HILLS = {
    "shallow": ((200, 160), 25.0, 55.0),
    "belly": ((240, 200), 70.0, 60.0),
    "deep": ((240, 200), 120.0, 60.0),
}
OUTERS: tuple[Outer, ...] = ("rectangle", "jacket")
SIDE_OUTERS: tuple[Outer, ...] = ("rectangle", "outline", "jacket")
WALL_MM = 4.0
STEPS_MM = (4.0, 2.8, 2.0, 1.0)
SLEEVE_STEPS_MM = (4.0, 2.0, 1.4)


def main() -> None:
    text = "\n".join(
        [
            "# Figures of the last run of `benchmarks/jackets.py`",
            "",
            *_molds(),
            *_sides(),
            *_growth(),
        ]
    )
    (HERE / "jackets.md").write_text(text, encoding="utf-8")
    print(text)


def _pad(name: str, step_mm: float, cell_mm: float) -> ms.Workpiece:
    size, height, reach = HILLS[name]

    def ground(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.asarray(height * np.exp(-(x**2 + y**2) / (2 * reach**2)))

    scan = patched(heightfield(ground, size, step_mm), name)
    return ms.shell(scan, thickness_mm=10, taper_mm=25, edge_mm=1.5, cell_mm=cell_mm)


def _sleeve(step_mm: float) -> ms.Workpiece:
    """A calf's sleeve, for side pieces."""
    scan = patched(sleeves.calf(step_mm), "calf")
    return ms.shell(scan, thickness_mm=7, taper_mm=20, edge_mm=1.5, cell_mm=step_mm)


def _long_sleeve(step_mm: float) -> ms.Workpiece:
    """A sleeve of a whole lower leg, of the size that prints for days."""

    def reach(turn: np.ndarray, z: np.ndarray) -> np.ndarray:
        calf = np.exp(-(((z - 200) / 70) ** 2))
        return np.asarray(40 + 18 * calf + 6 * np.cos(turn) * calf + 0.04 * z)

    scan = patched(sleeves.tube(reach, 300.0, step=step_mm), "lower leg")
    return ms.shell(scan, thickness_mm=8, taper_mm=20, edge_mm=1.5, cell_mm=step_mm)


SLEEVES = {"calf": _sleeve, "lower leg": _long_sleeve}


def _overhung(step_mm: float) -> ms.Workpiece:
    """A cap of more than half a ball, which hangs over the casting along the pull."""
    rings = round(2 * np.radians(100) * 60 / step_mm)
    scan = patched(cap(60.0, 100.0, rings), "cap")
    return ms.shell(scan, thickness_mm=8, taper_mm=20, edge_mm=1.5, cell_mm=step_mm)


# Name -> the pad by the size of its triangles, these sizes, and settings of block.
CASES: dict[str, tuple[Callable[[float], ms.Workpiece], tuple[float, ...], dict[str, Any]]] = {
    "block": (lambda step: _pad("belly", step, step), STEPS_MM, {"outer": "rectangle"}),
    "jacket": (lambda step: _pad("belly", step, step), STEPS_MM, {"outer": "jacket"}),
    "blocked out": (_overhung, SLEEVE_STEPS_MM, {"outer": "rectangle", "block_out": True}),
    "side pieces": (_sleeve, SLEEVE_STEPS_MM, {"style": "pieces"}),
    "side pieces, jackets": (_sleeve, SLEEVE_STEPS_MM, {"style": "pieces", "outer": "jacket"}),
}


def _molds() -> list[str]:
    lines = [
        '## A mold of cavity and core: block (`outer = "rectangle"`) and jacket',
        "",
        f"Wall {WALL_MM:g} mm, ribs of 2.4 mm at most 90 mm apart. Solid: volume times density, "
        "PLA. Printed: grams and hours",
        "by slices, with the estimate's walls, skins and infill. Stiffness: of the block's, "
        "cavity and core, by a beam formula.",
        "",
        *_HEAD,
    ]
    for name in HILLS:
        pad = _pad(name, 5.0, 5.0)
        for outer in OUTERS:
            made = ms.block(pad, outer=outer, wall_mm=WALL_MM)
            lines.append(_row(name, outer, made))
    return [*lines, ""]


def _sides() -> list[str]:
    lines = [
        '## A mold of side pieces round a core: blocks and jackets (`style = "pieces"`)',
        "",
        f"Wall {WALL_MM:g} mm, flanges 24 mm wide. Stiffness: of the block's, side pieces and "
        "core, as closed rings.",
        "",
        *_HEAD,
    ]
    for name, made in SLEEVES.items():
        pad = made(4.0)
        for outer in SIDE_OUTERS:
            mold = ms.block(pad, style="pieces", outer=outer, wall_mm=WALL_MM)
            lines.append(_row(name, outer, mold))
    return [*lines, ""]


_HEAD = (
    "| pad | outer | solid g | printed g | hours | stiffness kept | overhang mm² |",
    "|---|---|---|---|---|---|---|",
)


def _row(name: str, outer: Outer, made: ms.Workpiece) -> str:
    parts = ms.split(made, printer=BIG, flange_keys=4, labels="none")
    hanging = ms.overhangs(parts, printer=BIG).record("overhangs")["figures"]["parts"]
    said = ms.estimate(parts, printer=BIG).record("estimate")["figures"]
    solid = sum(parts.body(row["body"]).volume for row in said["parts"]) / 1000 * 1.24
    jacket = made.record("block")["figures"].get("jacket", {"bodies": []})
    rows = [jacket["bodies"][k] for k in (0, -1)] if jacket["bodies"] else []
    kept = " / ".join(f"{row.get('stiffness_kept', 1):.2f}" for row in rows) or "1"
    over = sum(row["flagged_mm2"] for row in hanging)
    return (
        f"| {name} | {outer} | {solid:.0f} | {said['grams']:.0f} | "
        f"{said['seconds'] / 3600:.1f} | {kept} | {over:.0f} |"
    )


def _growth() -> list[str]:
    lines = [
        "## Time of `block` by triangles of the pad",
        "",
        "| triangles | mold | CPU s | s per 100,000 triangles | growth per doubling |",
        "|---|---|---|---|---|",
    ]
    for case, (made, steps, settings) in CASES.items():
        before: tuple[int, float] | None = None
        for step in steps:
            pad = made(step)
            count = len(pad.body("pad").faces)
            start = time.process_time()
            ms.block(pad, wall_mm=WALL_MM, **settings)
            took = time.process_time() - start
            grown = ""
            if before is not None:
                share = np.log(took / before[1]) / np.log(count / before[0])
                grown = f"{2**share:.2f}"
            lines.append(
                f"| {count:,} | {case} | {took:.1f} | {took / count * 1e5:.1f} | {grown} |"
            )
            before = (count, took)
    return [*lines, ""]


if __name__ == "__main__":
    main()
