"""The named measures of a standing body, each found by a search on its sections.

Names and definitions after ISO 8559-1:2017 (garment sizes) and ISO 7250-1:2017
(body measurements), cited by name: their clause numbers and wording are not
used. A scan shows no bones, so that a measure the standards place by a rib or
a joint is approximated by shape, and its definition says how. The bands of
height searched, in shares of stature, are from memory and wide.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import trimesh
from numpy.typing import NDArray

from ..errors import BadParameter
from ..geometry.paths import SurfacePaths
from ..workpiece import Frame
from .levels import (
    STEP,
    Band,
    Level,
    NotFoundError,
    breadth_mm,
    by_girth,
    level_outlines,
    slab_between,
    smoothed,
    within,
)
from .measuring import (
    Measure,
    Stance,
    Subject,
    nearest,
    raised,
    spanned,
    stance_of,
    taped,
    trunk_or_largest,
)
from .outline import Outline, outlines

__all__ = ["BodyMeasures", "measure_body"]

Floats = NDArray[np.float64]

STATURE_MM = (900.0, 2300.0)  # a child of four to the tallest; below, it is no whole body
CROTCH: Band = (0.38, 0.56)
HIP_ABOVE_CROTCH = 0.09
WAIST: Band = (0.575, 0.68)
ARMPIT_ABOVE, ARMPIT_BELOW = 0.69, 0.84
ARMS_JOIN = (0.02, 0.04)  # the trunk grows within this much height by that much width
CLEAR_OF_ARMS = 0.03  # below there: the skin of the armpits spans some height
NECK: Band = (0.80, 0.90)
NECK_REACH = 0.02  # from the least level girth to where tilted ones are tried
NECK_TILTS_DEG = (6.0, 12.0, 18.0, 24.0, 30.0)
THIGH_BELOW_CROTCH: Band = (0.005, 0.06)
CALF: Band = (0.15, 0.28)
ANKLE: Band = (0.045, 0.13)
# From the finger tips to half way between shoulder and elbow, in parts of the arm; lengths of
# its parts in statures from memory (Drillis and Contini 1966: 0.186, 0.146, hand 0.108).
UPPER_ARM = (0.108 + 0.146 + 0.186 / 2) / (0.108 + 0.146 + 0.186)
SHOULDER_OUT = 0.10  # of stature, the shoulder joint from the middle plane
ARM_STEP = 0.025  # of stature, between the points of the arm's middle line
ARM_REACH: Band = (0.40, 0.75)  # of the finger tips from the middle plane, along the skin

_TAPE = "level tape (perimeter of the hull)"
DEFINITIONS = {
    "stature": "ISO 7250-1 stature, ISO 8559-1 body height: floor to the highest point, hair "
    "included as scanned",
    "crotch height": "ISO 7250-1 crotch height, ISO 8559-1 inside leg height: lowest level at "
    "which the trunk is one",
    "waist height": "ISO 8559-1 waist height; the level of the waist girth",
    "waist girth": f"ISO 8559-1, ISO 7250-1 waist: {_TAPE} midway between lowest rib and iliac "
    "crest. Approximated: a scan shows no bones, so the least girth of the waist's band is taken",
    "hip girth": f"ISO 8559-1 hip girth: {_TAPE} at the greatest prominence of the buttocks; "
    "taken where the outline reaches farthest back above the crotch",
    "chest girth": f"ISO 8559-1, EN 13402-1 chest or bust girth: {_TAPE}, greatest under the "
    "armpits",
    "neck girth": "ISO 8559-1 neck girth: tape square to the neck, at its base. Approximated: the "
    "least girth among level and forward-tilted planes",
    "upper arm girth": "ISO 8559-1 upper arm girth: right arm, square to it, midway between "
    "shoulder and elbow. Approximated: no joints are seen, so at 0.79 of the arm's middle line "
    "from the finger tips to 0.10 of stature beside the middle plane",
    "thigh girth": f"ISO 8559-1 thigh girth: {_TAPE}, right leg, greatest below the crotch",
    "calf girth": f"ISO 8559-1, ISO 7250-1 calf: {_TAPE}, right leg, greatest between knee and "
    "ankle",
    "minimum leg girth": f"ISO 8559-1 minimum leg girth: {_TAPE}, right leg, least above the ankle",
    "chest breadth": "ISO 7250-1 chest breadth: across the trunk without arms, at the chest girth",
    "chest depth": "ISO 7250-1 chest depth: front to back, at the chest girth",
    "waist breadth": "breadth at the level of the waist girth; common practice",
    "waist depth": "depth at the level of the waist girth; common practice",
    "hip breadth": "ISO 7250-1 hip breadth, standing: across the hips, at the hip girth",
}


_OF_TRUNK = ("crotch height", "hip girth", "hip breadth", "waist height", "waist girth",
             "waist breadth", "waist depth", "thigh girth")  # fmt: skip
_OF_CHEST = ("chest girth", "chest breadth", "chest depth")


@dataclass(frozen=True, slots=True)
class BodyMeasures:
    """The measures found, and of those not found the reason by name."""

    measures: tuple[Measure, ...]
    missing: dict[str, str]

    def __getitem__(self, name: str) -> Measure:
        """The measure of that name.

        Raises
        ------
        BadParameter : it was not found; says why
        """
        for measure in self.measures:
            if measure.name == name:
                return measure
        if name in self.missing:
            raise BadParameter(f"{name} was not found: {self.missing[name]}", "Measure it by hand")
        raise BadParameter(f"no measure '{name}'", f"Choose one of {', '.join(DEFINITIONS)}")


def measure_body(
    subject: Subject | Stance, *, body: str = "scan", frame: Frame | None = None
) -> BodyMeasures:
    """Take the catalogue of named measures of a whole standing body.

    Parameters
    ----------
    subject : a piece, a mesh in mm or a stance, its up and facing known (run `stand` first)
    body, frame : as of `stance_of`

    Returns
    -------
    BodyMeasures; what a body does not show (an arm cut off, a trunk alone) is in `missing`

    Raises
    ------
    BadParameter : no such body, or it is not of a whole person's height
    """
    stance = subject if isinstance(subject, Stance) else stance_of(subject, body=body, frame=frame)
    stature = stance.height
    if not STATURE_MM[0] <= stature <= STATURE_MM[1]:
        raise BadParameter(
            f"the scan is {stature:.0f} mm high, no whole standing person "
            f"({STATURE_MM[0]:.0f} to {STATURE_MM[1]:.0f} mm)",
            "Check unit and up, or take girths by height or point",
        )
    top = stance.mesh.vertices[int(np.argmax(stance.mesh.vertices[:, 2]))]
    measures = [raised(stance, np.asarray(top), "stature", DEFINITIONS["stature"])]
    missing: dict[str, str] = {}

    def attempt(names: tuple[str, ...], take: Callable[[], list[Measure]]) -> None:
        try:
            measures.extend(take())
        except NotFoundError as reason:
            missing.update(dict.fromkeys(names, str(reason)))

    try:
        trunk = _trunk_levels(stance)
    except NotFoundError as reason:
        missing.update(dict.fromkeys((*_OF_TRUNK, *_OF_CHEST), str(reason)))
    else:
        attempt(_OF_TRUNK, lambda: _trunk_measures(stance, trunk))
        attempt(_OF_CHEST, lambda: _chest_measures(stance, trunk))
    attempt(("neck girth",), lambda: [_neck(stance)])
    attempt(("upper arm girth",), lambda: [_upper_arm(stance)])
    attempt(("calf girth",), lambda: [_leg(stance, "calf girth", CALF, np.argmax)])
    attempt(("minimum leg girth",), lambda: [_leg(stance, "minimum leg girth", ANKLE, np.argmin)])
    order = list(DEFINITIONS)
    measures.sort(key=lambda measure: order.index(measure.name))
    return BodyMeasures(tuple(measures), missing)


def _trunk_measures(stance: Stance, trunk: list[Level]) -> list[Measure]:
    """What is taken on the trunk up to the waist, and the thigh below it."""
    stature = stance.height
    crotch = trunk[0]
    hips = [one for one in trunk if one.height < crotch.height + HIP_ABOVE_CROTCH * stature]
    backs = np.array([one.outline.flat.bounds[1] for one in hips])
    hip = hips[int(np.argmin(smoothed(hips, backs)))]
    waist = _waist(trunk, stature)
    low, high = (crotch.height / stature - share for share in reversed(THIGH_BELOW_CROTCH))
    return [
        raised(stance, crotch.outline.middle, "crotch height", DEFINITIONS["crotch height"]),
        raised(stance, waist.outline.middle, "waist height", DEFINITIONS["waist height"]),
        *(
            taped(stance, level.outline, name, DEFINITIONS[name])
            for name, level in (("hip girth", hip), ("waist girth", waist))
        ),
        _spanned(stance, hip, "hip breadth"),
        _spanned(stance, waist, "waist breadth"),
        _spanned(stance, waist, "waist depth"),
        _leg(stance, "thigh girth", (low, high), np.argmax),
    ]


def _waist(trunk: list[Level], stature: float) -> Level:
    return by_girth(within(trunk, WAIST, stature), np.argmin, "the waist")


def _chest_measures(stance: Stance, trunk: list[Level]) -> list[Measure]:
    """What is taken on the trunk under the armpits."""
    stature = stance.height
    if trunk[-1].height < (ARMPIT_ABOVE - CLEAR_OF_ARMS) * stature:
        raise NotFoundError(
            f"the arms join the trunk at {trunk[-1].height / stature + CLEAR_OF_ARMS:.2f} of "
            f"stature, where no armpit is (from {ARMPIT_ABOVE:g}): they grew onto it in the scan"
        )
    low = _waist(trunk, stature).height + 0.02 * stature
    chests = [one for one in trunk if one.height > low]
    chest = by_girth(chests, np.argmax, "the chest below the armpits")
    girth = "chest girth"
    return [
        taped(stance, chest.outline, girth, DEFINITIONS[girth]),
        _spanned(stance, chest, "chest breadth"),
        _spanned(stance, chest, "chest depth"),
    ]


def _trunk_levels(stance: Stance) -> list[Level]:
    """The trunk's outlines from the crotch to the armpits, upward."""
    stature = stance.height
    slab = slab_between(stance.mesh, CROTCH[0] * stature, ARMPIT_BELOW * stature)
    start = round((CROTCH[1] - CROTCH[0]) / STEP)
    shares = CROTCH[0] + STEP * np.arange(int((ARMPIT_BELOW - CROTCH[0]) / STEP))
    cuts = level_outlines(slab, (shares * stature).astype(np.float64))
    levels = [_trunk_of(stance, height, found) for height, found in cuts]
    if levels[start] is None:
        raise NotFoundError(f"no trunk crosses the middle at {CROTCH[1]:g} of stature")
    first = start
    while first > 0 and levels[first - 1] is not None:
        first -= 1
    if first == 0:
        raise NotFoundError(f"the legs do not part above {CROTCH[0]:g} of stature")
    found = [_lowest(stance, slab, *shares[first - 1 : first + 1] * stature)]
    back, clear = round(ARMS_JOIN[0] / STEP), round(CLEAR_OF_ARMS / STEP)
    for level in levels[first:]:
        if level is None:
            break
        wide = breadth_mm(level)
        before = breadth_mm(found[-back]) if len(found) >= back else wide
        if level.height > WAIST[1] * stature and wide - before > ARMS_JOIN[1] * stature:
            return found[:-clear]
        found.append(level)
    raise NotFoundError("no armpit was found: nowhere do the arms join the trunk")


def _lowest(stance: Stance, slab: trimesh.Trimesh, below: float, above: float) -> Level:
    """The lowest level of the trunk between one below it and one on it, to half a millimetre."""
    best = _trunk_at(stance, slab, above)
    while above - below > 0.5:
        middle = (below + above) / 2
        level = _trunk_at(stance, slab, middle)
        if level is None:
            below = middle
        else:
            above, best = middle, level
    assert best is not None  # the level above was found before
    return best


def _trunk_at(stance: Stance, slab: trimesh.Trimesh, height: float) -> Level | None:
    return _trunk_of(stance, height, outlines(slab, (0, 0, height), (0, 0, 1)))


def _trunk_of(stance: Stance, height: float, found: list[Outline]) -> Level | None:
    for one in found:
        low, _, high, _ = one.flat.bounds
        if low < stance.middle - 15 and high > stance.middle + 15:
            return Level(height, one)
    return None


def _leg(stance: Stance, name: str, band: Band, which: Callable[[Floats], np.intp]) -> Measure:
    """The greatest or least level girth of the right leg in a band of stature."""
    stature = stance.height
    slab = slab_between(stance.mesh, band[0] * stature, band[1] * stature)
    levels = []
    for height, found in level_outlines(slab, np.arange(band[0], band[1], STEP) * stature):
        right = [one for one in found if one.middle[0] > stance.middle]
        if right and len(found) > 1:
            levels.append(Level(height, right[0]))
    level = by_girth(levels, which, "a leg apart from the other")
    return taped(stance, level.outline, name, DEFINITIONS[name])


def _neck(stance: Stance) -> Measure:
    """The least girth over heights, then over forward tilts round the middle of the neck there."""
    stature = stance.height
    slab = slab_between(stance.mesh, (NECK[0] - 0.06) * stature, (NECK[1] + 0.06) * stature)
    levels = [
        Level(height, trunk_or_largest(stance, found))
        for height, found in level_outlines(slab, np.arange(*NECK, STEP) * stature)
        if found
    ]
    level = by_girth(levels, np.argmin, "the neck")
    best = level.outline
    for one in levels:
        if abs(one.height - level.height) > NECK_REACH * stature:
            continue
        for tilt in np.radians(NECK_TILTS_DEG):
            tilted = outlines(slab, one.outline.middle, (0, np.sin(tilt), np.cos(tilt)))
            if tilted and (tape := nearest(tilted)).girth_mm < best.girth_mm:
                best = tape
    if best.girth_mm > 0.4 * stature:
        raise NotFoundError(f"no neck between {NECK[0]:g} and {NECK[1]:g} of stature")
    return taped(stance, best, "neck girth", DEFINITIONS["neck girth"])


def _upper_arm(stance: Stance) -> Measure:
    """Round the right arm, a known way from the finger tips, however the arm is held.

    The finger tips are the part above the knees that is farthest from the
    middle plane along the skin; the arm runs through the middles of the bands
    of equal distance from there.
    """
    stature, vertices = stance.height, np.asarray(stance.mesh.vertices)
    faces = np.asarray(stance.mesh.faces)
    side = vertices[:, 0] - stance.middle
    high = vertices[:, 2] > 0.30 * stature
    paths = SurfacePaths(vertices, faces)
    used = np.zeros(len(vertices), dtype=bool)
    used[faces] = True
    central = np.flatnonzero(used & (np.abs(side) < 0.01 * stature))
    if len(central) == 0:
        raise NotFoundError("nothing lies in the middle plane")
    reach = paths.edge_distance(central)
    reach[~(used & high & (side > 0) & np.isfinite(reach))] = 0.0
    tip = int(np.argmax(reach))
    if not ARM_REACH[0] * stature < reach[tip] < ARM_REACH[1] * stature:
        raise NotFoundError(
            f"no whole right arm: its farthest point is {reach[tip]:.0f} mm from the middle plane"
        )
    line = _arm_line(stance, paths.edge_distance([tip]), used & (side > 0), tip)
    run = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
    out = line[:, 0] - stance.middle
    inner = np.flatnonzero(out < SHOULDER_OUT * stature)
    if len(inner) == 0 or inner[0] == 0:
        raise NotFoundError("the right arm does not reach the shoulder")
    k = int(inner[0])
    share = (out[k - 1] - SHOULDER_OUT * stature) / (out[k - 1] - out[k])
    arm = run[k - 1] + share * (run[k] - run[k - 1])
    marks = UPPER_ARM * arm + np.array([-0.03, 0.0, 0.03]) * stature
    below, point, above = (
        np.array([np.interp(mark, run, line[:, axis]) for axis in range(3)]) for mark in marks
    )
    axis = above - below
    for _ in range(2):  # the middles of sections tell the arm's direction better than the line
        ends = [_arm_at(stance, place, axis).middle for place in (below, above)]
        axis = ends[1] - ends[0]
        below, above = ends
    found = _arm_at(stance, point, axis)
    return taped(stance, found, "upper arm girth", DEFINITIONS["upper arm girth"])


def _arm_line(stance: Stance, along: Floats, on_side: NDArray[np.bool_], tip: int) -> Floats:
    """The middle line of the right arm from the finger tips inward, points (k, 3)."""
    vertices, step = np.asarray(stance.mesh.vertices), ARM_STEP * stance.height
    points = [vertices[tip]]
    for k in range(2, round(ARM_REACH[1] / ARM_STEP)):
        band = on_side & (np.abs(along - k * step) < step / 2)
        if band.sum() < 4:
            break
        points.append((vertices[band].min(axis=0) + vertices[band].max(axis=0)) / 2)
    return np.array(points)


def _arm_at(stance: Stance, point: Floats, axis: Floats) -> Outline:
    found = outlines(stance.mesh, point, axis)
    if not found:
        raise NotFoundError("the right arm is not cut")
    return nearest(found)


def _spanned(stance: Stance, level: Level, name: str) -> Measure:
    kind: Literal["breadth", "depth"] = "depth" if name.endswith("depth") else "breadth"
    return spanned(stance, level.outline, kind, name, DEFINITIONS[name])
