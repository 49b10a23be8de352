"""Blocking out fills what overhangs, no more, and lets the mold go."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

import moldsmith as ms
from moldsmith.geometry import solid
from moldsmith.geometry.visibility import grid_over, hits, lowest
from moldsmith.mold.release.opening import swept_mm
from moldsmith.workpiece import Workpiece
from shapes import cap, heightfield, patched

RADIUS_MM = 40.0
OPENING_DEG = 115.0
DOWN = (0.0, 0.0, -1.0)
UP = (0.0, 0.0, 1.0)


def padded(roughness_mm: float) -> Workpiece:
    """A pad under the cap of a ball that reaches past its widest place."""
    ball = cap(RADIUS_MM, OPENING_DEG, 24)
    shift = np.random.default_rng(5).normal(0, roughness_mm, ball.vertices.shape)
    scan = trimesh.Trimesh(ball.vertices + shift, ball.faces, process=False)
    return ms.shell(patched(scan), thickness_mm=6, taper_mm=12, edge_mm=1, cell_mm=2)


@pytest.fixture(scope="module", params=[0.0, 0.2], ids=["smooth", "rough"])
def pad(request: pytest.FixtureRequest) -> Workpiece:
    return padded(request.param)


@pytest.fixture(scope="module")
def plain(pad: Workpiece) -> Workpiece:
    return ms.block(pad, outer="outline", relief_mm=0, pull=DOWN)


@pytest.fixture(scope="module")
def filled(pad: Workpiece) -> Workpiece:
    return ms.block(pad, outer="outline", relief_mm=0, pull=DOWN, block_out=True)


def raised(piece: Workpiece, name: str, height: float) -> solid.Solid:
    """The body lifted, and drawn in by 0.01 mm all round: what is allowed to touch must not count.

    (Where faces of two files lie within their rounding of each other, the boolean engine
    makes volumes of nothing.)
    """
    low, high = piece.body("pad").bounds
    middle = (low + high) / 2
    matrix = np.diag([1 - 0.02 / (high[0] - low[0]), 1 - 0.02 / (high[1] - low[1]), 1, 1])
    matrix[:3, 3] = middle - matrix[:3, :3] @ middle + [0, 0, height + 0.01]
    return solid.moved(solid.from_mesh(piece.body(name)), matrix)


@pytest.mark.parametrize("name", ["core", "pad"])
def test_core_and_casting_leave_the_cavity_straight_up(
    filled: Workpiece, name: str, request: pytest.FixtureRequest
) -> None:
    """Moved in steps along the pull, nothing reaches into the cavity by more than 0.01 mm.

    Of a rough scan the casting drags on its grains of 0.2 mm, which are left standing.
    """
    rough = "rough" in request.node.callspec.id
    most = 30.0 if rough and name == "pad" else 0.1
    cavity = solid.from_mesh(filled.body("cavity"))
    for height in (0.0, 0.1, 0.5, 2.0, 5.0, 12.0, 25.0):
        met = solid.intersection(raised(filled, name, height), cavity)
        assert solid.volume_mm3(met) < most, height


def test_a_leaning_hill_s_overhang_that_thins_out_at_its_ends_is_filled_too() -> None:
    """What is added is what of the cavity stood over the casting, by rays; then it comes free."""
    hill = heightfield(lambda x, y: 16 * np.exp(-((x + 8) ** 2 + y**2) / 120), (70, 50), 2)
    hill.vertices[:, 0] += 1.7 * hill.vertices[:, 2]
    pad = ms.shell(patched(hill), thickness_mm=4, taper_mm=8, edge_mm=1, cell_mm=2)
    plain, filled = (
        ms.block(pad, style="lidded", outer="outline", pull=DOWN, block_out=wanted)
        for wanted in (False, True)
    )
    cavity, casting = plain.body("cavity"), plain.body("pad")
    grid = grid_over(casting.bounds[0, :2], casting.bounds[1, :2], 0.25)
    floor = lowest(casting.vertices, casting.faces, grid).ravel()
    over = np.zeros(floor.size)
    for ray, z, face in hits(cavity.vertices, cavity.faces, grid):
        way = np.where(cavity.face_normals[face, 2] > 0, 1.0, -1.0)
        above = np.where(np.isfinite(floor[ray]), np.maximum(z - floor[ray], 0), 0)
        np.add.at(over, ray, way * above)
    figures = filled.record("block")["figures"]
    wanted_mm3 = float(over[over > 0.1].sum()) * 0.25**2
    assert wanted_mm3 > 500
    assert 1000 * figures["block_out"]["added_cm3"] == pytest.approx(wanted_mm3, rel=0.05)
    assert figures["undercut"]["depth_mm"] == 0
    before, after = (
        swept_mm(solid.from_mesh(piece.body("pad")), solid.from_mesh(piece.body("cavity")), UP)[0]
        for piece in (plain, filled)
    )
    assert before > 2
    assert after < 0.2  # hooks of 0.4 mm and less are left standing


def test_without_it_the_casting_is_held(plain: Workpiece) -> None:
    cavity = solid.from_mesh(plain.body("cavity"))
    met = solid.intersection(raised(plain, "pad", 5.0), cavity)
    assert solid.volume_mm3(met) > 1000


def test_the_casting_gains_what_lies_between_ball_and_cylinder(filled: Workpiece) -> None:
    """Over the equator the ball is pi h (R^2 - h^2 / 3), the cylinder pi R^2 h: between, pi h^3/3.

    The rim, where the trim line's feather ends, makes the mold a little different.
    """
    height = -RADIUS_MM * np.cos(np.radians(OPENING_DEG))
    figures = filled.record("block")["figures"]["block_out"]
    from_cavity = 1000 * (figures["added_cm3"] - figures["from_core_cm3"])
    assert from_cavity == pytest.approx(np.pi * height**3 / 3, rel=0.2)
    narrow = RADIUS_MM * np.sin(np.radians(OPENING_DEG))
    # Grains of a rough ball beside it count too.
    assert figures["area_mm2"] == pytest.approx(np.pi * (RADIUS_MM**2 - narrow**2), rel=0.3)


def test_what_the_casting_gains_the_mold_loses(plain: Workpiece, filled: Workpiece) -> None:
    names = ("cavity", "core", "pad")
    before, after = ({name: piece.body(name).volume for name in names} for piece in (plain, filled))
    assert sum(after.values()) == pytest.approx(sum(before.values()), abs=1.0)
    gained = after["pad"] - before["pad"]
    assert gained == pytest.approx(
        1000 * filled.record("block")["figures"]["block_out"]["added_cm3"], abs=2.0
    )


def test_bodies_stay_closed_and_of_one_piece(filled: Workpiece) -> None:
    for name in ("cavity", "core", "pad"):
        assert filled.body(name).is_watertight
        assert filled.body(name).body_count == 1


def test_the_finding_tells_of_it_and_no_undercut_is_left_to_warn_of(filled: Workpiece) -> None:
    codes = {finding.code: finding for finding in filled.findings}
    assert "blocked-out" in codes
    assert "cm³ larger" in codes["blocked-out"].message
    assert "undercut-rigid" not in codes
    # Roughness is left standing.
    assert filled.record("block")["figures"]["undercut"]["depth_mm"] <= 1.5
    assert set(filled.record("block")["attachments"]) >= {"draft.ply", "block_out.ply"}


def test_a_hill_that_draws_freely_stays_as_it_is() -> None:
    hill = heightfield(lambda x, y: 14 * np.exp(-(x**2 + y**2) / 700), (90, 70), 3)
    pad = ms.shell(patched(hill), thickness_mm=5, taper_mm=12, edge_mm=1, cell_mm=2)
    plain, filled = (ms.block(pad, block_out=wanted, relief_mm=0) for wanted in (False, True))
    assert filled.record("block")["figures"]["block_out"]["added_cm3"] < 0.01
    (note,) = (finding for finding in filled.findings if finding.code == "blocked-out")
    assert "had nothing to fill" in note.message
    for name in ("cavity", "core", "pad"):
        assert filled.body(name).volume == pytest.approx(plain.body(name).volume, abs=2)
