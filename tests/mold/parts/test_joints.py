"""Joints between a body's parts: sizes, clearances, and that parts go together."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Any

import networkx as nx
import numpy as np
import pytest
import shapely
import trimesh

import moldsmith as ms
from checks import distance_to, overlap_depth_mm, socket_gap_mm3
from checks import solid as solid_of
from moldsmith.geometry import solid, stl
from moldsmith.mold import hardware

SMALL = ms.Printer(volume_mm=(110, 110, 120))
CLEARANCE = 0.2
ROOF = np.radians(44.0)  # from the vertical, of what is a ceiling in print
KINDS = {"pegs": "pegs", "dovetail": "dovetails", "dowels": "dowels", "bolted": "bolts"}


@pytest.fixture(scope="module")
def made(channelled: ms.Workpiece) -> dict[str, ms.Workpiece]:
    return {
        kind: ms.split(channelled, printer=SMALL, joint=kind, clearance_mm=CLEARANCE, labels="none")
        for kind in KINDS
    }


def figures(piece: ms.Workpiece) -> Any:
    return piece.record("split")["figures"]


def cuts(piece: ms.Workpiece, kind: str) -> Iterator[tuple[Any, Any]]:
    """Each joint of that kind, and each of its keys."""
    for joint in figures(piece)["joints"]:
        if joint["kind"] == "cut":
            yield from ((joint, key) for key in joint[KINDS[kind]])


def reread(piece: ms.Workpiece, name: str) -> trimesh.Trimesh:
    mesh = piece.body(name)
    return trimesh.Trimesh(*stl.decode(stl.encode(mesh.vertices, mesh.faces)), process=False)


@pytest.mark.parametrize("kind", KINDS)
def test_a_joint_asked_for_by_name_is_made(made: dict[str, ms.Workpiece], kind: str) -> None:
    assert list(cuts(made[kind], kind))
    joints = [joint for joint in figures(made[kind])["joints"] if joint["kind"] == "cut"]
    assert kind in {joint["joint"] for joint in joints}
    changed = [f for f in made[kind].findings if f.code == "joint-changed"]
    assert len(changed) < len(joints)


@pytest.mark.parametrize("kind", KINDS)
def test_parts_are_closed_fit_the_printer_and_do_not_overlap(
    made: dict[str, ms.Workpiece], kind: str
) -> None:
    piece = made[kind]
    names = [row["body"] for row in figures(piece)["parts"]]
    solids = {name: solid_of(reread(piece, name)) for name in names}
    for number, name in enumerate(names):
        mesh = reread(piece, name)
        assert mesh.is_watertight
        assert mesh.body_count == 1
        for other in names[number + 1 :]:
            assert (solids[name] ^ solids[other]).volume() < 0.1
    for row in figures(piece)["parts"]:
        assert (np.array(row["size_mm"]) <= np.array(SMALL.volume_mm) + 0.02).all()


def wedge(low: float, high: float, deep: float) -> float:
    """What slopes from nothing at the top of a profile to its foot, which is `low` wide."""
    # Widths run straight from low to high; lengths from deep / tan to 0.
    return float(deep**2 / np.tan(ROOF) * (2 * low + high) / 6)


def lost_mm3(key: dict[str, Any], kind: str) -> float:
    """What a key leaves empty, by closed forms."""
    if kind == "dovetails":
        wide, top, deep = key["wide_mm"], key["top_mm"], key["deep_mm"]
        slant = np.hypot(1, (top - wide) / 2 / deep)
        area = deep * (wide + top) / 2
        # Grown by the clearance: wider by it on the slant of both flanks, and deeper.
        slope = (top - wide) / 2 / deep
        low, high = wide + 2 * CLEARANCE * slant, top + 2 * CLEARANCE * (slant + slope)
        grown = (deep + CLEARANCE) * (low + high) / 2
        # Its sloping end, and the groove's, whose slope lies off by the clearance.
        end = wedge(wide, top, deep)
        off = CLEARANCE * (1 / np.sin(ROOF) - 1 / np.tan(ROOF))
        room = wedge(low, high, deep + CLEARANCE) + grown * off
        return float(grown * key["long_mm"] + room - area * key["long_mm"] - end)
    if kind == "dowels":
        radius = key["diameter_mm"] / 2 + CLEARANCE
        length = key["length_mm"] + 2 * CLEARANCE
        if abs(key["axis"][2]) > 0.5:  # a cone at both ends
            return float(np.pi * radius**2 * (length + 2 / 3 * radius / np.tan(ROOF)))
        half = np.pi / 2 - ROOF  # of the angle that the ridge takes of the circle
        return float(radius**2 * length * (np.pi + np.tan(half) - half))
    return 0.0


@pytest.mark.parametrize("kind", ["pegs", "dovetail", "dowels"])
def test_parts_add_up_to_the_unsplit_body_less_the_clearances(
    made: dict[str, ms.Workpiece], kind: str
) -> None:
    found = figures(made[kind])
    for name, whole_cm3 in found["bodies_cm3"].items():
        rows = [row for row in found["parts"] if row["of"] == name]
        parts = sum(solid_of(reread(made[kind], row["body"])).volume() for row in rows)
        gaps = sum(
            lost_mm3(key, KINDS[kind])
            for joint, key in cuts(made[kind], kind)
            if joint["low"].startswith(name)
        )
        gaps += sum(
            socket_gap_mm3(peg, CLEARANCE)
            for joint, peg in cuts(made[kind], "pegs")
            if joint["low"].startswith(name)
        )
        assert parts + gaps == pytest.approx(1000 * whole_cm3, rel=1e-3)


def test_a_dovetail_stands_off_its_groove_by_the_clearance(made: dict[str, ms.Workpiece]) -> None:
    piece = made["dovetail"]
    for joint, tail in cuts(piece, "dovetail"):
        low, high = (solid_of(reread(piece, joint[side])) for side in ("low", "high"))
        axis = np.array(tail["axis"])
        ridge = low.trim_by_plane(tuple(axis.tolist()), joint["at_mm"] + 0.5)
        assert ridge.volume() > 100
        assert ridge.min_gap(high, 2.0) == pytest.approx(CLEARANCE, abs=0.02)


def test_a_dovetail_holds_square_to_its_cut(made: dict[str, ms.Workpiece]) -> None:
    piece = made["dovetail"]
    for joint, tail in cuts(piece, "dovetail"):
        low, high = (solid_of(reread(piece, joint[side])) for side in ("low", "high"))
        pulled = high.translate(tuple((2.0 * np.array(tail["axis"])).tolist()))
        assert (low ^ pulled).volume() > 1.0


def test_dowel_holes_measure_the_pin_and_the_clearance(made: dict[str, ms.Workpiece]) -> None:
    piece = made["dowels"]
    for joint, pin in cuts(piece, "dowels"):
        base, axis = np.array(pin["base"]), np.array(pin["axis"])
        for side, sign in (("low", -1.0), ("high", 1.0)):
            mesh = reread(piece, joint[side])
            section = mesh.section(plane_origin=base + sign * 2.0 * axis, plane_normal=axis)
            assert section is not None
            keep = np.flatnonzero(np.abs(axis) < 0.5)
            lines = [shapely.LineString(line[:, keep]) for line in section.discrete]
            width = 2 * min(line.distance(shapely.Point(base[keep])) for line in lines)
            assert width == pytest.approx(pin["diameter_mm"] + 2 * CLEARANCE, abs=0.02)
            # A pin of the greatest size goes in by half its length.
            greatest = hardware.dowel(pin["diameter_mm"]).greatest_mm
            rod = solid.frustum(
                base, sign * axis * pin["length_mm"] / 2, greatest / 2, greatest / 2, 64
            )
            assert (rod ^ solid_of(mesh)).volume() < 0.02


def test_loose_hardware_is_counted(made: dict[str, ms.Workpiece]) -> None:
    pins = len(list(cuts(made["dowels"], "dowels")))
    listed = figures(made["dowels"])["hardware"]
    assert sum(row["count"] for row in listed) == pins
    assert {row["standard"] for row in listed} == {"ISO 2338"}
    bolts = len(list(cuts(made["bolted"], "bolted")))
    for what in ("cap screw", "hexagon nut", "washer"):
        rows = [row for row in figures(made["bolted"])["hardware"] if row["what"] == what]
        assert sum(row["count"] for row in rows) == bolts
    assert figures(made["pegs"])["hardware"] == []


def test_first_pin_of_a_pair_is_larger(made: dict[str, ms.Workpiece]) -> None:
    seen = {}
    for joint, pin in cuts(made["dowels"], "dowels"):
        seen.setdefault((joint["low"], joint["high"]), []).append(pin["diameter_mm"])
    assert any(len(pins) > 1 for pins in seen.values())
    for first, *others in seen.values():
        assert all(first >= other for other in others)


def along(middle: Any, axis: Any, start: float, end: float, width: float) -> Any:
    """A rod about a bolt's axis."""
    return solid.frustum(middle + start * axis, (end - start) * axis, width / 2, width / 2, 64)


def test_a_bolt_through_the_seam_goes_in_and_its_nut_is_held(
    made: dict[str, ms.Workpiece],
) -> None:
    piece = made["bolted"]
    for joint, row in cuts(piece, "bolted"):
        size = hardware.bolt(row["size"])
        low, high = (solid_of(reread(piece, joint[side])) for side in ("low", "high"))
        axis, inward = np.array(row["axis"]), -np.array(row["open"])
        middle = np.array(row["base"]) + row["inset_mm"] * inward
        flange = row["flange_mm"]

        rod = partial(along, middle, axis)

        washer = size.washer_thickest_mm
        head_at = -flange - washer
        shank = rod(head_at, head_at + row["length_mm"], size.diameter_mm)
        head = rod(head_at - size.head_height_mm, head_at, size.head_knurled_mm)
        plate = rod(head_at, -flange, size.washer_mm)
        for item in (shank, head, plate):
            assert (item ^ low).volume() < 0.02
            assert (item ^ high).volume() < 0.02
        # The whole screw lies in its pocket before it is put through.
        back = tuple((-(row["length_mm"] - flange + flange - washer) * axis).tolist())
        assert (shank.translate(back) ^ low).volume() < 0.02
        assert (head.translate(back) ^ low).volume() < 0.02
        assert row["length_mm"] >= 2 * flange + washer + size.nut_height_mm
        # A nut with its flats along the pocket fits; turned by 30 degrees it does not.
        reach = size.nut_flats_mm / np.sqrt(3)
        across = np.cross(axis, inward)
        for turn, fits in ((30.0, True), (0.0, False)):
            angle = np.radians(turn + 60 * np.arange(6))
            ring = np.cos(angle)[:, None] * across + np.sin(angle)[:, None] * inward
            start, end = middle + flange * axis, middle + (flange + size.nut_height_mm) * axis
            nut = solid.hull(np.concatenate([start + reach * ring, end + reach * ring]))
            assert ((nut ^ high).volume() < 0.02) == fits


@pytest.mark.parametrize("kind", KINDS)
def test_every_step_of_the_assembly_is_free_along_its_way(
    made: dict[str, ms.Workpiece], kind: str
) -> None:
    piece = made[kind]
    told = figures(piece)["assembly"]
    names = [row["body"] for row in figures(piece)["parts"]]
    assert sorted(told["order"]) == sorted(names)
    solids = {name: solid_of(reread(piece, name)) for name in names}
    placed = set(names)
    moved_in: list[str] = []
    graph: nx.DiGraph[str] = nx.DiGraph()
    for step in told["steps"]:
        graph.add_edges_from((below, step["part"]) for below in step["onto"])
        moving = [step["part"], *step["with"]]
        for way in (0.3, 1.0, 5.0, 9.0, 40.0):
            shift = tuple((-way * np.array(step["direction"])).tolist())
            for mover in moving:
                for fixed in step["onto"]:
                    depth = overlap_depth_mm(solids[mover].translate(shift), solids[fixed])
                    assert depth <= 0.01, (step, way)
        assert step["met_mm"] <= 0.01
        moved_in += moving
    assert nx.is_directed_acyclic_graph(graph)
    assert placed - set(moved_in)  # the first lies still
    for name in names:
        assert told["order"].index(name) >= max(
            (told["order"].index(below) for below in graph.predecessors(name)), default=-1
        )


@pytest.mark.parametrize("kind", KINDS)
def test_the_cavity_face_runs_on_over_a_seam(made: dict[str, ms.Workpiece], kind: str) -> None:
    piece = made[kind]
    pad = reread(piece, "pad")
    joints = [joint for joint in figures(piece)["joints"] if joint["kind"] == "cut"]
    upright = [joint for joint in joints if joint["axis"] in ("x", "y")]
    assert upright
    for joint in upright[:2]:
        axis = "xyz".index(joint["axis"])
        curves = []
        for side, sign in (("low", -1.0), ("high", 1.0)):
            origin = np.zeros(3)
            origin[axis] = joint["at_mm"] + sign * 0.01
            mesh = reread(piece, joint[side])
            section = mesh.section(plane_origin=origin, plane_normal=np.eye(3)[axis])
            keep = [k for k in range(3) if k != axis]
            points = np.concatenate(
                [
                    shapely.LineString(line[:, keep]).segmentize(1.0).coords
                    for line in section.discrete
                ]
            )
            lines = [line[:, keep] for line in section.discrete]
            curves.append((shapely.MultiLineString(lines), points))
        for (_, points), (other, _) in (curves, curves[::-1]):
            spread = np.zeros((len(points), 3))
            spread[:, [k for k in range(3) if k != axis]] = points
            spread[:, axis] = joint["at_mm"]
            fine = points[distance_to(pad, spread)[0] < 0.03]
            assert len(fine) > 10
            assert shapely.distance(shapely.points(fine), other).max() < 0.05


def ceilings_mm2(
    mesh: trimesh.Trimesh, key: dict[str, Any], reach: float, deep: float, up: float
) -> float:
    """What hangs more than 45 degrees over, off the bed, about a key's axis near the cut."""
    axis = np.array(key["axis"])
    inset = key.get("inset_mm", key.get("long_mm", 0.0))  # of a bolt, of a ridge's end
    middle = np.array(key["base"]) - inset * np.array(key.get("open", axis))
    offset = mesh.triangles_center - middle
    along = offset @ axis
    beside = np.linalg.norm(offset - along[:, None] * axis, axis=1)
    bed = mesh.bounds[0 if up > 0 else 1, 2]
    hangs = (beside < reach) & (np.abs(along) < deep)
    hangs &= np.abs(mesh.triangles_center[:, 2] - bed) > 0.1
    hangs &= up * mesh.face_normals[:, 2] < -np.sin(np.radians(45.05))
    return float(mesh.area_faces[hangs].sum())


@pytest.mark.parametrize("kind", KINDS)
def test_joints_print_without_support(made: dict[str, ms.Workpiece], kind: str) -> None:
    """The cavity as it stands, the core upside down."""
    piece = made[kind]
    for joint, key in cuts(piece, kind):
        up = -1.0 if joint["low"].startswith("core") else 1.0
        reach, deep = {
            "pegs": (0.75 * key.get("base_mm", 0.0), 24.0),
            "dovetail": (key.get("top_mm", 0.0) / 4, 7.0),
            "dowels": (0.75 * key.get("base_mm", 0.0), 24.0),
            "bolted": (key.get("hole_mm", 0.0) + 1.0, 24.0),
        }[kind]
        for side in ("low", "high"):
            assert ceilings_mm2(piece.body(joint[side]), key, reach, deep, up) < 0.1
