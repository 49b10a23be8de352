"""How a mold's parts go together: an order, and each step's way, checked by moving along it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from ...geometry import solid
from ...workpiece import Finding
from .cut_planes import Cut
from .separating import Separated

__all__ = ["Assembly", "BodyParts", "assembled"]

Floats = NDArray[np.float64]
Vector = tuple[float, float, float]
_TOUCH_MM = 0.01  # parts that meet by less than this only touch
_STEPS_MM = (0.2, 3.0, 7.0)
_FILM_MM3 = 0.05


@dataclass(frozen=True, slots=True)
class BodyParts:
    """One body as it was cut: its parts by name, its cuts, where its keys open (-1 or 1)."""

    names: Sequence[str]
    separated: Separated
    cuts: Sequence[Cut]
    opening: int


@dataclass(slots=True)
class _Step:
    """`part` and those joined to it before move along `direction` to `onto`."""

    part: str
    along: list[str]
    onto: list[str]
    direction: Vector | None
    joint: str
    met_mm: float = 0.0

    def figures(self) -> dict[str, Any]:
        return {
            "part": self.part,
            "with": self.along,
            "onto": self.onto,
            "direction": None if self.direction is None else list(self.direction),
            "joint": self.joint,
            "met_mm": round(self.met_mm, 4),
        }


@dataclass(slots=True)
class Assembly:
    """Steps in the order they are done."""

    steps: list[_Step] = field(default_factory=list)

    def figures(self) -> dict[str, Any]:
        """The order of the parts, and the steps, for the stage log.

        The order is that of a graph: a part comes after those it is put onto.
        """
        graph = nx.DiGraph()
        rank: dict[str, int] = {}
        for step in self.steps:
            for name in (*step.onto, step.part, *step.along):
                rank.setdefault(name, len(rank))
            graph.add_nodes_from([step.part, *step.onto])
            graph.add_edges_from((below, step.part) for below in step.onto)
        order = list(nx.lexicographical_topological_sort(graph, key=rank.__getitem__))
        return {"order": order, "steps": [step.figures() for step in self.steps]}

    def findings(self) -> list[Finding]:
        return [
            Finding(
                "assembly-blocked",
                "warning",
                f"{step.part} runs {step.met_mm:.2f} mm into "
                f"{' and '.join(step.onto)} on its way to its place: file it there, or choose "
                "another joint",
                step.part,
            )
            for step in self.steps
            if step.met_mm > _TOUCH_MM
        ]


def assembled(
    bodies: Mapping[str, BodyParts],
    whole: Mapping[str, solid.Solid],
    opening: Sequence[Mapping[str, Any]],
) -> Assembly:
    """The steps from single parts to the closed mold.

    Parts of a body join along x to rows, rows along y to layers, layers along z; a
    dovetail's part slides along its ridge instead. Then the bodies close in the order
    opposite to that in which they open.

    whole : the bodies before they were cut, with the keys between them; opening : as
    `block` verified it, empty for a cavity and its cover
    """
    assembly = Assembly()
    for parts in bodies.values():
        assembly.steps += _body_steps(parts)
    assembly.steps += _closing(bodies, whole, opening)
    return assembly


def _body_steps(body: BodyParts) -> list[_Step]:
    """From the parts of one body to the body."""
    clusters: dict[tuple[int, ...], list[str]] = {}
    for name, part in zip(body.names, body.separated.parts, strict=True):
        clusters.setdefault(_cell(part, body.cuts), []).append(name)
    solids = dict(zip(body.names, body.separated.parts, strict=True))
    steps = []
    for axis in range(3):
        rows: dict[tuple[int, ...], list[tuple[int, ...]]] = {}
        for cell in sorted(clusters):
            rows.setdefault(cell[:axis] + cell[axis + 1 :], []).append(cell)
        merged: dict[tuple[int, ...], list[str]] = {}
        for row in rows.values():
            base = list(clusters[row[0]])
            for cell in row[1:]:
                group = clusters[cell]
                steps.append(_joined(body, solids, base, group, axis))
                base += group
            merged[(*row[0][:axis], 0, *row[0][axis + 1 :])] = base
        clusters = merged
    return steps


def _cell(part: solid.Solid, cuts: Sequence[Cut]) -> tuple[int, ...]:
    box = np.reshape(part.bounding_box(), (2, 3))
    middle = box.mean(axis=0)
    return tuple(
        sum(cut.at < middle[axis] for cut in cuts if cut.axis == axis) for axis in range(3)
    )


def _joined(
    body: BodyParts,
    solids: Mapping[str, solid.Solid],
    base: list[str],
    group: list[str],
    axis: int,
) -> _Step:
    """The step that puts a group onto what lies on the low side of a cut across `axis`."""
    number = {name: row for row, name in enumerate(body.names)}
    low, high = {number[name] for name in base}, {number[name] for name in group}
    met = [
        (*ends, cut)
        for one, other, cut in body.separated.joints
        for ends in ((one, other), (other, one))  # pegs stand on either side
        if cut.axis == axis and ends[0] in low and ends[1] in high
    ]
    joint = met[0][2].joint if met else "flat"
    if joint == "dovetail":
        direction: Vector = (0.0, 0.0, float(body.opening))
        longest = max(key.described()["long_mm"] for _, _, cut in met for key in cut.keys)
        ways = (*_STEPS_MM, *np.arange(15.0, longest, 15.0).tolist())
    else:
        x, y, z = (0.0 - np.eye(3)[axis]).tolist()
        direction, ways = (x, y, z), _STEPS_MM
    depth = _met_mm(
        [solids[name] for name in group], [solids[name] for name in base], direction, ways
    )
    lead = sorted({other for _, other, _ in met}) or sorted(high)
    onto = [body.names[row] for row in sorted({one for one, _, _ in met})] or [base[-1]]
    part = body.names[lead[0]]
    return _Step(part, [name for name in group if name != part], onto, direction, joint, depth)


def _met_mm(
    movers: Sequence[solid.Solid],
    fixed: Sequence[solid.Solid],
    direction: Vector,
    ways: Sequence[float],
) -> float:
    """How deep a group enters what stands already, on the last of its way.

    Two sides of a plane meet only where keys cross it: farther out than these reach there
    is nothing to meet.
    """
    deepest = 0.0
    for way in ways:
        shift = np.eye(4)
        shift[:3, 3] = -way * np.asarray(direction)
        for mover in movers:
            moved = solid.moved(mover, shift)
            for other in fixed:
                if _apart(moved, other):
                    continue
                shared = solid.intersection(moved, other)
                deepest = max([deepest, *_thicknesses(shared)])
    return deepest


def _apart(one: solid.Solid, other: solid.Solid) -> bool:
    a, b = (np.reshape(body.bounding_box(), (2, 3)) for body in (one, other))
    return bool((a[0] > b[1]).any() or (b[0] > a[1]).any())


def _thicknesses(shared: solid.Solid) -> Iterator[float]:
    """Twice the volume by the area of each lump: how thick a film is."""
    if shared.is_empty():
        return
    for lump in solid.components(shared):
        if solid.volume_mm3(lump) > _FILM_MM3:
            yield 2 * solid.volume_mm3(lump) / solid.area_mm2(lump)


def _closing(
    bodies: Mapping[str, BodyParts],
    whole: Mapping[str, solid.Solid],
    opening: Sequence[Mapping[str, Any]],
) -> Iterator[_Step]:
    """The bodies put together: the last to leave first."""
    if not opening:
        lower, upper = list(bodies)[:2]
        down: Vector = (0.0, 0.0, -1.0)
        depth = _met_mm([whole[upper]], [whole[lower]], down, _STEPS_MM)
        first, *rest = bodies[upper].names
        yield _Step(first, rest, list(bodies[lower].names), down, "flange", depth)
        return
    placed: list[str] = []
    for row in reversed(opening):
        first, *rest = bodies[row["body"]].names
        x, y, z = (0.0 - float(value) for value in row["direction"])
        if placed:
            depth = float(row.get("penetration_mm", 0.0))
            yield _Step(first, rest, list(placed), (x, y, z), "flange", depth)
        placed += [first, *rest]
