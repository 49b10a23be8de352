"""Parts add up to the mold, fit the printer, and go together one way."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

import moldsmith as ms
from moldsmith.geometry import solid

SMALL = ms.Printer(volume_mm=(110, 110, 120))
ROOF = np.tan(np.radians(44.0))  # of a socket's point, from its axis


@pytest.fixture(scope="module")
def whole(channelled: ms.Workpiece) -> ms.Workpiece:
    return ms.split(channelled)


@pytest.fixture(scope="module")
def cut(channelled: ms.Workpiece) -> ms.Workpiece:
    return ms.split(channelled, printer=SMALL)


def figures(piece: ms.Workpiece) -> Any:
    return piece.record("split")["figures"]


def test_what_fits_the_printer_stays_whole(whole: ms.Workpiece) -> None:
    assert [row["body"] for row in figures(whole)["parts"]] == ["cavity", "core"]
    assert {"cavity", "core"} <= set(whole.bodies)


@pytest.mark.parametrize("which", ["whole", "cut"])
def test_parts_are_closed_of_one_piece_and_lie_on_the_bed(
    which: str, request: pytest.FixtureRequest
) -> None:
    piece = request.getfixturevalue(which)
    volume = SMALL.volume_mm if which == "cut" else ms.Printer().volume_mm
    for row in figures(piece)["parts"]:
        body = piece.body(row["body"])
        assert body.is_watertight
        assert body.is_winding_consistent
        assert body.body_count == 1
        pose = np.array(row["pose"])
        assert np.linalg.det(pose[:3, :3]) == pytest.approx(1)
        laid = body.vertices @ pose[:3, :3].T + pose[:3, 3]
        assert laid[:, 2].min() == pytest.approx(0, abs=1e-3)
        assert laid.min() > -0.02
        assert (laid.max(axis=0) < np.array(volume) + 0.02).all()


def gap_mm3(peg: dict[str, Any], clearance: float = 0.2) -> float:
    """Socket less peg: frusta of regular polygons, from the joint's plane on, and the point."""
    face = peg["sides"] * np.tan(np.pi / peg["sides"])
    slope = (peg["base_mm"] - peg["tip_mm"]) / 2 / peg["length_mm"]
    grown = clearance * np.hypot(1, slope)

    def frustum(low: float, high: float, height: float) -> float:
        return float(face * height / 3 * (low * low + low * high + high * high))

    length, low, high = peg["length_mm"], peg["base_mm"] / 2, peg["tip_mm"] / 2
    deep = length + clearance
    end = low + grown - slope * deep
    height = min(peg["roof_mm"], end / ROOF)
    roof = frustum(end, end - height * ROOF, height)
    return frustum(low + grown, end, deep) + roof - frustum(low, high, length)


def test_parts_add_up_to_their_body_less_the_clearances(cut: ms.Workpiece) -> None:
    rows = figures(cut)["parts"]
    assert len(rows) > 2
    for name, whole_cm3 in figures(cut)["bodies_cm3"].items():
        parts = [solid.from_mesh(cut.body(row["body"])) for row in rows if row["of"] == name]
        letters = sum(row["label"]["volume_mm3"] for row in rows if row["of"] == name)
        together = (sum(solid.volume_mm3(part) for part in parts) - letters) / 1000
        assert together < whole_cm3 + 1e-3
        own = [joint for joint in figures(cut)["joints"] if joint["kind"] == "cut"]
        gaps = sum(
            gap_mm3(peg) for joint in own if joint["low"].startswith(name) for peg in joint["pegs"]
        )
        assert together + gaps / 1000 == pytest.approx(whole_cm3, rel=1e-4)
        for k, one in enumerate(parts):
            for other in parts[k + 1 :]:
                assert solid.volume_mm3(solid.intersection(one, other)) < 1e-2


def test_first_peg_of_each_joint_is_the_odd_one(cut: ms.Workpiece) -> None:
    joints = figures(cut)["joints"]
    assert {joint["kind"] for joint in joints} == {"flange", "cut"}
    for joint in joints:
        first, *others = [peg["base_mm"] for peg in joint["pegs"]]
        assert all(first > 1.1 * other for other in others)


def test_flange_pegs_stand_off_their_sockets_by_the_clearance(channelled: ms.Workpiece) -> None:
    for clearance in (0.15, 0.3):
        piece = ms.split(channelled, clearance_mm=clearance)
        core = solid.from_mesh(piece.body("core"))
        (joint,) = (joint for joint in figures(piece)["joints"] if joint["kind"] == "flange")
        assert len(joint["pegs"]) == 4
        for peg in joint["pegs"]:
            base = np.array(peg["base"])
            reach, tall = peg["base_mm"] / 2 + 0.5, peg["length_mm"]
            # The middle of the peg, out of the cavity's flange on which the core may rest.
            around = solid.box(
                base + np.array([-reach, -reach, 2]), base + np.array([reach, reach, tall + 1])
            )
            stands = solid.intersection(solid.from_mesh(piece.body("cavity")), around)
            assert solid.min_gap(stands, core, 2.0) == pytest.approx(clearance, abs=0.02)


def test_no_flange_keys_when_none_are_wanted(channelled: ms.Workpiece) -> None:
    piece = ms.split(channelled, flange_keys=0, labels="none")
    assert figures(piece)["joints"][0]["pegs"] == []
    assert piece.body("cavity").volume == pytest.approx(channelled.body("cavity").volume, rel=1e-6)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"clearance_mm": 0.01}, r"clearance_mm = 0\.01\. Choose 0\.05 to 1 mm"),
        ({"flange_keys": 9}, r"flange_keys = 9\. Choose 0 to 8"),
        ({"printer": ms.Printer(volume_mm=(10, 10, 10))}, "a part must hold a key"),
    ],
)
def test_sizes_out_of_range_are_refused(channelled: ms.Workpiece, wrong: Any, said: str) -> None:
    with pytest.raises(ms.BadParameter, match=said):
        ms.split(channelled, **wrong)


def test_split_needs_a_mold() -> None:
    with pytest.raises(ms.BadParameter, match="Run block first"):
        ms.split(ms.Workpiece("belly"))


def test_flange_keys_engage_before_the_surfaces_touch(whole: ms.Workpiece) -> None:
    (joint,) = (joint for joint in figures(whole)["joints"] if joint["kind"] == "flange")
    assert joint["engages_mm"] == pytest.approx(min(p["length_mm"] for p in joint["pegs"]))
    assert joint["engages_mm"] >= 2
    cavity, core = (solid.from_mesh(whole.body(name)) for name in ("cavity", "core"))
    pegs = [
        solid.frustum(
            peg["base"],
            np.array(peg["axis"]) * peg["length_mm"],
            peg["base_mm"] / 2 + 0.05,
            peg["tip_mm"] / 2 + 0.05,
            48,
        )
        for peg in joint["pegs"]
    ]
    bare = solid.difference(cavity, *pegs)
    taper = np.tan(np.radians(10))
    for lift in (0.2, 0.5, 0.9):
        height = lift * joint["engages_mm"]
        play = 0.2 * np.hypot(1, taper) + height * taper
        for way in ((1.0, 0.0), (-0.6, 0.8)):
            aside, held = np.eye(4), np.eye(4)
            aside[:3, 3] = [0.9 * play * way[0], 0.9 * play * way[1], height]
            held[:3, 3] = [(play + 0.2) * way[0], (play + 0.2) * way[1], height]
            # Free to shift by the play and no farther: the pegs stop it, and nothing else.
            assert _touched(core, aside, cavity) < 0.01
            assert _touched(core, held, cavity) > 0.01
            assert _touched(core, held, bare) < _touched(core, held, cavity)


def _touched(mover: solid.Solid, matrix: np.ndarray, fixed: solid.Solid) -> float:
    return solid.volume_mm3(solid.intersection(solid.moved(mover, matrix), fixed))
