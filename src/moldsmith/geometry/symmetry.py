"""The plane that a surface is its own mirror image in.

Planes through the centroid, square to the principal axes and half way between
them, are tried; the best are refined as iterated closest points are: mirror the
surface, find where it comes to lie, and move the plane by least squares of the
distances to the tangent planes there. Planes through principal axes as first
guess: Mitra, Guibas, Pauly, ACM Trans. Graph. 25 (2006) 560, use local frames
where these suffice; closest points against tangent planes: Chen and Medioni,
Image Vis. Comput. 10 (1992) 145.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import BadParameter
from .distance import SurfaceIndex
from .vectors import unit

__all__ = ["surface_samples", "symmetry_plane"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Plane = tuple[Floats, float]  # unit normal n and offset d: n . x = d

COARSE, FINE = 1500, 8000  # mirrored points
KEPT_SHARE = 0.8  # an arm held otherwise is no asymmetry of the body
REFINED = 3  # candidates that are refined
ROUNDS = 40


def symmetry_plane(
    vertices: ArrayLike, faces: ArrayLike, guess: ArrayLike | None = None
) -> tuple[Floats, Floats, float]:
    """The plane in which the surface is most nearly its own mirror image.

    Parameters
    ----------
    vertices (n, 3) in mm, faces (m, 3) : a surface, open or closed
    guess : (3,) normal near which the plane is looked for; all directions if left out

    Returns
    -------
    point (3,), normal (3,) of length 1, residual_mm : root mean square distance to the
        surface of its mirror image, over the closest four fifths of the area; what
        comes to lie over an opening does not count

    The normal points to +x, or to +y or +z if it has next to no part before.
    Complexity: a search structure over the faces, then a few hundred thousand closest points.

    Raises
    ------
    BadParameter : the surface has no area, or the guess no length
    """
    vertices, faces = np.asarray(vertices, dtype=float), np.asarray(faces, dtype=np.int64)
    points, normals = surface_samples(vertices, faces, FINE)
    size = float(np.linalg.norm(np.ptp(points, axis=0)))
    index = SurfaceIndex(vertices, faces, size / 60)
    middle = points.mean(axis=0)
    few = slice(0, None, FINE // COARSE)
    scored: list[tuple[float, int, Plane]] = []
    for normal in _candidates(points - middle, guess):
        plane = (normal, float(normal @ middle))
        scored.append((_residual(index, points[few], plane), len(scored), plane))
    found: list[tuple[float, int, Plane]] = []
    for _, _, start in sorted(scored, key=lambda item: item[:2])[:REFINED]:
        plane = _refined(index, points[few], normals[few], start)
        found.append((_residual(index, points, plane), len(found), plane))
    plane = _refined(index, points, normals, min(found, key=lambda item: item[:2])[2])
    normal, offset = plane
    sign = 1.0 if normal[np.argmax(np.abs(normal) > 1e-6)] > 0 else -1.0
    on_plane = middle - (normal @ middle - offset) * normal
    return on_plane, sign * normal + 0.0, _residual(index, points, plane)


def surface_samples(vertices: Floats, faces: Ints, count: int) -> tuple[Floats, Floats]:
    """`count` points spread evenly over the area, and the unit face normals there.

    Equal steps of the summed area name the faces; a low-discrepancy sequence
    (Roberts, 2018) the places in them. The same surface gives the same points.

    Raises
    ------
    BadParameter : the surface has no area
    """
    corners = vertices[faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    summed = np.cumsum(np.linalg.norm(cross, axis=1))
    if len(faces) == 0 or not summed[-1] > 0:
        raise BadParameter("the surface has no area", "Give a mesh with triangles")
    steps = (np.arange(count) + 0.5) * summed[-1] / count
    face = np.minimum(np.searchsorted(summed, steps), len(faces) - 1)
    plastic = 1.32471795724474602596
    places = (np.arange(1, count + 1)[:, None] / np.array([plastic, plastic**2])) % 1.0
    over = places.sum(axis=1) > 1
    places[over] = 1 - places[over]
    weights = np.c_[1 - places.sum(axis=1), places]
    return np.einsum("ij,ijk->ik", weights, corners[face]), unit(cross[face])


def _candidates(centred: Floats, guess: ArrayLike | None) -> Floats:
    """Normals to try: the guess, or the principal axes and those half way between two."""
    if guess is not None:
        normal = np.asarray(guess, dtype=float)
        if normal.shape != (3,) or not np.linalg.norm(normal) > 0:
            raise BadParameter(f"guess = {guess} is no direction", "Give (x, y, z) with length")
        return unit(normal[None])
    _, vectors = np.linalg.eigh(centred.T @ centred)
    a, b, c = vectors.T
    return unit(np.array([a, b, c, a + b, a - b, b + c, b - c, a + c, a - c]))


def _mirrored(points: Floats, plane: Plane) -> Floats:
    normal, offset = plane
    return points - 2 * np.outer(points @ normal - offset, normal)


def _residual(index: SurfaceIndex, points: Floats, plane: Plane) -> float:
    found = index.closest(_mirrored(points, plane))
    distance = found.distance[~found.on_border]
    if len(distance) < len(points) / 4:
        return float("inf")  # nearly all of it falls beside the surface
    kept = np.sort(distance)[: max(int(KEPT_SHARE * len(distance)), 1)]
    return float(np.sqrt(np.mean(kept**2)))


def _refined(index: SurfaceIndex, points: Floats, normals: Floats, plane: Plane) -> Plane:
    """The plane moved until it moves by less than a ten-thousandth of the size."""
    middle = points.mean(axis=0)
    size = float(np.linalg.norm(np.ptp(points, axis=0)))
    for _ in range(ROUNDS):
        normal, offset = plane
        image = _mirrored(points, plane)
        found = index.closest(image)
        tangent = index.normal_at(found)
        turned = normals - 2 * np.outer(normals @ normal, normal)
        gap = np.einsum("ij,ij->i", tangent, image - found.point)
        use = ~found.on_border & (np.einsum("ij,ij->i", turned, tangent) > 0.3)
        if use.sum() < 10:
            return plane
        use &= found.distance <= np.quantile(found.distance[use], KEPT_SHARE)
        across = _square_to(normal)
        # Mirror image s - 2 (n . s - d) n, with n turned by `across` and moved at `middle`.
        arm = points - middle
        height = points @ normal - offset
        tilt = (arm @ across.T) * (tangent @ normal)[:, None] + height[:, None] * (
            tangent @ across.T
        )
        slope = np.c_[-2 * tilt, 2 * tangent @ normal]
        slope[:, :2] /= size  # so that both kinds of step are of one size
        step, *_ = np.linalg.lstsq(slope[use], -gap[use], rcond=1e-6)
        turn = np.clip(step[:2] / size, -0.3, 0.3)
        at_middle = offset - normal @ middle + step[2]
        normal = unit((normal + turn @ across)[None])[0]
        plane = (normal, float(normal @ middle + at_middle))
        if np.abs(step).max() < 1e-6 * size:
            break
    return plane


def _square_to(normal: Floats) -> Floats:
    """Two unit vectors (2, 3) square to the normal and to each other."""
    other = np.eye(3)[np.argmin(np.abs(normal))]
    one = unit(np.cross(normal, other)[None])[0]
    return np.stack([one, np.cross(normal, one)])
