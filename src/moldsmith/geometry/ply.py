"""Binary PLY as bytes: a mesh with a colour for each face or each vertex.

Layout: a text header from ``ply`` to ``end_header``, then the elements'
properties packed in the order the header lists them. Source: the format's
published description (G. Turk, The PLY Polygon File Format, 1994).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["encode"]

_COLOUR = ["property uchar red", "property uchar green", "property uchar blue"]


def encode(
    vertices: NDArray[np.floating],
    faces: NDArray[np.integer],
    *,
    face_colours: ArrayLike | None = None,
    vertex_colours: ArrayLike | None = None,
) -> bytes:
    """Bytes of a little-endian binary PLY.

    Parameters
    ----------
    vertices : (n, 3), written as float32
    faces : (m, 3)
    face_colours, vertex_colours : (m, 3) or (n, 3), red, green, blue of 0 to 255

    Raises
    ------
    ValueError : there are not as many colours as faces or vertices
    """
    points = np.asarray(vertices, dtype="<f4")
    corners = np.asarray(faces, dtype="<i4")
    vertex_table = _table([("place", "<f4", (3,))], len(points), vertex_colours, "vertices")
    vertex_table["place"] = points
    face_table = _table(
        [("count", "u1"), ("corners", "<i4", (3,))], len(corners), face_colours, "faces"
    )
    face_table["count"] = 3
    face_table["corners"] = corners
    header = [
        "ply",
        "format binary_little_endian 1.0",
        "comment millimetres",
        f"element vertex {len(points)}",
        *(f"property float {axis}" for axis in "xyz"),
        *(_COLOUR if vertex_colours is not None else []),
        f"element face {len(corners)}",
        "property list uchar int vertex_indices",
        *(_COLOUR if face_colours is not None else []),
        "end_header",
        "",
    ]
    return "\n".join(header).encode("ascii") + vertex_table.tobytes() + face_table.tobytes()


def _table(
    columns: list[tuple[str, ...] | tuple[str, str, tuple[int]]],
    count: int,
    colours: ArrayLike | None,
    what: str,
) -> NDArray[np.void]:
    """An empty packed table of the element, its colours filled in if there are any."""
    if colours is None:
        return np.zeros(count, dtype=np.dtype(columns))
    given = np.asarray(colours)
    if given.shape != (count, 3):
        raise ValueError(f"colours of shape {given.shape} for {count} {what}")
    table = np.zeros(count, dtype=np.dtype([*columns, ("colour", "u1", (3,))]))
    table["colour"] = given
    return table
