"""Where layers show as steps on the faces that shape the casting, and the scale to read it by."""

from __future__ import annotations

import numpy as np
import trimesh
from numpy.typing import NDArray

from ..geometry.colours import REST, scale
from .blocks import Picture
from .colour_maps import leaving
from .drawing import Drawing, Label, Raster
from .explosion import family_of
from .scene import Scene
from .shots import png, shot
from .wording import decimal

__all__ = ["step_pictures", "step_scale"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
_PICTURE_PX = (520, 430)
_STEPPED = 0.1  # of the working face: a level one, as a lid's, has no steps to show
_CLOSED = 0.3  # a face whose normals add up to less of its area goes all round


def step_pictures(scene: Scene) -> tuple[Picture, ...]:
    """Each body of the mold with its working face coloured by the layers' steps.

    Each is looked at from where the casting lies; what has no steps is left out.
    """
    maps = {item.key: item for item in scene.maps}
    if not {"cusp", "undercut"} <= set(maps):
        return ()
    families: dict[str, list[str]] = {}
    for name in maps["cusp"].faces:
        families.setdefault(family_of(scene.piece, name), []).append(name)
    found = []
    for family, names in families.items():
        meshes = {name: scene.meshes[name] for name in names}
        near = {name: np.isfinite(maps["undercut"].faces[name]) for name in names}
        steps = {name: np.where(near[name], maps["cusp"].faces[name], np.nan) for name in names}
        stepped = {name: np.isfinite(values) for name, values in steps.items()}
        if _area(meshes, stepped) <= _STEPPED * _area(meshes, near):
            continue
        colours = {name: scale(values, 0.0, maps["cusp"].high) for name, values in steps.items()}
        toward = _toward(scene, family, meshes, stepped)
        taken = shot(meshes, toward, scene.pull, _PICTURE_PX, colours=colours)
        found.append(Picture(taken.png, *_PICTURE_PX, f"{family}, its face to the casting"))
    return tuple(found)


def step_scale(scene: Scene) -> Drawing | None:
    """The colours of those pictures, from no steps to those of a whole layer."""
    high = next((item.high for item in scene.maps if item.key == "cusp"), None)
    if high is None:
        return None
    bar = png(np.broadcast_to(scale(np.linspace(0, 1, 240)), (8, 240, 3)).astype(np.uint8))
    rest = png(np.broadcast_to(np.array(REST, dtype=np.uint8), (8, 8, 3)))
    shapes = (
        Label(0, 5, "Steps:  0 mm", 4.2, bold=True),
        Raster(34, 1.8, 60, 6.4, bar),
        Label(97, 5, f"{decimal(high, 2)} mm, a layer", 4.2, bold=True),
        Raster(142, 1.8, 6.4, 6.4, rest),
        Label(151, 5, "no steps here", 4.2),
    )
    return Drawing(186.0, 10.0, shapes)


def _toward(
    scene: Scene, family: str, meshes: dict[str, trimesh.Trimesh], seen: dict[str, Mask]
) -> Floats:
    """To the eye: along the working face's mean normal, a little from aside."""
    cross = np.concatenate([_crosses(mesh)[seen[name]] for name, mesh in meshes.items()])
    mean = cross.sum(axis=0) / np.linalg.norm(cross, axis=1).sum()
    if float(np.linalg.norm(mean)) < _CLOSED:
        return scene.aside
    way = -leaving(scene.piece, family)
    away = scene.aside - (scene.aside @ way) * way
    looked: Floats = way + 0.45 * away / np.linalg.norm(away)
    return looked


def _area(meshes: dict[str, trimesh.Trimesh], faces: dict[str, Mask]) -> float:
    return sum(float(mesh.area_faces[faces[name]].sum()) for name, mesh in meshes.items())


def _crosses(mesh: trimesh.Trimesh) -> Floats:
    corners = mesh.vertices[mesh.faces]
    found: Floats = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return found
