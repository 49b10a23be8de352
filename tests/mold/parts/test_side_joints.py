"""Keys between side pieces are told of with the parts that hold them."""

from __future__ import annotations

import moldsmith as ms
from moldsmith.geometry import solid
from moldsmith.mold.keys import Peg, peg_solid, socket_solid
from moldsmith.mold.parts.side_joints import carried_joints


def test_a_key_belongs_to_the_parts_round_it_however_thin_their_walls() -> None:
    peg = Peg((0.0, 0.0, 50.0), (1.0, 0.0, 0.0), 4.0, 8.0, sides=4)
    joint = {
        "kind": "curtain",
        "low": "side-1",
        "high": "side-2",
        "clearance_mm": 0.2,
        "pegs": [peg.described()],
    }
    block = {"stage": "block", "figures": {"joints": [joint]}}
    piece = ms.Workpiece("calf", records=(block,))
    wall = solid.box((0, -6.2, 30), (12, 20, 80))  # little beside the socket on one side
    low = solid.box((-20, -20, 0), (0, 20, 80))
    parts = {
        "side-1": {"side-1": solid.union(low, peg_solid(peg))},
        "side-2": {
            "side-2-1": solid.box((0, -20, 0), (12, 20, 30)),
            "side-2-2": solid.difference(wall, socket_solid(peg, 0.2)),
        },
    }
    (row,) = carried_joints(piece, parts)
    assert (row["low"], row["high"]) == ("side-1", "side-2-2")
    assert row["pegs"] == [peg.described()]
