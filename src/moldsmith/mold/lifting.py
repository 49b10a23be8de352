"""Whether the cover of a mold of two bodies lifts off: seen along the pull, and by moving it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import trimesh

from ..geometry import solid
from ..workpiece import Finding, Vector, Workpiece
from .parting import hindrance
from .release.held_pictures import held_faces, held_png, near
from .release.opening import CONTACT_MM, Release, lift_off
from .side_pieces.building import sides_that_release

__all__ = ["cover_release"]

_RAY_MM = 0.5
_FROM_BELOW = -0.15  # the cover's flange lies over what it hooks by


def cover_release(
    piece: Workpiece, meshes: Mapping[str, trimesh.Trimesh]
) -> tuple[Release, list[Finding], dict[str, bytes]]:
    """The release of core or lid straight up off the cavity, what is to be said of it, and a
    picture of the cover with what holds it in red.

    meshes : cavity and cover, in that order; piece : with the pad, for what would release it
    """
    (cavity, cover), name = meshes.values(), list(meshes)[1]
    release = lift_off(name, solid.from_mesh(cover), solid.from_mesh(cavity))
    lock = hindrance(cover, cavity, _RAY_MM)
    if lock.area_mm2 == 0 and release.penetration_mm <= CONTACT_MM:
        return release, [], {}
    held = f"lock over {lock.area_mm2 / 100:.1f} cm², {lock.depth_mm:.1f} mm deep"
    if lock.area_mm2 == 0:
        held = f"run {release.penetration_mm:.2f} mm into each other"
    count = sides_that_release(piece)
    offer = f"Choose style = 'pieces' ({count} side pieces release it), c" if count else "C"
    where = lock.where if lock.area_mm2 else release.where
    finding = Finding(
        "undercut-rigid",
        "warning",
        f"{name} and cavity {held}: the printed {name} does not lift straight out. {offer}rop less "
        "far round the body, or try another pull",
        name,
        where,
    )
    return release, [finding], _picture(cover, cavity, name, where)


def _picture(
    cover: trimesh.Trimesh, cavity: trimesh.Trimesh, name: str, where: Vector
) -> dict[str, bytes]:
    held = held_faces(cover, cavity, (0.0, 0.0, 1.0))
    if not held.any():  # less than the rays stand apart
        held = near(cover, where)
    x, y = (np.asarray(where[:2]) - cover.bounds[:, :2].mean(axis=0)).tolist()
    away = float(np.hypot(x, y))
    toward = (x, y, _FROM_BELOW * away) if away > 1 else (0.0, -1.0, _FROM_BELOW)
    return held_png(cover, held, toward, f"what holds the {name} in the cavity: red")
