"""A jacket's cuts get the joints asked for: its hollow is full again round their keys."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np
import pytest
import shapely

import moldsmith as ms
from checks import frustum
from moldsmith.geometry import solid
from moldsmith.mold.parts.keying import Joint
from shapes import heightfield, patched
from sleeves import calf

SMALL = ms.Printer(volume_mm=(120, 120, 100))


@pytest.fixture(scope="module")
def jacket() -> ms.Workpiece:
    hill = heightfield(lambda x, y: 40 * np.exp(-(x**2 + y**2) / 4050), (150, 120), 6.0)
    pad = ms.shell(patched(hill), thickness_mm=8, taper_mm=18, edge_mm=1.5, cell_mm=5)
    return ms.fasten(ms.channels(ms.block(pad, outer="jacket")), bolts="M5", pry_slots=4)


def openings(piece: ms.Workpiece) -> Iterator[solid.Solid]:
    """What `channels` and `fasten` cut, a little narrower: no body may stand in it."""
    told = {stage: piece.record(stage)["figures"] for stage in ("channels", "fasten")}
    for row in (*told["channels"]["sprues"], *told["channels"]["vents"]):
        yield rod(row, row["void_mm"], row["ceiling_z"] + 0.5, 100)
    for row in told["fasten"]["bolts"]:
        yield rod(row, row["hole_mm"], -1, 100)
        yield rod(row, row["nut_bore_mm"], -1, row["nut_z"] - row["nut_pocket_mm"] - 0.1)
        yield rod(row, row["head_bore_mm"], row["seat_z"] + 0.1, 100)
    for row in told["fasten"]["pry_slots"]:
        plan = shapely.Polygon(row["plan"]).buffer(-0.05)
        yield solid.extrude(plan, row["low_z"] + 0.05, row["high_z"] - 0.05)


def rod(row: Any, width: float, low: float, high: float) -> solid.Solid:
    radius = width / 2 - 0.05
    return solid.frustum((row["x"], row["y"], low), (0, 0, high - low), radius, radius, 24)


def closed_mm3(piece: ms.Workpiece, names: Iterable[str]) -> float:
    """How much of that is full again."""
    cut = solid.union(*openings(piece))
    bodies = [solid.from_mesh(piece.body(name)) for name in names]
    return sum(solid.volume_mm3(solid.intersection(cut, body)) for body in bodies)


def test_bolts_in_a_jacket_leave_every_channel_open(jacket: ms.Workpiece) -> None:
    assert closed_mm3(jacket, ["cavity", "core"]) < 0.1


@pytest.mark.parametrize("joint", ["dovetail", "bolted"])
def test_jacket_s_cuts_get_the_joint_asked_for(jacket: ms.Workpiece, joint: Joint) -> None:
    whole = ms.split(jacket, labels="none").record("split")["figures"]
    piece = ms.split(jacket, printer=SMALL, joint=joint, labels="none")
    figures = piece.record("split")["figures"]
    cuts = [row for row in figures["joints"] if row["kind"] == "cut"]
    asked = [row for row in cuts if row["joint"] == joint]
    assert len(asked) >= len(cuts) / 2
    assert any(figures["filled"].values())
    assert not any(whole["filled"].values())
    assert all(piece.body(row["body"]).is_watertight for row in figures["parts"])
    assert closed_mm3(piece, [row["body"] for row in figures["parts"]]) < 0.1


def test_pegs_in_a_jacket_s_walls_need_no_more_material(jacket: ms.Workpiece) -> None:
    figures = ms.split(jacket, printer=SMALL, labels="none").record("split")["figures"]
    assert not any(figures["filled"].values())


def test_sockets_of_side_pieces_stay_open_where_their_jackets_are_filled() -> None:
    pad = ms.shell(patched(calf(6.0), "calf"), thickness_mm=6, taper_mm=15, cell_mm=4)
    block = ms.block(pad, style="pieces", outer="jacket", wall_mm=4)
    piece = ms.split(block, printer=ms.Printer(volume_mm=(90, 90, 90)), labels="none",
                     joint="dovetail")  # fmt: skip
    figures = piece.record("split")["figures"]
    assert all(figures["filled"].values())
    carried = [joint for joint in figures["joints"] if joint["kind"] in ("curtain", "print")]
    assert len(carried) >= 2
    for joint in carried:
        other = solid.from_mesh(piece.body(joint["high"]))
        for peg in joint["pegs"]:
            key = frustum(peg, 0.0, peg["length_mm"])
            assert solid.volume_mm3(solid.intersection(key, other)) < 0.1
