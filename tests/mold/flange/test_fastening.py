"""Bolts, jack-screws, slots and grooves: where they stand, and that the hardware goes in."""

from __future__ import annotations

import re
from itertools import combinations
from typing import Any

import manifold3d
import numpy as np
import pytest
import shapely
import trimesh
from hills import belly, padded

import moldsmith as ms
from moldsmith.geometry import solid, stl
from moldsmith.mold import hardware
from moldsmith.mold.bodies import mold_bodies
from moldsmith.mold.flange.loads import bolt_limit_n, bolts_for, deflection_mm, thickness_mm
from moldsmith.mold.pressure import assumed_kpa
from shapes import patched
from sleeves import barrel

M5 = hardware.bolt("M5")
CLEARANCE = 0.25


@pytest.fixture(scope="module")
def wide() -> ms.Workpiece:
    """A mold with a flange for everything."""
    piece = ms.block(padded(belly()), style="cored", flange_mm=40, floor_mm=10)
    return ms.channels(piece)


@pytest.fixture(scope="module")
def fastened(wide: ms.Workpiece) -> ms.Workpiece:
    return ms.fasten(
        wide,
        bolts="M5",
        jack_screws=2,
        finger_reliefs=2,
        strap_grooves=2,
        clearance_mm=CLEARANCE,
    )


def figures(piece: ms.Workpiece) -> Any:
    return piece.record("fasten")["figures"]


def reread(piece: ms.Workpiece, name: str) -> trimesh.Trimesh:
    mesh = piece.body(name)
    return trimesh.Trimesh(*stl.decode(stl.encode(mesh.vertices, mesh.faces)), process=False)


def solid_of(piece: ms.Workpiece, name: str) -> Any:
    mesh = reread(piece, name)
    arrays = np.array(mesh.vertices), np.array(mesh.faces, dtype=np.uint64)
    return manifold3d.Manifold(manifold3d.Mesh64(*arrays))


def width_about(mesh: trimesh.Trimesh, x: float, y: float, z: float) -> float:
    """How wide a bore is at a height: twice the least way from its axis to its wall."""
    section = mesh.section(plane_origin=(0, 0, z), plane_normal=(0, 0, 1))
    assert section is not None
    lines = [shapely.LineString(line[:, :2]) for line in section.discrete]
    return 2 * min(line.distance(shapely.Point(x, y)) for line in lines)


def test_everything_asked_for_is_there_and_bodies_stay_closed(fastened: ms.Workpiece) -> None:
    found = figures(fastened)
    assert len(found["bolts"]) >= 4
    for key in ("jack_screws", "pry_slots", "finger_reliefs", "straps"):
        assert len(found[key]) == 2
    assert fastened.record("fasten")["findings"] == []
    for name in ("cavity", "core"):
        body = reread(fastened, name)
        assert body.is_watertight
        assert body.is_winding_consistent
        assert body.body_count == 1


def test_hardware_stands_clear_of_void_land_stops_channels_and_each_other(
    fastened: ms.Workpiece,
) -> None:
    found, block = figures(fastened), fastened.record("block")["figures"]
    pad = fastened.body("pad")
    shut = shapely.MultiPoint(pad.vertices[:, :2]).convex_hull.buffer(block["land_mm"] - 0.3)
    discs = [shapely.Point(k["x"], k["y"]).buffer(k["radius_mm"]) for k in found["keep_out"]]
    plans = [shapely.Polygon(plan) for plan in found["pocket_plans"]]
    stops = [shapely.Point(place).buffer(5) for place in block["stops"]]
    drilled = fastened.record("channels")["figures"]
    mouths = [
        shapely.Point(c["x"], c["y"]).buffer(max(c["outside_mm"], c["funnel_mm"]) / 2)
        for c in (*drilled["sprues"], *drilled["vents"])
    ]
    outline = shapely.Polygon(block["outline_plan"])
    for item in discs:
        assert item.distance(outline.exterior) > 1.2
    for item in (*discs, *plans):
        assert item.distance(shut) > 1.0
        assert min(item.distance(other) for other in (*stops, *mouths)) > 1.2
    assert min(a.distance(b) for a, b in combinations([*discs, *plans], 2)) > 1.2


def test_holes_bores_and_pockets_measure_what_the_tables_and_the_clearance_ask(
    fastened: ms.Workpiece,
) -> None:
    cavity, core = reread(fastened, "cavity"), reread(fastened, "core")
    for bolt in figures(fastened)["bolts"]:
        at = bolt["x"], bolt["y"]
        assert width_about(cavity, *at, bolt["nut_z"] + 1) == pytest.approx(5.5, abs=0.02)
        assert width_about(core, *at, bolt["seat_z"] - 1) == pytest.approx(5.5, abs=0.02)
        assert width_about(cavity, *at, bolt["nut_z"] - 1) == pytest.approx(
            M5.nut_flats_mm + 2 * CLEARANCE, abs=0.02
        )
        if bolt["seat_z"] + 0.5 < core.bounds[1, 2]:
            assert width_about(core, *at, bolt["seat_z"] + 0.3) == pytest.approx(
                M5.washer_mm + 2 * CLEARANCE, abs=0.02
            )


def rod(x: float, y: float, low: float, high: float, radius: float, sides: int = 64) -> Any:
    made = manifold3d.Manifold.cylinder(high - low, radius, radius, sides)
    return made.translate((x, y, low))


def nut(bolt: dict[str, Any], turn_deg: float) -> Any:
    """A nut of the greatest size with sharp corners, up against its seat."""
    low = bolt["nut_z"] - M5.nut_height_mm
    made = manifold3d.Manifold.cylinder(
        M5.nut_height_mm, M5.nut_flats_mm / np.sqrt(3), M5.nut_flats_mm / np.sqrt(3), 6
    )
    return made.rotate((0, 0, turn_deg)).translate((bolt["x"], bolt["y"], low))


def test_screw_washer_and_nut_go_in_and_the_nut_does_not_turn(fastened: ms.Workpiece) -> None:
    cavity, core = solid_of(fastened, "cavity"), solid_of(fastened, "core")
    for bolt in figures(fastened)["bolts"]:
        x, y, seat = bolt["x"], bolt["y"], bolt["seat_z"]
        shank = rod(x, y, bolt["nut_z"] - 6, seat, M5.diameter_mm / 2)
        washer = rod(x, y, seat, seat + M5.washer_thickest_mm, M5.washer_mm / 2)
        head = rod(x, y, seat + 1, seat + 6, M5.head_knurled_mm / 2)
        for item in (shank, washer, head):
            assert (item ^ core).volume() < 0.02
            assert (item ^ cavity).volume() < 0.02
        assert (nut(bolt, 0) ^ cavity).volume() < 0.02
        assert (nut(bolt, 20) ^ cavity).volume() > 0.5
        # It comes to its pocket from below, through the bore.
        for way in (3.0, 10.0):
            assert (nut(bolt, 0).translate((0, 0, -way)) ^ cavity).volume() < 0.02
        # And both press on as much print as the record says.
        ring = rod(x, y, seat - 0.2, seat - 0.1, M5.washer_mm / 2)
        share = (ring ^ core).volume() / ring.volume()
        assert share == pytest.approx(1 - (5.5 / 10) ** 2, abs=0.01)
        assert bolt["length_mm"] >= bolt["grip_mm"] + M5.nut_height_mm
        assert bolt["grip_mm"] == pytest.approx(seat - bolt["nut_z"] + 1, abs=1e-3)


def test_jack_screws_push_on_a_washer_with_their_nut_held_from_above(
    fastened: ms.Workpiece,
) -> None:
    """A washer of M4, ISO 7089: the end of an M5 would go through its own."""
    m4 = hardware.bolt("M4")
    assert m4.washer_bore_mm < M5.diameter_mm < M5.washer_bore_mm
    cavity, core = solid_of(fastened, "cavity"), solid_of(fastened, "core")
    for jack in figures(fastened)["jack_screws"]:
        x, y = jack["x"], jack["y"]
        assert jack["foot_washer"] == "M4"
        thick = m4.washer_thickest_mm
        washer = rod(x, y, jack["foot_z"], jack["foot_z"] + thick, m4.washer_mm / 2)
        assert (washer ^ cavity).volume() < 0.02
        under = rod(x, y, jack["foot_z"] - 0.5, jack["foot_z"] - 0.1, m4.washer_mm / 2)
        assert (under ^ cavity).volume() == pytest.approx(under.volume(), rel=1e-3)
        screw = rod(x, y, jack["foot_z"], jack["seat_z"] + 20, M5.diameter_mm / 2)
        assert (screw ^ core).volume() < 0.02
        over = rod(x, y, jack["nut_ceiling_z"] + 0.1, jack["nut_ceiling_z"] + 0.4, 4.0)
        share = (over ^ core).volume() / over.volume()
        assert share == pytest.approx(1 - (5.5 / 8) ** 2, abs=0.02)


def test_a_pry_slot_opens_both_bodies_from_outside(fastened: ms.Workpiece) -> None:
    cavity, core = solid_of(fastened, "cavity"), solid_of(fastened, "core")
    for slot in figures(fastened)["pry_slots"]:
        tool = manifold3d.CrossSection([slot["plan"]])
        height = slot["high_z"] - slot["low_z"]
        blade = manifold3d.Manifold.extrude(tool, height - 0.02).translate(
            (0, 0, slot["low_z"] + 0.01)
        )
        assert (blade ^ cavity).volume() < 1e-2
        assert (blade ^ core).volume() < 1e-2
        for body, shift in ((cavity, -1.0), (core, 1.0)):
            assert (blade.translate((0, 0, shift)) ^ body).volume() > 100


def test_cuts_and_keys_keep_clear_of_bolts_and_slots(fastened: ms.Workpiece) -> None:
    piece = ms.split(fastened, printer=ms.Printer(volume_mm=(130, 130, 120)))
    found, joints = figures(fastened), piece.record("split")["figures"]["joints"]
    discs = [shapely.Point(k["x"], k["y"]).buffer(k["radius_mm"]) for k in found["keep_out"]]
    plans = [shapely.Polygon(plan) for plan in found["pocket_plans"]]
    (flange,) = (joint for joint in joints if joint["kind"] == "flange")
    assert flange["pegs"]
    for peg in flange["pegs"]:
        key = shapely.Point(peg["base"][:2]).buffer(peg["base_mm"] / 2)
        assert min(key.distance(item) for item in (*discs, *plans)) > 2.9
    upright = [joint for joint in joints if joint["axis"] in ("x", "y")]
    assert upright
    for joint in upright:
        places = [item[joint["axis"]] for item in found["keep_out"]]
        assert min(abs(place - joint["at_mm"]) for place in places) > 5


def test_no_bolts_unless_asked_for_but_slots_to_pry_by(channelled: ms.Workpiece) -> None:
    piece = ms.fasten(channelled)
    assert figures(piece)["bolts"] == []
    assert len(figures(piece)["pry_slots"]) == 2
    assert figures(piece)["hardware"] == []
    bare = ms.fasten(channelled, pry_slots=0)
    assert bare.bodies["cavity"] is channelled.bodies["cavity"]


def test_a_flange_too_narrow_says_where_the_most_room_is(pad: ms.Workpiece) -> None:
    narrow = ms.channels(ms.block(pad, style="cored", flange_mm=14, land_mm=6))
    piece = ms.fasten(narrow, bolts="M8", finger_reliefs=2)
    said = {finding.code: finding for finding in piece.findings}
    assert figures(piece)["bolts"] == []
    assert "each needs 19 mm" in said["no-room-for-bolt"].message
    assert "flange_mm" in said["no-room-for-bolt"].message
    assert said["no-room-for-bolt"].where is not None
    assert "edge is free over the 28 mm" in said["no-room-for-finger-relief"].message


def test_a_flange_wide_enough_but_thin_says_so(pad: ms.Workpiece) -> None:
    thin = ms.channels(ms.block(pad, style="lidded", wall_mm=4, floor_mm=4))
    piece = ms.fasten(thin, bolts="M5", jack_screws=2, pry_slots=0)
    said = {finding.code: finding.message for finding in piece.findings}
    for code, needed in (("no-room-for-bolt", 5.0), ("no-room-for-jack-screw", 9.9)):
        assert re.search(rf"lid is 4\.0 mm thick, each needs {needed} mm\. Make lid_th", said[code])
    sheet = ms.block(pad, style="lidded", lid="sheet")
    wide = ms.fasten(ms.channels(sheet), bolts="M5", bolt_count=24, pry_slots=8)
    said = {finding.code: finding.message for finding in wide.findings}
    assert "the others would stand too near to those" in said["no-room-for-bolt"]
    assert "no stretch of the edge is free over the 20 mm" in said["no-room-for-pry-slot"]


def test_a_thin_lid_is_bolted_through_washers_on_its_top(lidded: ms.Workpiece) -> None:
    piece = ms.fasten(ms.channels(lidded), bolts="M4", pry_slots=0)
    top = piece.body("lid").bounds[1, 2]
    assert len(figures(piece)["bolts"]) >= 4
    for bolt in figures(piece)["bolts"]:
        assert bolt["seat_z"] <= top + 1e-3
        assert bolt["thick_mm"] >= 4.9


def test_load_count_and_thickness_follow_the_formulas() -> None:
    """p A; sqrt(6 F a / b sigma); F a^3 / 3 E I: worked by hand."""
    limit = bolt_limit_n(M5, 5.5, "8.8", 10.0)
    # ISO 4032: an M5 nut bears on a face of 6.9 mm at least (from memory).
    assert limit == pytest.approx(np.pi / 4 * (6.9**2 - 5.5**2) * 10)
    load = bolts_for(20.0, 200.0 * 200.0, 0.0, limit, 2.0)
    assert load.opening_n == pytest.approx(800)  # 20 kPa on 0.2 m x 0.2 m
    assert load.count == int(np.ceil(1600 / limit)) == 12
    assert load.each_n == pytest.approx(1600 / 12)
    assert bolts_for(1.0, 1e4, 1000.0, limit, 2.0).count == 9  # none more than 120 mm apart
    assert thickness_mm(300, 10, 30, 10) == pytest.approx(np.sqrt(60))
    inertia = 30 * 5**3 / 12
    assert deflection_mm(300, 10, 30, 5) == pytest.approx(300 * 10**3 / (3 * 2000 * inertia))


def test_weak_bolts_and_thin_flanges_are_named(wide: ms.Workpiece) -> None:
    piece = ms.fasten(wide, bolts="M3", bolt_count=4, pressure_kpa=200.0, pry_slots=0)
    assert {"bolt-weak", "flange-thin"} <= {finding.code for finding in piece.findings}
    assert figures(piece)["load"]["opening_n"] > 1000


def test_load_is_what_the_material_can_press(wide: ms.Workpiece) -> None:
    def opening_n(**given: Any) -> float:
        return float(
            figures(ms.fasten(wide, bolts="M4", pry_slots=0, **given))["load"]["opening_n"]
        )

    foam = ms.material("foam-80")
    assert opening_n(material=foam) == pytest.approx(opening_n(pressure_kpa=assumed_kpa(foam)))
    assert opening_n(material=ms.material("addition-silicone")) < 0.1 * opening_n(material=foam)


def test_hardware_is_listed_and_counted(fastened: ms.Workpiece) -> None:
    found = figures(fastened)
    count = len(found["bolts"]) + 2
    listed = {(row["what"], row["standard"]): 0 for row in found["hardware"]}
    for row in found["hardware"]:
        listed[row["what"], row["standard"]] += row["count"]
    assert listed == {
        ("cap screw", "ISO 4762"): count,
        ("hexagon nut", "ISO 4032"): count,
        ("washer", "ISO 7089"): count,
    }


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"bolts": "M7"}, "bolts = 'M7'"),
        ({"pry_slots": 9}, "pry_slots = 9. Choose 0 to 8"),
        ({"clearance_mm": 2.0}, "clearance_mm = 2. Choose 0.05 to 1"),
        ({"pressure_kpa": -1.0}, "pressure_kpa = -1. Choose 0 to 300"),
    ],
)
def test_values_out_of_range_are_refused(wide: ms.Workpiece, wrong: Any, said: str) -> None:
    with pytest.raises(ms.BadParameter, match=said):
        ms.fasten(wide, **wrong)


def test_fasten_needs_a_mold() -> None:
    with pytest.raises(ms.BadParameter, match="Run block first"):
        ms.fasten(ms.Workpiece("belly"))


@pytest.fixture(scope="module")
def sleeve() -> ms.Workpiece:
    """A mold of two side pieces round a core, with its channels."""
    pad = ms.shell(
        patched(barrel(step=6.0)), thickness_mm=6, side="inward", taper_mm=12, edge_mm=2, cell_mm=3
    )
    return ms.channels(ms.block(pad, style="pieces"))


def test_side_pieces_are_bolted_where_they_meet_in_one_plane(sleeve: ms.Workpiece) -> None:
    piece = ms.fasten(sleeve, bolts="M4", bolt_count=2, pressure_kpa=10)
    assert piece.record("fasten")["findings"] == []
    low, high, core = (solid_of(piece, name) for name in ("side-2", "side-1", "core"))
    cast = solid_of(piece, "pad")
    size = hardware.bolt("M4")
    bolts = figures(piece)["bolts"]
    assert len(bolts) == 4
    for bolt in bolts:
        axis = np.array(bolt["axis"])
        middle = np.array([bolt["x"], bolt["y"], bolt["z"]])

        def rod(start: float, end: float, width: float, base: Any = middle, way: Any = axis) -> Any:
            return solid.frustum(base + start * way, (end - start) * way, width / 2, width / 2, 64)

        shank = rod(bolt["nut_z"] - 6, bolt["seat_z"], size.diameter_mm)
        head = rod(bolt["seat_z"] + 1, bolt["seat_z"] + 6, size.head_knurled_mm)
        out = rod(bolt["seat_z"] + 0.1, bolt["seat_z"] + 200, size.washer_mm)
        nut_way = rod(bolt["nut_z"] - 200, bolt["nut_z"] - 5, size.nut_corners_mm)
        for item in (shank, head, out, nut_way):
            assert all((item ^ body).volume() < 0.02 for body in (low, high, core, cast))
        # The flanges themselves are whole about the hole, on both sides.
        for start, end, body in ((0.2, 4.5, high), (-4.5, -0.2, low)):
            ring = rod(start, end, size.washer_mm) - rod(start - 1, end + 1, 4.6)
            assert (ring ^ body).volume() == pytest.approx(ring.volume(), rel=1e-3)
        assert shank.min_gap(cast, 20.0) > 3


def test_a_flat_tool_goes_into_each_seam_of_side_pieces_and_bites_on_both(
    sleeve: ms.Workpiece,
) -> None:
    piece = ms.fasten(sleeve, bolts="M4", bolt_count=2)
    bodies = {name: solid_of(piece, name) for name in ("side-1", "side-2", "core")}
    slots = figures(piece)["pry_slots"]
    between = [tuple(slot["between"]) for slot in slots]
    assert between == [("side-1", "side-2")] * 2 + [("side-2", "side-1")] * 2
    for slot in slots:
        blade = manifold3d.Manifold.hull_points(slot["corners"])
        assert slot["high_z"] - slot["low_z"] == pytest.approx(20)
        # Two wide faces, that lie against the side pieces; between them it is 3 mm thick.
        face = np.diff(np.array(slot["plan"]), axis=0)[0]
        aside = np.array([-face[1], face[0], 0]) / np.linalg.norm(face)
        across = np.array(slot["corners"]) @ aside
        assert np.ptp(across) == pytest.approx(3, abs=0.1)
        assert all((blade ^ body).volume() < 0.5 for body in bodies.values())
        bites = {
            name: max(
                (blade.translate(tuple(step * aside)) ^ bodies[name]).volume()
                for step in (-1.0, 1.0)
            )
            for name in ("side-1", "side-2")
        }
        assert min(bites.values()) > 100  # of 20 x 8 x 1 mm


def test_slots_in_seams_keep_clear_of_void_core_keys_bores_and_screws(
    sleeve: ms.Workpiece,
) -> None:
    plain, piece = ms.fasten(sleeve, pry_slots=0), ms.fasten(sleeve, bolts="M4", bolt_count=2)
    assert plain.bodies["side-1"] is sleeve.bodies["side-1"]
    blades = [
        manifold3d.Manifold.hull_points(slot["corners"]) for slot in figures(piece)["pry_slots"]
    ]
    pegs = [peg for row in piece.record("block")["figures"]["joints"] for peg in row["pegs"]]
    drilled = piece.record("channels")["figures"]
    keys = [
        solid.frustum(peg["base"], peg["length_mm"] * np.array(peg["axis"]), *2 * [reach], 24)
        for peg in pegs
        if (reach := peg["base_mm"] / 2)
    ]
    bores = [
        rod(c["x"], c["y"], c["void_z"], c["outside_z"], c["void_mm"] / 2)
        for c in (*drilled["sprues"], *drilled["vents"])
    ]
    shanks = [
        solid.frustum(base + row["nut_z"] * way, (row["seat_z"] - row["nut_z"]) * way, 2, 2, 24)
        for row in figures(piece)["bolts"]
        for base in (np.array([row["x"], row["y"], row["z"]]),)
        for way in (np.array(row["axis"]),)
    ]
    inner = [solid_of(piece, "pad"), solid_of(piece, "core")]
    for blade in blades:
        assert min(blade.min_gap(body, 20.0) for body in inner) >= 3.9
        assert min(blade.min_gap(item, 20.0) for item in (*keys, *bores, *shanks)) >= 2.9


def test_a_seam_with_too_little_room_and_what_side_pieces_do_not_take_are_named(
    sleeve: ms.Workpiece,
) -> None:
    piece = ms.fasten(sleeve, pry_slots=8, finger_reliefs=2, strap_grooves=1)
    said = [finding for finding in piece.findings if finding.code == "no-room-for-pry-slot"]
    count = len(figures(piece)["pry_slots"]) // 2
    assert f"{count} of 8 pry slots found room on the seam of side-1 and side-2" in said[0].message
    assert [finding.body for finding in said] == ["side-1", "side-2"]
    (dropped,) = (finding for finding in piece.findings if finding.code == "not-on-side-pieces")
    assert "finger_reliefs = 2 and strap_grooves = 1 left out" in dropped.message
    assert all(finding.where is not None for finding in said)


def test_grooves_for_bands_are_told_as_those_of_straps(sleeve: ms.Workpiece) -> None:
    piece = ms.fasten(sleeve, pry_slots=0)
    middle = np.mean(sleeve.body("side-1").bounds, axis=0)
    outside = sleeve.body("side-1").bounds
    body = solid_of(piece, "side-1")
    for row in figures(piece)["straps"]:
        assert row["axis"] == "z"
        # The groove is empty from the outside in, and no deeper.
        for deep, full in ((row["depth_mm"] - 0.1, 0.0), (row["depth_mm"] + 1.0, 1.0)):
            y = outside[1, 1] - deep
            probe = solid.box((middle[0] - 1, y - 0.05, row["at_mm"] - 7),
                              (middle[0] + 1, y + 0.05, row["at_mm"] + 7))  # fmt: skip
            assert (probe ^ body).volume() == pytest.approx(full * probe.volume(), abs=1e-3)


def test_jack_screws_push_side_pieces_apart_across_their_seam(sleeve: ms.Workpiece) -> None:
    piece = ms.fasten(sleeve, jack_screws=1)
    bodies = {name: solid_of(piece, name) for name in ("side-1", "side-2", "core")}
    rest = bodies["core"] + solid_of(piece, "pad")
    assert len(figures(piece)["jack_screws"]) == 2
    for jack in figures(piece)["jack_screws"]:
        base, way = (np.array(row) for row in ([jack["x"], jack["y"], jack["z"]], jack["axis"]))

        def rod(start: float, end: float, width: float, base: Any = base, way: Any = way) -> Any:
            return solid.frustum(base + start * way, (end - start) * way, width / 2, width / 2, 64)

        screw = rod(jack["foot_z"], jack["seat_z"] + 20, M5.diameter_mm)
        assert all((screw ^ body).volume() < 0.02 for body in (*bodies.values(), rest))
        under = rod(jack["foot_z"] - 0.5, jack["foot_z"] - 0.1, M5.washer_mm)
        over = rod(jack["nut_ceiling_z"] + 0.1, jack["nut_ceiling_z"] + 0.4, 8.0)
        # A washer lies on one side piece, and a nut is held by the other.
        pushed = [(under ^ bodies[name]).volume() / under.volume() for name in ("side-1", "side-2")]
        held = [(over ^ bodies[name]).volume() / over.volume() for name in ("side-1", "side-2")]
        assert sorted(pushed) == pytest.approx([0, 1], abs=1e-3)
        assert sorted(held) == pytest.approx([0, 1 - (5.5 / 8) ** 2], abs=0.02)
        assert np.argmax(pushed) != np.argmax(held)


def test_screws_of_neighbouring_flanges_do_not_cut_into_each_other() -> None:
    """Each with its bores for head and nut, through all the material that there was."""
    pad = ms.shell(patched(barrel(step=8.0)), thickness_mm=6, taper_mm=15, cell_mm=5)
    piece = ms.block(pad, style="pieces", pieces=4, outer="outline")
    made = ms.fasten(piece, bolts="M5", pry_slots=0)
    bodies = solid.union(*(solid_of(piece, name) for name in mold_bodies(piece)))
    bored = []
    for row in figures(made)["bolts"]:
        foot, way = np.array([row["x"], row["y"], row["z"]]), np.array(row["axis"])
        rods = [
            solid.frustum(foot + start * way, long * way, width / 2, width / 2, 16)
            for start, long, width in (
                (row["nut_z"] - 1, row["grip_mm"], row["hole_mm"]),
                (row["seat_z"], 200.0, row["head_bore_mm"]),
                (row["nut_z"] - row["nut_pocket_mm"], -200.0, row["nut_bore_mm"]),
            )
        ]
        bored.append(solid.union(*rods) ^ bodies)
    assert len(bored) >= 8
    assert min(a.min_gap(b, 5.0) for a, b in combinations(bored, 2)) > 1.2
    few = [finding for finding in made.findings if finding.code == "no-room-for-bolt"]
    assert few or len(bored) == 16
