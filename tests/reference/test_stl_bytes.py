"""Binary STL, byte for byte.

Source: the format's published description (kaitai ``media/stl.ksy``, CC0):
80-byte header, uint32 count, then 50 bytes a triangle, all little-endian; a
header that begins with "solid" would be taken for the text form. The format
has no unit.
"""

from __future__ import annotations

import io
import struct

import numpy as np
import pytest
import trimesh

from moldsmith.geometry import stl


@pytest.fixture(name="box")
def _box() -> trimesh.Trimesh:
    return trimesh.creation.box((10, 20, 30))


def test_a_box_of_twelve_triangles_is_684_bytes(box: trimesh.Trimesh) -> None:
    assert len(stl.encode(box.vertices, box.faces)) == 684


def test_size_is_84_and_50_a_triangle() -> None:
    ball = trimesh.creation.icosphere(subdivisions=2)
    assert len(stl.encode(ball.vertices, ball.faces)) == 84 + 50 * len(ball.faces)


def test_header_is_not_taken_for_text(box: trimesh.Trimesh) -> None:
    header = stl.encode(box.vertices, box.faces)[:80]
    assert len(header) == 80
    assert not header.lower().startswith(b"solid")


def test_floats_and_count_are_little_endian() -> None:
    data = stl.encode(np.array([[0, 0, 0], [1.5, 0, 0], [0, 2.5, 0]]), np.array([[0, 1, 2]]))
    assert struct.unpack_from("<I", data, 80) == (1,)
    assert struct.unpack_from("<12f", data, 84) == (0, 0, 1, 0, 0, 0, 1.5, 0, 0, 0, 2.5, 0)
    assert struct.unpack_from("<H", data, 84 + 48) == (0,)


def test_normals_are_unit_and_agree_with_the_corners(box: trimesh.Trimesh) -> None:
    data = stl.encode(box.vertices, box.faces)
    for number in range(12):
        row = np.array(struct.unpack_from("<12f", data, 84 + 50 * number)).reshape(4, 3)
        right_hand = np.cross(row[2] - row[1], row[3] - row[1])
        assert row[0] == pytest.approx(right_hand / np.linalg.norm(right_hand))


def test_an_independent_reader_finds_the_same_solid(box: trimesh.Trimesh) -> None:
    read = trimesh.load_mesh(
        io.BytesIO(stl.encode(box.vertices, box.faces)), file_type="stl"
    )  # trimesh's reader, not ours
    assert read.is_watertight
    assert read.volume == pytest.approx(10 * 20 * 30)
    assert read.extents == pytest.approx([10, 20, 30])


def test_what_another_writer_wrote_is_read(box: trimesh.Trimesh) -> None:
    vertices, faces = stl.decode(box.export(file_type="stl"))
    assert len(vertices) == 8
    assert trimesh.Trimesh(vertices, faces, process=False).volume == pytest.approx(6000)


def test_missing_bytes_are_noticed(box: trimesh.Trimesh) -> None:
    data = stl.encode(box.vertices, box.faces)
    with pytest.raises(ValueError, match="12 triangles need 684"):
        stl.decode(data[:-1])
    with pytest.raises(ValueError, match="at least 84"):
        stl.decode(data[:80])


def test_same_mesh_gives_the_same_bytes_again_after_reading(box: trimesh.Trimesh) -> None:
    data = stl.encode(box.vertices, box.faces)
    assert stl.encode(*stl.decode(data)) == data
