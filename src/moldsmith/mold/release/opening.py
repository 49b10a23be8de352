"""The order in which a mold opens, each step verified by moving the body out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from ...geometry import solid
from ...geometry.topology import components
from ...workpiece import Vector

__all__ = ["CONTACT_MM", "Release", "lift_off", "opened", "swept_mm"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
CONTACT_MM = 0.01  # what two bodies may enter each other by on the way out
_FIRST_STEPS_MM = (0.1, 0.3, 1.0, 2.0, 4.0, 7.0, 11.0, 16.0)
_STEP_MM = 12.0
_DIRECTIONS = 48
_FILM_MM = 0.003
_AXES = solid.rotation_to(np.array([0.48, 0.36, 0.8]))
_FREE: tuple[float, Vector] = (0.0, (0.0, 0.0, 0.0))


@dataclass(frozen=True, slots=True)
class Release:
    """A body on its way out: travel until it is clear of all others, and how deep it met them.

    penetration_mm : into the rigid bodies still in place; casting_mm : into the casting,
    which gives way by that much; where, casting_where : the deepest places of both before
    the move; after : the bodies that must have left before
    """

    body: str
    direction: Vector
    travel_mm: float
    penetration_mm: float
    casting_mm: float = 0.0
    where: Vector = (0.0, 0.0, 0.0)
    after: tuple[str, ...] = ()
    casting_where: Vector = (0.0, 0.0, 0.0)

    def figures(self) -> dict[str, Any]:
        return {
            "body": self.body,
            "direction": [round(value, 5) for value in self.direction],
            "travel_mm": round(self.travel_mm, 2),
            "penetration_mm": round(self.penetration_mm, 4),
            "casting_mm": round(self.casting_mm, 3),
            "after": list(self.after),
        }


def opened(
    bodies: Mapping[str, solid.Solid],
    directions: Mapping[str, Vector],
    casting: solid.Solid | None = None,
) -> tuple[list[Release], list[str]]:
    """The releases in an order in which each body is free of those still in place.

    Also names the bodies that block each other in a ring, for which there is no such
    order. A body that another would run into waits for that one (a directed graph,
    sorted topologically; ties in the order given).
    """
    names = list(bodies)
    met = {
        (name, other): swept_mm(bodies[name], bodies[other], directions[name], CONTACT_MM)
        for name in names
        for other in names
        if other != name
    }
    graph = nx.DiGraph()
    graph.add_nodes_from(names)
    graph.add_edges_from(
        (other, name) for (name, other), (depth, _) in met.items() if depth > CONTACT_MM
    )
    rank = {name: number for number, name in enumerate(names)}
    rings = [sorted(ring, key=rank.__getitem__) for ring in nx.strongly_connected_components(graph)]
    stuck = max(rings, key=lambda ring: (len(ring), -rank[ring[0]]), default=[])
    stuck = stuck if len(stuck) > 1 else []
    if stuck:
        order = names
    else:
        order = list(nx.lexicographical_topological_sort(graph, key=rank.__getitem__))
    releases = []
    for number, name in enumerate(order):
        left = order[number + 1 :]
        depth, where = max((met[name, other] for other in left), default=_FREE)
        if depth > CONTACT_MM:  # it was measured no further than to see that it is not free
            depth, where = max(
                swept_mm(bodies[name], bodies[other], directions[name])
                for other in left
                if met[name, other][0] > CONTACT_MM
            )
        soft, soft_where = _FREE
        if casting is not None and left:
            soft, soft_where = swept_mm(bodies[name], casting, directions[name])
        travel = max((_travel(bodies[name], bodies[other], directions[name]) for other in left),
                     default=_height(bodies[name], directions[name]))  # fmt: skip
        waits = tuple(sorted(graph.predecessors(name), key=rank.__getitem__))
        releases.append(
            Release(name, directions[name], travel, depth, soft, where, waits, soft_where)
        )
    return releases, stuck


def lift_off(
    name: str, cover: solid.Solid, rest: solid.Solid, direction: Vector = (0.0, 0.0, 1.0)
) -> Release:
    """The release of a cover from the body under it."""
    depth, where = swept_mm(cover, rest, direction)
    return Release(name, direction, _travel(cover, rest, direction), depth, 0.0, where)


def swept_mm(
    mover: solid.Solid, fixed: solid.Solid, direction: Vector, enough_mm: float = np.inf
) -> tuple[float, Vector]:
    """How deep a body enters another while it moves off along a direction, and where.

    Steps from a tenth of a millimetre up until the two are clear; their intersections'
    lumps are measured. Ends at the first step deeper than `enough_mm`.
    """
    way = np.asarray(direction)
    deepest, place = 0.0, (0.0, 0.0, 0.0)
    for step in _steps(_travel(mover, fixed, direction)):
        matrix = np.eye(4)
        matrix[:3, 3] = step * way
        shared = solid.intersection(solid.moved(mover, matrix), fixed)
        if shared.is_empty():
            continue
        depth, middle = _depth(*_without_films(shared))
        if depth > deepest:
            x, y, z = (float(value) for value in middle - step * way)
            deepest, place = depth, (x, y, z)
        if deepest > enough_mm:
            break
    return deepest, place


def _steps(travel: float) -> list[float]:
    far = np.arange(_FIRST_STEPS_MM[-1] + _STEP_MM, travel, _STEP_MM)
    return [step for step in (*_FIRST_STEPS_MM, *far.tolist()) if step < travel]


def _travel(mover: solid.Solid, fixed: solid.Solid, direction: Vector) -> float:
    """The way after which no part of the mover can meet the fixed any more."""
    way = np.asarray(direction)
    return max(_reach(fixed, way)[1] - _reach(mover, way)[0], 0.0)


def _height(body: solid.Solid, direction: Vector) -> float:
    low, high = _reach(body, np.asarray(direction))
    return high - low


def _reach(body: solid.Solid, way: Floats) -> tuple[float, float]:
    along = solid.to_mesh(body).vertices @ way
    return float(along.min()), float(along.max())


def _without_films(shared: solid.Solid) -> tuple[solid.Solid, float]:
    """An intersection without the films where faces only slide on each other, and how much
    thinner it is for that.

    Bodies read from files rub by their rounding all along a wall; a hook that hangs on such a
    film would drown in its area. What is left is in itself moved by `_FILM_MM` along three axes:
    of these one at least crosses any film at 55 degrees or less.
    """
    thick = shared
    for way in _AXES:
        matrix = np.eye(4)
        matrix[:3, 3] = _FILM_MM * way
        thick = solid.intersection(thick, solid.moved(shared, matrix))
        if thick.is_empty():
            return shared, 0.0
    return thick, _FILM_MM


def _depth(shared: solid.Solid, thinner_mm: float) -> tuple[float, Floats]:
    """The greatest depth of an intersection's lumps, and its middle.

    Of each lump the lesser of its least width and four times its volume over its area:
    for a film that is twice its thickness, for a wedge its greatest.
    """
    mesh = solid.to_mesh(shared)
    vertices, faces = np.asarray(mesh.vertices), np.asarray(mesh.faces)
    count, lump = components(faces)
    a, b, c = (vertices[faces[:, corner]] for corner in range(3))
    cross = np.cross(b - a, c - a)
    area = np.bincount(lump, np.linalg.norm(cross, axis=1) / 2, count)
    # Volumes from a corner of the lump itself: far from the origin they would drown.
    origin = np.zeros((count, 3))
    origin[lump] = a
    volume = np.bincount(lump, np.einsum("ij,ij->i", a - origin[lump], cross) / 6, count)
    depth = np.minimum(
        _least_widths(vertices, faces, lump, count), 4 * volume / np.maximum(area, 1e-12)
    )
    deepest = int(np.argmax(depth))
    middle = vertices[np.unique(faces[lump == deepest])].mean(axis=0)
    return float(depth[deepest]) + thinner_mm, middle


def _least_widths(vertices: Floats, faces: Ints, lump: Ints, count: int) -> Floats:
    """The least width (count,) of each lump over directions all round."""
    owner = np.empty(len(vertices), dtype=np.int64)
    owner[faces.ravel()] = np.repeat(lump, 3)
    order = np.argsort(owner, kind="stable")
    start = np.searchsorted(owner[order], np.arange(count))
    along = (vertices @ _compass().T)[order]
    spread = np.maximum.reduceat(along, start) - np.minimum.reduceat(along, start)
    return np.asarray(spread.min(axis=1))


def _compass() -> Floats:
    """Unit vectors spread evenly over a half sphere (a Fibonacci lattice)."""
    count = np.arange(_DIRECTIONS)
    z = 1 - (count + 0.5) / _DIRECTIONS
    around = np.pi * (3 - np.sqrt(5)) * count
    ring = np.sqrt(1 - z * z)
    return np.stack([ring * np.cos(around), ring * np.sin(around), z], axis=1)
