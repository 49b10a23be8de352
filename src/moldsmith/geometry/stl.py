"""Binary STL as bytes: what a stage writes and what it reads back.

Layout: 80-byte header, little-endian uint32 count, then per triangle twelve
float32 (normal, three vertices) and a uint16 attribute, 84 + 50 n bytes in
all. Source: the format's published description (kaitai ``media/stl.ksy``).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["decode", "encode", "weld"]

_HEADER = b"binary STL, millimetres".ljust(80)
_TRIANGLE = np.dtype([("normal", "<f4", (3,)), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])


def encode(vertices: NDArray[np.floating], faces: NDArray[np.integer]) -> bytes:
    """Bytes of a binary STL; vertices (n, 3) in mm, faces (m, 3).

    The normal is worked out from the float32 corners, so that equal corners
    give equal bytes on every run.
    """
    corners = np.asarray(vertices, dtype="<f4")[np.asarray(faces)] + np.float32(0)  # no minus zero
    wide = corners.astype(np.float64)
    normal = np.cross(wide[:, 1] - wide[:, 0], wide[:, 2] - wide[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    normal = np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)
    table = np.zeros(len(corners), dtype=_TRIANGLE)
    table["normal"] = normal
    table["corners"] = corners
    return _HEADER + len(table).to_bytes(4, "little") + table.tobytes()


def decode(data: bytes) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Vertices and faces of a binary STL, equal corners welded.

    Raises
    ------
    ValueError : the bytes are fewer than the triangle count asks for
    """
    if len(data) < 84:
        raise ValueError(f"{len(data)} bytes; a binary STL has at least 84")
    count = int(np.frombuffer(data, "<u4", 1, 80)[0])
    if len(data) < 84 + 50 * count:
        raise ValueError(f"{len(data)} bytes; {count} triangles need {84 + 50 * count}")
    corners = np.frombuffer(data, _TRIANGLE, count, 84)["corners"].reshape(-1, 3)
    return weld(corners)


def weld(corners: NDArray[np.float32]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Vertices and faces of a triangle soup (3 m, 3), bitwise equal corners made one.

    Vertices come in the order in which the triangles first name them.
    """
    plain = np.ascontiguousarray(corners, dtype="<f4") + np.float32(0)
    bits = plain.view("<u4").astype(np.uint64)
    # One 64-bit key a corner: sorting single integers is several times faster than rows.
    key = (bits[:, 0] * np.uint64(0x9E3779B97F4A7C15)) ^ (
        bits[:, 1] * np.uint64(0xC2B2AE3D27D4EB4F) + (bits[:, 2] << np.uint64(17))
    )
    key ^= bits[:, 2] * np.uint64(0x165667B19E3779F9)
    _, first, inverse = np.unique(key, return_index=True, return_inverse=True)
    if not np.array_equal(plain[first][inverse], plain):  # two corners fell on one key
        _, first, inverse = np.unique(plain, axis=0, return_index=True, return_inverse=True)
    rank = np.empty(len(first), dtype=np.int64)
    order = np.argsort(first)
    rank[order] = np.arange(len(first))
    return plain[first[order]].astype(np.float64), rank[inverse.reshape(-1)].reshape(-1, 3)
