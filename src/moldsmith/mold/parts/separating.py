"""One body cut into parts at its planes, each plane keyed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from ...geometry import solid
from ..keys import Key
from .cut_planes import Cut
from .keying import Joint, Keying, place_keys

__all__ = ["Separated", "separate"]

Floats = NDArray[np.float64]
_FLAKE_MM3 = 0.01  # of no use, and left out
_CRUMB_MM3, _CRUMB_MM = 100.0, 8.0  # too small to print: stays on its neighbour
_CONTACT_MM2 = 0.5


@dataclass(slots=True)
class Separated:
    """What the cutting of one body gave.

    joints : numbers of the part that holds the pegs and of the other, and the keys; weak : cuts
    with fewer keys than hold; changed : cuts that could not have the joint asked for;
    filled : rectangles of the plan over which a jacket's hollow is full again
    """

    parts: list[solid.Solid]
    joints: list[tuple[int, int, Cut]] = field(default_factory=list)
    weak: list[Cut] = field(default_factory=list)
    changed: list[Cut] = field(default_factory=list)
    filled: list[tuple[float, float, float, float]] = field(default_factory=list)


def separate(
    body: solid.Solid, cuts: list[Cut], clearance: float, joint: Joint, opening: int
) -> Separated:
    """Cut a body at all planes; what stands out goes to the side behind a cut's way.

    opening : -1 where keys may open to the body's underside, 1 to its top
    """
    pieces = [body]
    keyed: list[Cut] = []
    result = Separated([])
    for cut in cuts:
        pieces = _cut_all(pieces, cut, cuts, clearance, joint, opening, keyed, result)
    parts = [
        part
        for whole in pieces
        for part in solid.components(whole)
        if solid.volume_mm3(part) > _FLAKE_MM3
    ]
    parts = _without_crumbs(parts)
    result.parts = sorted(parts, key=lambda part: tuple(np.round(part.bounding_box()[:3], 2)))
    for cut in keyed:
        result.joints += _shared_out(result.parts, cut)
    return result


def _without_crumbs(parts: Sequence[solid.Solid]) -> list[solid.Solid]:
    """The parts with each crumb that cuts left joined again to the part it has most face with."""
    crumbs = [part for part in parts if _is_crumb(part)]
    large = [part for part in parts if not _is_crumb(part)]
    for crumb in crumbs:
        joined = [solid.union(part, crumb) if _near(part, crumb) else None for part in large]
        contact = [
            0.0
            if whole is None
            else sum(solid.area_mm2(each) for each in (part, crumb)) - solid.area_mm2(whole)
            for part, whole in zip(large, joined, strict=True)
        ]
        if max(contact, default=0.0) > _CONTACT_MM2:
            row = int(np.argmax(contact))
            large[row] = joined[row]
        else:
            large.append(crumb)
    return large


def _is_crumb(part: solid.Solid) -> bool:
    low, high = np.reshape(part.bounding_box(), (2, 3))
    return bool(solid.volume_mm3(part) < _CRUMB_MM3 and (high - low).max() < _CRUMB_MM)


def _near(one: solid.Solid, other: solid.Solid) -> bool:
    a, b = (np.reshape(body.bounding_box(), (2, 3)) for body in (one, other))
    return bool((a[0] < b[1] + 0.01).all() and (b[0] < a[1] + 0.01).all())


def _cut_all(
    pieces: list[solid.Solid],
    cut: Cut,
    cuts: list[Cut],
    clearance: float,
    joint: Joint,
    opening: int,
    keyed: list[Cut],
    result: Separated,
) -> list[solid.Solid]:
    """Cut every piece that the plane passes through; its keys go to `keyed` and `result`."""
    after: list[solid.Solid] = []
    crossed: list[tuple[solid.Solid, solid.Solid, solid.Solid, Keying]] = []
    for whole in pieces:
        high, low = solid.split_by_plane(whole, cut.way * np.eye(3)[cut.axis], cut.level)
        if high.is_empty() or low.is_empty():
            after.append(whole)
        else:
            keying = place_keys(whole, cut, cuts, clearance, joint, opening)
            crossed.append((whole, low, high, keying))
    kinds = {keying.joint for _, _, _, keying in crossed}
    for whole, low, high, keying in crossed:
        if len(kinds) > 1 and "dovetail" in kinds:
            # What slides along the cut does not go together with pegs square to it.
            keying = place_keys(whole, cut, cuts, clearance, "pegs", opening)
        groups = [replace(cut, keys=group, joint=keying.joint) for group in keying.groups]
        bolts = replace(cut, keys=keying.bolts, joint=keying.joint)
        after += _keyed(low, high, [*groups, bolts], clearance)
        keyed.append(replace(bolts, keys=_all_keys([*groups, bolts])))
        result.weak += [group for group in groups if len(group.keys) < keying.least]
        if keying.joint != joint:
            result.changed.append(cut)
    return after


def _all_keys(groups: Sequence[Cut]) -> list[Key]:
    return [key for group in groups for key in group.keys]


def _keyed(
    low: solid.Solid, high: solid.Solid, groups: Sequence[Cut], clearance: float
) -> list[solid.Solid]:
    keys = _all_keys(groups)
    if added := [body for key in keys for body in key.added()]:
        low = solid.union(low, *added)
    taken = [key.taken(clearance) for key in keys]
    low = solid.difference(low, *(body for below, _ in taken for body in below))
    high = solid.difference(high, *(body for _, above in taken for body in above))
    return [low, high]


def _shared_out(parts: list[solid.Solid], cut: Cut) -> list[tuple[int, int, Cut]]:
    """A cut's keys by the parts they join: later cuts may have divided both sides."""
    pairs: dict[tuple[int, int], list[Key]] = {}
    for key in cut.keys:
        low, high = (_holder(parts, point) for point in key.probes())
        if low is not None and high is not None:
            pairs.setdefault((low, high), []).append(key)
    return [(*ends, replace(cut, keys=keys)) for ends, keys in sorted(pairs.items())]


def _holder(parts: list[solid.Solid], point: Floats) -> int | None:
    """The part with the most material about a point."""
    low, high = point - 0.05, point + 0.05
    near = [
        number
        for number, part in enumerate(parts)
        if (np.asarray(part.bounding_box()[:3]) < high).all()
        and (np.asarray(part.bounding_box()[3:]) > low).all()
    ]
    probe = solid.box(low, high)
    shares = [solid.volume_mm3(solid.intersection(parts[number], probe)) for number in near]
    if not shares or max(shares) <= 0:
        return None
    return near[int(np.argmax(shares))]
