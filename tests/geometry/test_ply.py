"""Coloured PLY as an independent reader takes it."""

from __future__ import annotations

import io

import numpy as np
import pytest
import trimesh

from moldsmith.geometry import ply


@pytest.fixture(name="box")
def _box() -> trimesh.Trimesh:
    return trimesh.creation.box((10, 20, 30))


def read(data: bytes) -> trimesh.Trimesh:
    return trimesh.load_mesh(io.BytesIO(data), file_type="ply", process=False)  # not our reader


def test_faces_keep_their_order_their_side_and_their_colours(box: trimesh.Trimesh) -> None:
    paint = np.arange(36).reshape(12, 3) * 7
    back = read(ply.encode(box.vertices, box.faces, face_colours=paint))
    assert np.array_equal(back.faces, box.faces)
    assert back.volume == pytest.approx(6000)
    assert np.array_equal(back.visual.face_colors[:, :3], paint)


def test_vertices_keep_their_colours(box: trimesh.Trimesh) -> None:
    paint = np.arange(24).reshape(8, 3) * 10
    back = read(ply.encode(box.vertices, box.faces, vertex_colours=paint))
    assert np.array_equal(back.visual.vertex_colors[:, :3], paint)


def test_without_colours_it_is_a_plain_mesh(box: trimesh.Trimesh) -> None:
    data = ply.encode(box.vertices, box.faces)
    header, _, body = data.partition(b"end_header\n")
    assert header.startswith(b"ply\nformat binary_little_endian 1.0\n")
    assert len(body) == 8 * 12 + 12 * (1 + 12)
    assert read(data).volume == pytest.approx(6000)


def test_colours_of_another_count_are_refused(box: trimesh.Trimesh) -> None:
    with pytest.raises(ValueError, match=r"shape \(8, 3\) for 12 faces"):
        ply.encode(box.vertices, box.faces, face_colours=np.zeros((8, 3)))
