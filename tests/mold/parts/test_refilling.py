"""A jacket's cuts get the joints asked for: its hollow is full again round their keys."""

from __future__ import annotations

import numpy as np
import pytest

import moldsmith as ms
from moldsmith.mold.parts.keying import Joint
from shapes import heightfield, patched

SMALL = ms.Printer(volume_mm=(120, 120, 100))


@pytest.fixture(scope="module")
def jacket() -> ms.Workpiece:
    hill = heightfield(lambda x, y: 40 * np.exp(-(x**2 + y**2) / 4050), (150, 120), 6.0)
    pad = ms.shell(patched(hill), thickness_mm=8, taper_mm=18, edge_mm=1.5, cell_mm=5)
    return ms.block(pad, outer="jacket")


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


def test_pegs_in_a_jacket_s_walls_need_no_more_material(jacket: ms.Workpiece) -> None:
    figures = ms.split(jacket, printer=SMALL, labels="none").record("split")["figures"]
    assert not any(figures["filled"].values())
