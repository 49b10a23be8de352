"""Jackets keep their wall, print without support, and weigh less than the block."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely
import trimesh
from hills import padded

import moldsmith as ms
from moldsmith.geometry import solid
from shapes import heightfield

WALL_MM = 4.0


@pytest.fixture(scope="module")
def pad() -> ms.Workpiece:
    def ground(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.asarray(55 * np.exp(-(x**2 + y**2) / 1800))

    return padded(heightfield(ground, (130, 110), 4))


@pytest.fixture(scope="module")
def block(pad: ms.Workpiece) -> ms.Workpiece:
    return ms.block(pad, wall_mm=WALL_MM)


@pytest.fixture(scope="module")
def jacket(pad: ms.Workpiece) -> ms.Workpiece:
    return ms.block(pad, outer="jacket", wall_mm=WALL_MM)


@pytest.fixture(scope="module")
def finished(jacket: ms.Workpiece) -> ms.Workpiece:
    return ms.split(ms.fasten(ms.channels(jacket), bolts="M5"))


def solid_of(piece: ms.Workpiece, name: str) -> solid.Solid:
    return solid.from_mesh(piece.body(name))


def figures(piece: ms.Workpiece) -> Any:
    return piece.record("block")["figures"]["jacket"]


@pytest.mark.parametrize("name", ["cavity", "core"])
def test_hollows_keep_the_wall_from_the_void_and_from_the_other_body(
    block: ms.Workpiece, jacket: ms.Workpiece, name: str
) -> None:
    """The block less the jacket is what was hollowed out; distances by the boolean engine."""
    hollow = solid_of(block, name) - solid_of(jacket, name)
    other = {"cavity": "core", "core": "cavity"}[name]
    assert solid.volume_mm3(hollow) > 10_000
    for body in ("pad", other):
        gap = solid.min_gap(hollow, solid_of(block, body), 10.0)
        assert gap >= WALL_MM - 1e-3, body


def test_working_faces_and_void_are_those_of_the_block(
    block: ms.Workpiece, jacket: ms.Workpiece
) -> None:
    for name in ("cavity", "core"):
        more = solid_of(jacket, name) - solid_of(block, name)
        assert solid.volume_mm3(more) < 1e-2
    assert jacket.body("pad").volume == pytest.approx(block.body("pad").volume)
    assert jacket.record("block")["figures"]["stops"] == block.record("block")["figures"]["stops"]


def test_jackets_are_whole_and_stand_flat_on_the_bed(jacket: ms.Workpiece) -> None:
    for name, row in zip(("cavity", "core"), figures(jacket)["bodies"], strict=True):
        body = jacket.body(name)
        assert body.is_watertight
        assert body.is_winding_consistent
        assert body.body_count == 1
        level = body.bounds[0, 2] if name == "cavity" else body.bounds[1, 2]
        corners = body.vertices[body.faces][:, :, 2]
        standing = body.area_faces[(np.abs(corners - level) < 1e-3).all(axis=1)].sum()
        assert standing == pytest.approx(row["on_the_bed_mm2"], rel=0.01)
        feet = body.vertices[np.abs(body.vertices[:, 2] - level) < 1e-3][:, :2]
        hull = shapely.MultiPoint(feet).convex_hull
        assert hull.buffer(-10).contains(shapely.Point(body.center_mass[:2]))


def test_grams_are_those_of_the_bodies_and_less_than_the_block_s(
    block: ms.Workpiece, jacket: ms.Workpiece
) -> None:
    for name, row in zip(("cavity", "core"), figures(jacket)["bodies"], strict=True):
        for key, piece in (("solid_g", jacket), ("block_solid_g", block)):
            # PLA of 1.24 g/cm3.
            assert row[key] == pytest.approx(piece.body(name).volume / 1000 * 1.24, rel=2e-3)
        assert row["solid_g"] < row["block_solid_g"]
        assert row["printed_g"] < row["block_printed_g"]
        assert 0 < row["stiffness_kept"] <= 1
    assert figures(jacket)["saved_percent"] > 20


def test_nothing_of_a_jacket_hangs_over_air_in_its_print_pose(jacket: ms.Workpiece) -> None:
    for row in ms.overhangs(jacket).record("overhangs")["figures"]["parts"]:
        assert row["flagged_mm2"] < 1, row["body"]


def ring(x: float, y: float, inner: float, outer: float, low: float, high: float) -> solid.Solid:
    axis = (0, 0, high - low)
    rods = [solid.frustum((x, y, low), axis, radius, radius, 48) for radius in (outer, inner)]
    return solid.difference(*rods)


def test_drilled_and_bolted_jackets_stay_of_one_piece(finished: ms.Workpiece) -> None:
    assert [row["body"] for row in finished.record("split")["figures"]["parts"]] == [
        "cavity",
        "core",
    ]
    for name in ("cavity", "core"):
        assert finished.body(name).is_watertight
        assert finished.body(name).body_count == 1


def test_sprues_and_keys_stand_in_full_material(
    block: ms.Workpiece, finished: ms.Workpiece
) -> None:
    core = solid_of(finished, "core")
    top = float(finished.body("core").bounds[1, 2])
    record = finished.record("channels")["figures"]
    for bore in (*record["sprues"], *record["vents"]):
        mouth = max(bore["outside_mm"], bore["funnel_mm"]) / 2
        wall = ring(bore["x"], bore["y"], mouth + 0.2, mouth + 2.5, bore["ceiling_z"], top)
        # As much of it as the solid block would have.
        wall = solid.intersection(wall, solid_of(block, "core"))
        assert solid.volume_mm3(solid.intersection(wall, core)) == pytest.approx(
            solid.volume_mm3(wall), rel=1e-4
        )
    (flange,) = (
        joint
        for joint in finished.record("split")["figures"]["joints"]
        if joint["kind"] == "flange"
    )
    assert len(flange["pegs"]) == 4
    for peg in flange["pegs"]:
        x, y, z = peg["base"]
        radius = peg["base_mm"] / 2
        wall = ring(x, y, radius + 0.5, radius + 2.5, z + 1.5, z + peg["length_mm"])
        held = solid.volume_mm3(solid.intersection(wall, core))
        assert held == pytest.approx(solid.volume_mm3(wall), rel=1e-3)


def test_bolts_have_their_flange_on_both_sides(finished: ms.Workpiece) -> None:
    bolts = finished.record("fasten")["figures"]["bolts"]
    assert len(bolts) >= 4
    for bolt in bolts:
        assert bolt["thick_mm"] >= 4


def test_under_a_stop_the_cavity_is_solid_to_the_bed(jacket: ms.Workpiece) -> None:
    cavity = solid_of(jacket, "cavity")
    for x, y in jacket.record("block")["figures"]["stops"]:
        rod = solid.frustum((x, y, 0), (0, 0, 8), 4.5, 4.5, 32)
        held = solid.volume_mm3(solid.intersection(rod, cavity))
        assert held == pytest.approx(solid.volume_mm3(rod), rel=1e-3)


def test_what_gives_way_is_named(pad: ms.Workpiece) -> None:
    soft = ms.block(
        pad, outer="jacket", wall_mm=2, floor_mm=6, pressure_kpa=300, bend_limit_mm=0.05
    )
    assert {"jacket-wall-bends", "jacket-bends"} <= {item.code for item in soft.findings}


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"rib_mm": 0.4}, r"rib_mm = 0\.4\. Choose 1\.2 to 20"),
        ({"rib_spacing_mm": 5}, "rib_spacing_mm = 5. Choose 20 to 200"),
        ({"pressure_kpa": -1}, "pressure_kpa = -1. Choose 0 to 400"),
        ({"bend_limit_mm": 9}, r"bend_limit_mm = 9\. Choose 0\.05 to 5"),
    ],
)
def test_sizes_out_of_range_are_refused(pad: ms.Workpiece, wrong: Any, said: str) -> None:
    with pytest.raises(ms.BadParameter, match=said):
        ms.block(pad, outer="jacket", **wrong)


def test_a_jacket_made_twice_is_the_same(pad: ms.Workpiece, jacket: ms.Workpiece) -> None:
    again = ms.block(pad, outer="jacket", wall_mm=WALL_MM)
    for name in ("cavity", "core"):
        one, other = again.body(name), jacket.body(name)
        assert isinstance(one, trimesh.Trimesh)
        assert np.array_equal(one.vertices, other.vertices)
        assert np.array_equal(one.faces, other.faces)
