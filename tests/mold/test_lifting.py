"""Whether a cover lifts off, on boxes that do and do not."""

from __future__ import annotations

import numpy as np
import pytest

import moldsmith as ms
import sleeves
from moldsmith.geometry import solid
from moldsmith.mold.lifting import cover_release
from moldsmith.mold.release.held_pictures import held_faces
from shapes import patched

UP = (0.0, 0.0, 1.0)


@pytest.fixture(scope="module")
def piece() -> ms.Workpiece:
    return ms.shell(patched(sleeves.deep_cap()), thickness_mm=6, taper_mm=15, cell_mm=3)


def tray(lip_mm: float) -> solid.Solid:
    whole = solid.box((0, 0, 0), (40, 40, 20))
    hollow = solid.box((5, 5, 5), (35, 35, 16))
    mouth = solid.box((5 + lip_mm, 5 + lip_mm, 15), (35 - lip_mm, 35 - lip_mm, 21))
    return solid.difference(whole, hollow, mouth)


def test_core_that_fits_its_cavity_lifts_off(piece: ms.Workpiece) -> None:
    core = solid.box((5, 5, 5), (35, 35, 30))
    meshes = {"cavity": solid.to_mesh(tray(0)), "core": solid.to_mesh(core)}
    release, findings, shown = cover_release(piece, meshes)
    assert findings == []
    assert shown == {}
    assert release.penetration_mm <= 0.01
    assert release.travel_mm == pytest.approx(15)


def test_core_under_a_lip_locks_and_side_pieces_are_offered(piece: ms.Workpiece) -> None:
    core = solid.union(solid.box((5, 5, 5), (35, 35, 15)), solid.box((10, 10, 5), (30, 30, 30)))
    meshes = {"cavity": solid.to_mesh(tray(4)), "core": solid.to_mesh(core)}
    release, (finding,), shown = cover_release(piece, meshes)
    assert finding.code == "undercut-rigid"
    assert release.penetration_mm > 1
    assert "2 side pieces release it" in finding.message
    assert finding.where is not None
    assert 5 <= finding.where[0] <= 35
    assert shown["held.png"].startswith(b"\x89PNG")


def test_lip_too_thin_for_rays_is_found_by_moving(piece: ms.Workpiece) -> None:
    """0.3 mm: less than the rays stand apart."""
    core = solid.box((5, 5, 5), (35, 35, 15))
    meshes = {"cavity": solid.to_mesh(tray(0.3)), "core": solid.to_mesh(core)}
    release, (finding,), shown = cover_release(piece, meshes)
    assert release.penetration_mm > 0.1
    assert finding.code == "undercut-rigid"
    assert shown["held.png"].startswith(b"\x89PNG")


def test_faces_under_a_lip_are_those_that_hold() -> None:
    """Of a step 30 wide the lip covers all but the 22 in its mouth."""
    step = solid.union(solid.box((5, 5, 5), (35, 35, 15)), solid.box((10, 10, 5), (30, 30, 30)))
    core = solid.to_mesh(step).subdivide_to_size(2.0)
    held = held_faces(core, solid.to_mesh(tray(4)), UP)
    middles = core.triangles_center[held]
    assert middles[:, 2].max() == pytest.approx(15)
    off = np.abs(middles[:, :2] - 20).max(axis=1)
    assert off.min() > 11 - 1.5 - 0.7
    top = held & (core.face_normals[:, 2] > 0.9)
    assert core.area_faces[top].sum() == pytest.approx(30**2 - 22**2, rel=0.15)
