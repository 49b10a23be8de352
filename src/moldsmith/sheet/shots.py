"""Shaded pictures of bodies on white, as PNG."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass

import fast_simplification
import numpy as np
import trimesh
from numpy.typing import ArrayLike, NDArray
from PIL import Image

from ..geometry.colours import body_colour
from .raster import Camera, Painted, aimed, render

__all__ = ["Shot", "lightened", "png", "shot", "shrunk"]

Floats = NDArray[np.float64]
_WHITE = (255, 255, 255)
_COLOURS = 64  # of a picture: shades of a few hues


@dataclass(frozen=True, slots=True)
class Shot:
    """A picture as PNG and as pixels (height, width, 3), and the camera that took it."""

    png: bytes
    camera: Camera
    pixels: NDArray[np.uint8]

    def at(self, points: Floats) -> Floats:
        """Where points (n, 3) are seen: shares (n, 2) of width and height from the lower left."""
        seen = self.camera.seen(points)
        return seen[:, :2] / [self.camera.width, self.camera.height] + 0.5


def shot(
    meshes: Mapping[str, trimesh.Trimesh],
    toward: ArrayLike,
    up: ArrayLike,
    size_px: tuple[int, int],
    *,
    steps: Mapping[str, Floats] | None = None,
    colours: Mapping[str, NDArray[np.uint8]] | None = None,
) -> Shot:
    """Draw bodies, each in its colour.

    toward, up : directions to the eye and of the picture's top; steps : name -> by how
    much a body is moved; colours : name -> colour of each face (m, 3)
    """
    eye = np.asarray(toward, dtype=float)
    painted = []
    for name, mesh in meshes.items():
        step = None if steps is None else steps.get(name)
        given = (colours or {}).get(name, np.array(body_colour(name)))
        paint = np.broadcast_to(given, (len(mesh.faces), 3)).astype(np.uint8)
        painted.append(_turned_to(mesh, paint, eye, step, whole=name == "scan"))
    drawn = [item.mesh for item in painted]
    camera = aimed(drawn, eye, np.asarray(up, dtype=float), *size_px)
    pixels = render(painted, camera, _WHITE)
    return Shot(png(pixels), camera, pixels)


def shrunk(taken: Shot, size_px: tuple[int, int]) -> bytes:
    """The picture once more, smaller, on white where its shape is another: not drawn anew."""
    image = Image.fromarray(taken.pixels)
    image.thumbnail(size_px, Image.Resampling.BOX)
    paper = Image.new("RGB", size_px, _WHITE)
    paper.paste(image, ((size_px[0] - image.width) // 2, (size_px[1] - image.height) // 2))
    return png(np.asarray(paper))


def _turned_to(
    mesh: trimesh.Trimesh,
    paint: NDArray[np.uint8],
    eye: Floats,
    step: Floats | None,
    *,
    whole: bool,
) -> Painted:
    """The faces that look to the eye: of a closed body no others are seen."""
    vertices, faces = np.asarray(mesh.vertices), np.asarray(mesh.faces)
    if not whole:
        a, b, c = vertices[faces[:, 0]], vertices[faces[:, 1]], vertices[faces[:, 2]]
        seen = np.cross(b - a, c - a) @ eye > 0
        faces, paint = faces[seen], paint[seen]
    if step is not None:
        vertices = vertices + step
    return Painted(trimesh.Trimesh(vertices, faces, process=False), paint)


def png(pixels: NDArray[np.uint8]) -> bytes:
    """Pixels (height, width, 3) as a PNG with a palette."""
    few = Image.fromarray(pixels).quantize(_COLOURS, dither=Image.Dither.NONE)
    target = io.BytesIO()
    few.save(target, "PNG", compress_level=7)
    return target.getvalue()


def lightened(mesh: trimesh.Trimesh, most_faces: int) -> trimesh.Trimesh:
    """The mesh with at most about so many triangles, for looking at only.

    By quadric error (Garland and Heckbert, SIGGRAPH 1997, 209), as the library does it.
    """
    if len(mesh.faces) <= most_faces:
        return mesh
    vertices, faces = fast_simplification.simplify(
        np.array(mesh.vertices, dtype=np.float64),
        np.array(mesh.faces, dtype=np.int64),
        target_count=most_faces,
    )
    return trimesh.Trimesh(np.asarray(vertices, dtype=float), np.asarray(faces), process=False)
