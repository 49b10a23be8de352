"""Whether the cover of a mold of two bodies lifts off: seen along the pull, and by moving it."""

from __future__ import annotations

from collections.abc import Mapping

import trimesh

from ..geometry import solid
from ..workpiece import Finding, Workpiece
from .opening import CONTACT_MM, Release, lift_off
from .parting import hindrance
from .side_blocks import sides_that_release

__all__ = ["cover_release"]

_RAY_MM = 0.5


def cover_release(
    piece: Workpiece, meshes: Mapping[str, trimesh.Trimesh]
) -> tuple[Release, list[Finding]]:
    """The release of core or lid straight up off the cavity, and what is to be said of it.

    meshes : cavity and cover, in that order; piece : with the pad, for what would release it
    """
    (cavity, cover), name = meshes.values(), list(meshes)[1]
    release = lift_off(name, solid.from_mesh(cover), solid.from_mesh(cavity))
    lock = hindrance(cover, cavity, _RAY_MM)
    if lock.area_mm2 == 0 and release.penetration_mm <= CONTACT_MM:
        return release, []
    held = f"lock over {lock.area_mm2 / 100:.1f} cm², {lock.depth_mm:.1f} mm deep"
    if lock.area_mm2 == 0:
        held = f"run {release.penetration_mm:.2f} mm into each other"
    count = sides_that_release(piece)
    offer = f"Choose style = 'pieces' ({count} side pieces release it), c" if count else "C"
    finding = Finding(
        "undercut-rigid",
        "warning",
        f"{name} and cavity {held}: the printed {name} does not lift straight out. {offer}rop less "
        "far round the body, or try another pull",
        name,
        lock.where if lock.area_mm2 else release.where,
    )
    return release, [finding]
