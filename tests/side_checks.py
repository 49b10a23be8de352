"""Measures of a mold of side pieces round a core, on its files as read back from disk.

Like `checks`, nothing here uses the kernels that made it.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from itertools import combinations, pairwise
from typing import Any

import manifold3d
import numpy as np
import shapely
import trimesh
from scipy.spatial import cKDTree

import checks
from checks import Floats, Run, Solid

__all__ = ["SideRun"]

GROOVE_MM = 1.5  # as the keys' documentation states: the block's outside is cut no deeper
CONTACT_MM = 0.01
SKIN_MM = 0.1  # of the walls of jackets: left out where the room inside them is measured
NEAR_MM = 5.0


class SideRun(Run):
    """The folder of one finished piece whose mold is of side pieces."""

    @cached_property
    def names(self) -> list[str]:
        return list(self.figures("block")["mold_bodies"])

    @cached_property
    def closed(self) -> dict[str, Solid]:
        """The bodies as `block` wrote them, where they belong in the closed mold."""
        return {name: checks.solid(self.body(name, "block")) for name in self.names}

    @cached_property
    def pad(self) -> Solid:
        return checks.solid(self.body("pad", "block"))

    @cached_property
    def opening(self) -> list[Mapping[str, Any]]:
        return list(self.figures("block")["opening"])

    @cached_property
    def room(self) -> Solid:
        """What the closed mold leaves empty inside its outer skin; of jackets, inside their walls
        and flanges and outside their hollow core."""
        outline = shapely.Polygon(self.figures("block")["outline_plan"])
        top = max(body.bounding_box()[5] for body in self.closed.values())
        room = checks.extruded(outline.buffer(-GROOVE_MM - 0.1), 0.5, top - 0.5)
        told = self.figures("block").get("jacket") or {}
        if told.get("outside"):
            room = room ^ (_within(told["outside"], -SKIN_MM) + self._flanges(told["flange_mm"]))
        if told.get("inside"):
            room = room - _within(told["inside"], SKIN_MM)
        for body in self.closed.values():
            room = room - body
        return room

    def thin_walls(self, wall_mm: float) -> list[str]:
        """Hollows of jackets that come nearer to void or core than their wall.

        That there is wall as far as these hollows is told by what is lost of the room.
        """
        figures = self.figures("block")
        told, core = figures["jacket"], self.closed["core"] - checks.union(*self._keys())
        hollows, solids = {}, {"pad": self.pad, "core": core}
        if told["outside"]:
            top = core.bounding_box()[5]
            block = checks.extruded(shapely.Polygon(figures["outline_plan"]), 0.0, top)
            outside = _within(told["outside"], 0.0) + self._flanges(told["flange_mm"])
            hollows["outside"] = block - outside, ("pad", "core")
        if told["inside"]:
            hollows["inside"] = _within(told["inside"], 0.0), ("pad",)
        return [
            f"{name} to {other}: {gap:.3f} mm"
            for name, (hollow, others) in hollows.items()
            for other in others
            if (gap := hollow.min_gap(solids[other], 2 * wall_mm)) < wall_mm - 0.01
        ]

    def _flanges(self, thick_mm: float) -> Solid:
        """The flanges of jackets: all that is within their thickness of a curtain.

        A little less, since between rows of a curtain that turns a hull is more.
        """
        figures = self.figures("block")
        axis, half = np.asarray(figures["axis"]), thick_mm - 10 * SKIN_MM
        strips = []
        for degrees in figures["curtains_deg"]:
            turn = np.radians(np.asarray(degrees))
            ray = np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=1)
            aside = half * np.stack([-ray[:, 1], ray[:, 0], 0 * turn], axis=1)
            far = axis + 500 * ray
            ends = np.stack([axis - aside, axis + aside, far - aside, far + aside], axis=1)
            strips += [
                manifold3d.Manifold.hull_points(np.concatenate(pair)) for pair in pairwise(ends)
            ]
        return checks.union(*strips)

    @cached_property
    def clearances_mm3(self) -> float:
        """The room that keys leave in their sockets, and what was relieved."""
        figures = self.figures("block")
        gaps = sum(
            checks.socket_gap_mm3(peg, joint["clearance_mm"])
            for joint in figures["joints"]
            for peg in joint["pegs"]
        )
        return float(gaps + figures["relieved_mm3"])

    @property
    def void_mm3(self) -> float:
        """The void by block less bodies, not by the pad."""
        return float(self.room.volume()) - self.clearances_mm3

    def faulty_bodies(self) -> list[str]:
        """Bodies that are not closed, oriented, pinch-free and of one part."""
        found = []
        for name in self.names:
            mesh = self.body(name, "block")
            faults = checks.directed_edge_faults(mesh), checks.pinched_vertices(mesh)
            if faults != (0, 0) or checks.piece_count(mesh) != 1 or mesh.volume <= 0:
                found.append(f"{name}: {faults}, {checks.piece_count(mesh)} parts")
        return found

    def overlaps(self) -> list[str]:
        """Pairs of bodies that share more than a film of 0.01 mm."""
        shared = {
            (one, other): checks.overlap_depth_mm(self.closed[one], self.closed[other])
            for one, other in combinations(self.names, 2)
        }
        return [f"{pair}: {depth:.3f} mm" for pair, depth in shared.items() if depth > CONTACT_MM]

    def lost_mm3(self) -> float:
        """What is neither body nor pad nor clearance."""
        return float((self.room - self.pad).volume()) - self.clearances_mm3

    def stuck(self) -> list[str]:
        """Bodies that, in the stated order and direction, run into one still in place."""
        found, left = [], list(self.names)
        for step in self.opening:
            left.remove(step["body"])
            if not left:
                break
            rest = checks.union(*(self.closed[name] for name in left))
            travel = step["travel_mm"]
            steps = [0.2, 0.7, 2.5, 6.0, *np.linspace(10, travel, 5).tolist()]
            depth = checks.swept_overlap_mm(
                self.closed[step["body"]], rest, step["direction"], steps
            )
            if depth > CONTACT_MM:
                found.append(f"{step['body']}: {depth:.3f} mm")
        return found

    def casting_held_mm(self) -> float:
        """How deep the side pieces meet the casting on their way out."""
        return max(
            checks.swept_overlap_mm(self.closed[step["body"]], self.pad, step["direction"])
            for step in self.opening
            if step["body"] != "core"
        )

    @cached_property
    def pockets(self) -> list[checks.Pocket]:
        """The air pockets of the void, also those that only just miss the limit.

        Of the pad's shape, which the void has: in the void itself films of no volume between
        bodies that touch would count as pockets.
        """
        limit = self.log("channels")["parameters"]["pocket_mm"]
        return checks.air_pockets(self.pad, limit - checks.ROUGH_MM)

    def gap_errors(self, count: int = 3000) -> tuple[Floats, Floats]:
        """How far the gap between core and side pieces is from what was asked; and the rim
        distance.

        Sampled on the face of the core, where it is neither print nor the casting's edge: that
        stands `edge_mm` high on the trim line, so it lies nearer to the line than any other place.
        """
        asked = self.log("shell")["parameters"]
        core, pad, patch = (
            self.body("core", "block"),
            self.body("pad", "block"),
            self.body("scan", "block"),
        )
        points = np.asarray(trimesh.sample.sample_surface(core, 2 * count, seed=1)[0])
        back = cKDTree(pad.triangles_center).query(points)[0] < NEAR_MM
        points = points[back][: count + count // 4]
        points = points[checks.distance_to(pad, points)[0] < 0.005]
        points = points[_off_trim_line(patch, points) > 1.02 * asked["edge_mm"]][:count]
        sides = trimesh.util.concatenate([self.body(name, "block") for name in self.names[:-1]])
        near = cKDTree(patch.vertices).query(sides.triangles_center)[0] < NEAR_MM
        gap, foot = checks.distance_to(sides.submesh([np.flatnonzero(near)], append=True), points)
        scanned = foot if asked["side"] == "inward" else points
        least, most, rim = checks.wanted_thickness(patch, scanned, asked)
        return np.where(gap < least, gap - least, np.maximum(gap - most, 0)), rim

    def sums_that_differ(self) -> list[str]:
        """Bodies that differ from their parts by more than the cuts' clearances."""
        split = self.figures("split")
        of = {row["body"]: row["of"] for row in split["parts"]}
        found = []
        for name in self.names:
            pegs = [peg for joint in self.joints("cut") if of[joint["low"]] == name
                    for peg in joint["pegs"]]  # fmt: skip
            gaps = sum(checks.socket_gap_mm3(peg, split["clearance_mm"]) for peg in pegs)
            wanted = self.body(name, "fasten").volume - gaps
            parts = sum(part.volume() for part in self.parts_of(name).values())
            if abs(parts - wanted) > 1e-3 * wanted:
                found.append(f"{name}: {parts - wanted:+.0f} mm³")
        return found

    def off_the_bed(self, volume_mm: Floats) -> list[str]:
        """Parts that, in their print pose, do not lie on the bed or leave the printer's volume."""
        found = []
        for row in self.figures("split")["parts"]:
            mesh = self.body(row["body"], "split")
            low, high = mesh.apply_transform(np.asarray(row["pose"])).bounds
            if abs(low[2]) > 0.01 or (low < -0.01).any() or (high > volume_mm + 0.01).any():
                found.append(f"{row['body']}: {low} to {high}")
        return found

    def faulty_parts(self) -> list[str]:
        """Split parts that are not closed, oriented, pinch-free and of one part."""
        found = []
        for row in self.figures("split")["parts"]:
            mesh = self.body(row["body"], "split")
            faults = checks.directed_edge_faults(mesh), checks.pinched_vertices(mesh)
            if faults != (0, 0) or checks.piece_count(mesh) != 1 or mesh.volume <= 0:
                found.append(f"{row['body']}: {faults}, {checks.piece_count(mesh)} parts")
        return found

    def badly_keyed(self) -> list[str]:
        """Keys that are not their clearance away from their sockets, to 0.02 mm."""
        found = []
        for joint in self.figures("block")["joints"]:
            low, high = (self.body(joint[end], "block") for end in ("low", "high"))
            for peg in joint["pegs"]:
                # On a print or a leaning curtain the socket's mouth lies beyond the key's foot.
                error = checks.clearances(low, high, peg, 0.6 * peg["length_mm"])
                error = error - joint["clearance_mm"]
                if np.abs(error).max() > 0.02:
                    found.append(f"{joint['low']} to {joint['high']} at {peg['base']}: "
                                 f"{error.min():+.3f} to {error.max():+.3f} mm")  # fmt: skip
        return found

    def poor_slots(self) -> list[str]:
        """Slots in seams that do not open both side pieces, or are nearer to what else is there
        than stated: 4 mm to void and core, 3 mm to keys and channels."""
        bodies = {name: checks.solid(self.body(name, "fasten")) for name in self.names}
        inner = [self.pad, checks.solid(self.body("core", "block"))]
        beside = [*self._keys(), *self._bores()]
        found = []
        for slot in self.figures("fasten")["pry_slots"]:
            blade = manifold3d.Manifold.hull_points(np.array(slot["corners"]))
            out = np.diff(np.array(slot["plan"]), axis=0)[0]
            aside = np.array([-out[1], out[0], 0.0]) / np.linalg.norm(out)
            moved = [blade.translate(tuple((way * aside).tolist())) for way in (-1.0, 1.0)]
            bites = [
                max(float((item ^ bodies[name]).volume()) for item in moved)
                for name in slot["between"]
            ]
            blocked = sum(float((blade ^ body).volume()) for body in bodies.values())
            gaps = [min(blade.min_gap(item, 9.0) for item in group) for group in (inner, beside)]
            if blocked > 1 or min(bites) < 80 or gaps[0] < 3.9 or gaps[1] < 2.9:
                found.append(f"{slot['between']} at {slot['low_z']}: {blocked:.1f} mm³ left, bites "
                             f"{bites} mm³, {gaps} mm away")  # fmt: skip
        return found

    def _keys(self) -> list[Solid]:
        joints = self.figures("block")["joints"]
        pegs = [(peg, joint["clearance_mm"]) for joint in joints for peg in joint["pegs"]]
        return [checks.frustum(peg, 0.0, peg["length_mm"] + gap, gap) for peg, gap in pegs]

    def _bores(self) -> list[Solid]:
        """The channels without their funnels' widening."""
        figures = self.figures("channels")
        return [
            manifold3d.Manifold.cylinder(
                row["outside_z"] - row["void_z"], row["void_mm"] / 2, row["outside_mm"] / 2, 32
            ).translate((row["x"], row["y"], row["void_z"]))
            for row in (*figures["sprues"], *figures["vents"])
        ]


def _off_trim_line(patch: trimesh.Trimesh, points: Floats) -> Floats:
    """How far points are from the border of an open patch."""
    edges = np.sort(patch.edges, axis=1)
    ends = patch.vertices[edges[trimesh.grouping.group_rows(edges, require_count=1)]]
    shares = np.linspace(0, 1, 16)[:, None, None]
    border = (ends[:, 0] * (1 - shares) + ends[:, 1] * shares).reshape(-1, 3)
    return np.asarray(cKDTree(border).query(points)[0])


def _within(face: Mapping[str, Any], more_mm: float) -> Solid:
    """What lies inside a jacket's face, as its log tells it; or a little more, or less."""
    z, middle = np.asarray(face["z"]), np.asarray(face["middle"])
    reach = np.asarray(face["reach"]) + more_mm
    count = reach.shape[1]
    turn = np.linspace(0, 2 * np.pi, count, endpoint=False)
    points = [(*middle[0], z[0])]
    for row, height in enumerate(z):
        points += [
            (middle[row, 0] + r * np.cos(t), middle[row, 1] + r * np.sin(t), height)
            for r, t in zip(reach[row], turn, strict=True)
        ]
    points.append((*middle[-1], z[-1]))
    faces = []
    for k in range(count):
        after = (k + 1) % count
        faces.append((0, 1 + after, 1 + k))
        for row in range(len(z) - 1):
            low, high = 1 + row * count, 1 + (row + 1) * count
            faces += [(low + k, low + after, high + k), (low + after, high + after, high + k)]
        faces.append((len(points) - 1, high + k, high + after))
    return checks.solid(trimesh.Trimesh(points, faces, process=False))
