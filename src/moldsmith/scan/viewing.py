"""The half of a body that faces the viewer."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from .region import Field

__all__ = ["area_towards", "nearer_half"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SMOOTH_CELLS = 2.0  # standard deviation of the smoothing of the middle depth
SPACING_EDGES = 2.0  # cells of the depth map are this many mean edges wide
BACKED_SHARE = 0.5  # of the seen area that must have a back for the body to be round


def area_towards(vertices: Floats, faces: Ints, along: Floats) -> Floats:
    """Area (m,) of each face as the viewer sees it, negative where it faces away; mm2."""
    corners = vertices[faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return np.asarray(cross @ -along / 2)


def nearer_half(
    vertices: Floats, faces: Ints, right: Floats, upright: Floats, along: Floats
) -> Field | None:
    """Depth beyond the middle of the body, mm: negative on the viewer's half.

    The middle lies half way between the nearest face towards the viewer and the
    farthest face away, smoothed over the view. None where the scan has no back,
    so that there is nothing to leave out.
    """
    seen = area_towards(vertices, faces, along)
    corners = vertices[faces]
    middles = corners.mean(axis=1)
    edge = float(np.linalg.norm(corners[:, 1] - corners[:, 0], axis=1).mean())
    cell = SPACING_EDGES * edge
    flat = middles @ np.stack([right, upright], axis=1)
    origin = flat.min(axis=0) - cell
    shape = tuple((np.ceil((flat.max(axis=0) - origin) / cell) + 2).astype(int).tolist())
    at = tuple(np.floor((flat - origin) / cell).astype(np.int64).T)
    depth = middles @ along
    front = np.full(shape, np.inf)
    back = np.full(shape, -np.inf)
    np.minimum.at(front, tuple(axis[seen > 0] for axis in at), depth[seen > 0])
    np.maximum.at(back, tuple(axis[seen < 0] for axis in at), depth[seen < 0])
    fronted = np.isfinite(front)
    both = fronted & np.isfinite(back)
    if both.sum() < BACKED_SHARE * fronted.sum():
        return None
    half_way = np.zeros(shape)
    half_way[both] = (front[both] + back[both]) / 2
    middle = _spread(half_way, both)

    def beyond(points: Floats) -> Floats:
        place = (points @ np.stack([right, upright], axis=1) - origin) / cell - 0.5
        at_middle = ndimage.map_coordinates(middle, place.T, order=1, mode="nearest")
        return np.asarray(points @ along - at_middle)

    return beyond


def _spread(values: Floats, known: NDArray[np.bool_]) -> Floats:
    """A map smoothed over its known cells, the others given the value of the nearest known."""
    weight = ndimage.gaussian_filter(known.astype(float), SMOOTH_CELLS)
    smooth = ndimage.gaussian_filter(np.where(known, values, 0.0), SMOOTH_CELLS)
    smooth /= np.maximum(weight, 1e-9)
    nearest = ndimage.distance_transform_edt(~known, return_distances=False, return_indices=True)
    return np.asarray(smooth[tuple(nearest)])
