"""What the piece is: the head of its sheet."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from ..mold.bodies import mold_bodies
from ..mold.sheet_lids import cut_from_sheet
from ..workpiece import Workpiece
from .blocks import Block, Figure, Figures, Pictures, Section, Text
from .explosion import mold_parts
from .logs import figures, parameters, ran
from .scene import Scene, piece_pictures
from .wording import count, decimal, grams, grouped, hours, sizes

__all__ = ["lead", "overview"]


def lead(piece: Workpiece) -> str:
    """The piece in one or two sentences."""
    said = []
    shell = parameters(piece, "shell")
    if shell:
        said.append(_pad(piece, shell))
        said.append(
            {
                "inward": "The scan is its outer skin.",
                "outward": "It is built on the scanned body and lies against it.",
            }.get(str(shell.get("side")), "")
        )
    style = str(figures(piece, "block").get("style", ""))
    if style:
        sides = sum(name.startswith("side") for name in mold_bodies(piece))
        made_of = {
            "cored": "cavity and core",
            "lidded": "cavity and lid",
            "pieces": f"{count(sides, 'side piece')} and a core",
        }.get(style, style)
        said.append(f"The mold: {made_of}, {count(len(_printed(piece)), 'printed part')}.")
        if cut_from_sheet(piece):
            said.append("The lid is cut from sheet.")
    return " ".join(text for text in said if text) or "A scan on its way to a mold."


def _pad(piece: Workpiece, shell: Mapping[str, Any]) -> str:
    edge = float(shell.get("edge_mm") or 0)
    if figures(piece, "block").get("style") == "lidded" and "pad" in piece.bodies:
        deep = float(np.ptp(piece.body("pad").vertices @ np.array(piece.frame.pull or (0, 0, 1))))
        return (
            f"A cast pad with a flat back, up to {decimal(deep, 0)} mm thick, its edge "
            f"{decimal(edge)} mm."
        )
    thick = float(figures(piece, "shell").get("thickness_max_mm") or shell["thickness_mm"])
    text = f"A cast pad, {decimal(thick)} mm thick"
    if shell.get("taper_mm"):
        text += f", feathered over {decimal(float(shell['taper_mm']))} mm to an edge of "
        text += f"{decimal(edge)} mm"
    return text + "."


def overview(scene: Scene) -> Section:
    """Its large numbers, the cast piece and the closed mold."""
    piece = scene.piece
    items = []
    if "pad" in piece.bodies:
        volume = abs(float(piece.body("pad").volume)) / 1000
        items.append(Figure(grouped(volume), "cm³", "the cast piece"))
        longest_first = sorted(piece.body("pad").extents.tolist(), reverse=True)
        items.append(Figure(sizes(longest_first), "mm", "its size"))
    if parts := _printed(piece):
        items.append(Figure(str(len(parts)), "", "parts to print"))
    estimate = figures(piece, "estimate")
    if "grams" in estimate:
        items.append(Figure(grams(float(estimate["grams"])), "g", "filament"))
        items.append(Figure(hours(float(estimate["seconds"]) / 3600), "", "printing in all"))
    mix = figures(piece, "mix")
    if "mixed_g" in mix:
        items.append(Figure(grams(float(mix["mixed_g"])), "g", "to mix"))
    blocks: list[Block] = [Figures(tuple(items))]
    if pictures := piece_pictures(scene):
        blocks.append(Pictures(pictures, 3))
    if not ran(piece, "split"):
        blocks.append(Text("The mold has not been split into parts to print yet."))
    return Section("piece", "What it is", tuple(blocks))


def _printed(piece: Workpiece) -> tuple[str, ...]:
    sheet = cut_from_sheet(piece)
    return tuple(name for name in mold_parts(piece) if name not in sheet)
