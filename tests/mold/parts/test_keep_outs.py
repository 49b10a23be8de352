"""Cuts keep off keys, slots, bolts and pockets, level ones too; measured on the re-read parts."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import manifold3d
import numpy as np
import pytest

import checks
import moldsmith as ms
from moldsmith.geometry import solid, stl
from shapes import heightfield, patched
from sleeves import calf

NEAR_MM = 3.5  # cuts keep 4 mm off; polygons stand for circles here


@pytest.fixture(scope="module")
def sleeve() -> ms.Workpiece:
    pad = ms.shell(patched(calf(5.0), "calf"), thickness_mm=6, taper_mm=15, cell_mm=3)
    return ms.channels(ms.block(pad, style="pieces"))


@pytest.fixture(scope="module")
def low(tall: ms.Workpiece) -> ms.Workpiece:
    return cut_up(tall, 150, 150, 45)


@pytest.fixture(scope="module")
def tall() -> ms.Workpiece:
    """A cored mold so high that both bodies are cut level."""
    hill = heightfield(lambda x, y: 60 * np.exp(-(x**2 + y**2) / 900), (90, 80), 4)
    pad = ms.shell(patched(hill), thickness_mm=6, taper_mm=12, cell_mm=3)
    return ms.fasten(ms.block(pad), bolts="M4", bolt_count=4)


def cut_up(piece: ms.Workpiece, *volume: float) -> ms.Workpiece:
    return ms.split(piece, printer=ms.Printer(volume_mm=volume), labels="none")  # type: ignore[arg-type]


def rows(piece: ms.Workpiece, stage: str, key: str) -> Any:
    return piece.record(stage)["figures"].get(key, ())


def things(piece: ms.Workpiece) -> Iterator[tuple[str, Any]]:
    """Keys between bodies, slots and what bolts clamp, each as its log tells it."""
    for joint in rows(piece, "block", "joints"):
        yield from (("key", checks.frustum(peg, 0, peg["length_mm"])) for peg in joint["pegs"])
    for joint in rows(piece, "split", "joints"):
        pegs = joint["pegs"] if joint["kind"] == "flange" else ()
        yield from (("key", checks.frustum(peg, 0, peg["length_mm"])) for peg in pegs)
    for slot in rows(piece, "fasten", "pry_slots"):
        ends = slot["low_z"], slot["high_z"]
        corners = slot.get("corners") or [(x, y, z) for z in ends for x, y in slot["plan"]]
        yield "slot", manifold3d.Manifold.hull_points(np.array(corners))
    for bolt in rows(piece, "fasten", "bolts"):
        axis, base = np.array(bolt.get("axis", (0, 0, 1))), np.array(bolt.get("base", (0, 0, 0)))
        place = np.array([bolt["x"], bolt["y"], bolt["z"]])
        foot = place - axis @ (place - base) * axis
        low, high = bolt["nut_z"] - bolt["nut_pocket_mm"], bolt["seat_z"]
        radius = bolt["nut_flats_mm"] / 2
        yield "bolt", solid.frustum(foot + low * axis, (high - low) * axis, radius, radius, 24)


def cut_through(piece: ms.Workpiece) -> list[str]:
    """Things at two parts of one body, so that a cut between these runs by or through them."""
    found = []
    parts: dict[str, list[Any]] = {}
    for row in rows(piece, "split", "parts"):
        mesh = piece.body(row["body"])
        vertices, faces = stl.decode(stl.encode(mesh.vertices, mesh.faces))
        parts.setdefault(row["of"], []).append(solid.from_arrays(vertices, faces))
    for what, thing in things(piece):
        for body, own in parts.items():
            if sum(part.min_gap(thing, NEAR_MM + 1) < NEAR_MM for part in own) > 1:
                found.append(f"{what} in {body} at {np.round(thing.bounding_box(), 1)}")
    return found


def level_cuts(piece: ms.Workpiece) -> list[Any]:
    return [j for j in rows(piece, "split", "joints") if j["kind"] == "cut" and j["axis"] == "z"]


def findings(piece: ms.Workpiece) -> list[ms.Finding]:
    return [finding for finding in piece.findings if finding.code == "cut-passes"]


def test_level_cuts_of_side_pieces_pass_no_key_and_no_slot(sleeve: ms.Workpiece) -> None:
    piece = cut_up(ms.fasten(sleeve), 160, 160, 80)
    assert {joint["low"].rsplit("-", 1)[0] for joint in level_cuts(piece)} == {
        "side-1", "side-2", "core",
    }  # fmt: skip
    assert cut_through(piece) == []
    assert findings(piece) == []


def test_a_finding_names_what_a_cut_has_to_pass(sleeve: ms.Workpiece) -> None:
    piece = cut_up(ms.fasten(sleeve, bolts="M5", jack_screws=1), 160, 160, 100)
    assert cut_through(piece)
    assert {finding.body for finding in findings(piece)} == {"side-1", "side-2"}
    for finding in findings(piece):
        assert " mm from a bolt at " in finding.message
        assert " mm from a pry slot at " in finding.message


def test_level_cuts_of_cavity_and_core_pass_no_bolt_pocket_or_key(low: ms.Workpiece) -> None:
    assert {joint["low"][:4] for joint in level_cuts(low)} == {"cavi", "core"}
    assert cut_through(low) == []
    assert findings(low) == []


def test_parts_of_a_level_cut_lie_on_their_faces_not_on_their_pegs(low: ms.Workpiece) -> None:
    assert all(joint["pegs"] for joint in level_cuts(low))
    for row in rows(low, "split", "parts"):
        laid = low.body(row["body"]).copy().apply_transform(row["pose"])
        assert laid.bounds[0, 2] == pytest.approx(0, abs=1e-3)
        assert laid.bounds[1, 2] <= 45.01
        on_bed = (laid.triangles[:, :, 2] < 0.01).all(axis=1)
        first_layer = solid.section(solid.from_mesh(laid), 0.2).area
        assert laid.area_faces[on_bed].sum() > 0.98 * first_layer
