"""What is to be said about side pieces: what holds them, where, and what would not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from ...geometry import solid
from ...geometry.radial import TURNS
from ...workpiece import Finding, Vector
from ..release.held_pictures import held_faces, held_png, near
from ..release.opening import CONTACT_MM, Release
from .core_prints import Plugged
from .keys import Joint
from .pulls import MOST_SIDES, Surface
from .wedges import Sides, held_by_own

__all__ = [
    "Hold",
    "core_stretch",
    "findings_of",
    "held_picture",
    "hold_of",
    "hold_picture",
    "refusal",
    "unopened",
]

Floats = NDArray[np.float64]
_EASY_STRETCH = 25.0  # percent that a flexible foam gives without harm (common practice)


def refusal(
    plan: Sides, enough: int | None, softer: tuple[int, float] | None, back: Floats
) -> Finding:
    """The stop for a pad that the side pieces do not release, with what would.

    enough : the number of side pieces that come off when moved; softer : a number, and the
    undercut permitted, with which they do
    back : the 4 x 4 matrix from the mold's coordinates to those the place is told in
    """
    x, y, z = _moved(plan.where, back)
    if enough is not None:
        remedy = f"Choose pieces = {enough} (moved out, they come off), or 0 for the fewest"
    else:
        remedy = f"None of 2 to {MOST_SIDES} releases it: crop the hollow out, or smooth the scan"
        if softer is not None:
            count, permitted = softer
            remedy += (
                f", or choose pieces = {count} and permitted_undercut_mm = {permitted:g} (moved "
                "out, they come off) if the casting is so soft"
            )
    return Finding(
        "not-released",
        "stop",
        f"{plan.count} side pieces do not release the pad: it is held {plan.depth_mm:.1f} mm deep "
        f"at x {x:.0f}, y {y:.0f}, z {z:.0f} (permitted there: {plan.depth_mm / plan.strain:.2g} "
        f"mm). {remedy}",
        "pad",
        (x, y, z),
    )


def held_picture(made: Plugged, surface: Surface, plan: Sides) -> dict[str, bytes]:
    """Pad and core with what side pieces hold in red, seen from there: file name -> PNG."""
    strain = held_by_own(surface, plan.pulls, plan.curtains)[1]
    face = solid.to_mesh(made.plug)
    held = _looked_up(surface, strain, face.vertices[face.faces].mean(axis=1)) > 1
    title = f"held by {plan.count} side pieces: red, to {plan.depth_mm:.1f} mm"
    return held_png(face, held, _toward(surface, plan.where), title)


def _toward(surface: Surface, where: Vector) -> Vector:
    """The way from the axis to a place, and a little from above."""
    row = int(np.abs(surface.map.z - where[2]).argmin())
    x, y = (np.asarray(where[:2]) - surface.map.middle[row]).tolist()
    return (x, y, 0.4 * float(np.hypot(x, y)))


def _moved(place: Vector, matrix: Floats) -> Vector:
    x, y, z = (float(value) for value in matrix[:3, :3] @ np.array(place) + matrix[:3, 3])
    return (x, y, z)


@dataclass(frozen=True, slots=True)
class Hold:
    """What keeps finished bodies from coming apart: which, how deep, and where."""

    what: str
    bodies: tuple[str, ...]
    depth_mm: float
    where: Vector
    in_casting: bool


def hold_of(releases: Sequence[Release], stuck: Sequence[str], permitted_mm: float) -> Hold | None:
    """What of the swept opening no mold may do: run deeper into the casting than permitted, or
    have bodies that wait for each other."""
    if stuck:
        among = [item for item in releases if item.body in stuck]
        worst = max(among, key=lambda item: item.penetration_mm)
        what = f"{', '.join(stuck[:-1])} and {stuck[-1]} block each other on their way out"
        return Hold(what, tuple(stuck), worst.penetration_mm, worst.where, False)
    worst = max(releases, key=lambda item: item.casting_mm)
    if worst.casting_mm <= permitted_mm:
        return None
    what = f"{worst.body} runs into the casting on its way out"
    return Hold(what, (worst.body,), worst.casting_mm, worst.casting_where, True)


def unopened(
    hold: Hold, plan: Sides, enough: int | None, permitted_mm: float, back: Floats
) -> Finding:
    """The stop for side pieces that, moved out, do not come off; enough : the count that does."""
    x, y, z = _moved(hold.where, back)
    if enough is not None:
        remedy = f"Choose pieces = {enough} (moved out, they come off), or 0 for the fewest"
    else:
        remedy = f"None of 2 to {MOST_SIDES} releases it: crop the hollow out, or smooth the scan"
        if hold.in_casting and hold.depth_mm <= 20:
            softer = np.ceil(10 * hold.depth_mm) / 10
            remedy += f", or choose permitted_undercut_mm = {softer:g} if the casting is so soft"
    limit = f"permitted: {permitted_mm if hold.in_casting else CONTACT_MM:g} mm"
    return Finding(
        "not-released",
        "stop",
        f"{plan.count} side pieces do not release the pad: {hold.what}, {hold.depth_mm:.2f} mm "
        f"deep at x {x:.0f}, y {y:.0f}, z {z:.0f} ({limit}). {remedy}",
        "pad",
        (x, y, z),
    )


def hold_picture(
    made: Plugged,
    surface: Surface,
    plan: Sides,
    sides: Mapping[str, solid.Solid],
    hold: Hold,
) -> dict[str, bytes]:
    """Pad and core with what the named side pieces run into in red: file name -> PNG."""
    face = solid.to_mesh(made.plug)
    held = near(face, hold.where)
    for name, (x, y, z) in zip(sides, plan.directions, strict=True):
        if name in hold.bodies:  # the plug leaves the side piece the other way
            held |= held_faces(face, solid.to_mesh(sides[name]), (-x, -y, -z))
    title = f"{plan.count} side pieces do not come off: red, to {hold.depth_mm:.1f} mm"
    return held_png(face, held, _toward(surface, hold.where), title)


def _looked_up(surface: Surface, values: Floats, points: Floats) -> Floats:
    map_ = surface.map
    row = np.rint((points[:, 2] - map_.z[0]) / map_.step_mm).astype(np.int64)
    row = np.clip(row, 0, len(map_.z) - 1)
    away = points[:, :2] - map_.middle[row]
    column = np.rint(np.degrees(np.arctan2(away[:, 1], away[:, 0]))).astype(np.int64) % TURNS
    return np.asarray(values[row, column])


def core_stretch(made: Plugged, surface: Surface) -> tuple[float, Vector]:
    """By how much the casting must stretch to come off the core, percent, and the core's way.

    Each ring of the casting passes over all of the core that lies behind it: the greatest
    girth there (by tape) over its own. A cap leaves on its open side only.
    """
    heights = surface.map.z[1:-1]
    girths = np.array([_tape(solid.section(made.core, float(z))) for z in heights])
    low = float(made.vertices[made.rims[0], 2].mean())
    high = float(made.vertices[:, 2].max())
    if len(made.rims) > 1:
        high = float(made.vertices[made.rims[1], 2].mean())
    within = (heights >= low) & (heights <= high) & (girths > 0)
    inside = np.flatnonzero(within)

    def stretch(order: NDArray[np.int64]) -> float:
        behind = np.maximum.accumulate(girths[order])
        ring = within[order]
        return float((behind[ring] / girths[order][ring]).max() - 1) * 100 if len(inside) else 0.0

    rising = np.arange(len(heights))
    if len(made.rims) == 1:  # the core leaves downward: what lies over a ring passes it
        return stretch(rising[::-1]), (0.0, 0.0, -1.0)
    up, down = stretch(rising), stretch(rising[::-1])
    return (up, (0.0, 0.0, 1.0)) if up <= down else (down, (0.0, 0.0, -1.0))


def _tape(section: shapely.MultiPolygon) -> float:
    return float(shapely.convex_hull(section).length) if not section.is_empty else 0.0


def findings_of(
    joints: Sequence[Joint],
    plan: Sides,
    stretch_percent: float,
    low_mm: float,
) -> list[Finding]:
    """What to say about a finished mold that comes apart; the plan lies `low_mm` higher."""
    x, y, z = plan.where
    found = []
    if plan.depth_mm > 0.1:
        found.append(
            Finding(
                "undercut-casting",
                "note",
                f"the casting is held up to {plan.depth_mm:.1f} mm deep by its side pieces: it "
                "must flex as they leave. A soft foam does (common practice), a stiff material "
                "does not",
                "pad",
                (x, y, z - low_mm),
            )
        )
    if stretch_percent > 1:
        easy = stretch_percent <= _EASY_STRETCH
        found.append(
            Finding(
                "stretch-off-core",
                "note" if easy else "warning",
                f"the casting must stretch by {stretch_percent:.0f} % to come off the core. "
                + (
                    "A soft foam does (common practice)"
                    if easy
                    else "Cast it in a material that does, or slit it along its back and glue it"
                ),
                "core",
            )
        )
    for joint in joints:
        wanted = 2 if joint.kind == "curtain" else 1
        if len(joint.pegs) < wanted:
            found.append(
                Finding(
                    "few-keys" if joint.pegs else "no-room-for-key",
                    "note" if joint.pegs else "warning",
                    f"{len(joint.pegs)} of {wanted} keys found room between {joint.low} and "
                    f"{joint.high}: make flange_mm larger",
                    joint.low,
                )
            )
    return found
