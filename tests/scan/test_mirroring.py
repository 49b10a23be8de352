"""Left from right, and two sides made alike."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import trimesh

from moldsmith import BadParameter, Workpiece, crop, mirror, symmetrise
from moldsmith.geometry import stl

PLANE = ((3.0, 0.0, 0.0), (1.0, 0.2, 0.0))


def dummy(skew_mm: float = 0.0, level: int = 5) -> Workpiece:
    """A trunk longer than it is wide, wider than it is deep, with a belly; one flank swollen."""
    mesh = trimesh.creation.icosphere(level, 1.0)
    v = mesh.vertices * (120.0, 80.0, 200.0)
    belly = np.exp(-((v[:, 0] / 60) ** 2) - ((v[:, 2] + 40) / 60) ** 2)
    v[:, 1] -= 30 * belly * (mesh.vertices[:, 1] < 0) * -mesh.vertices[:, 1]
    flank = np.exp(-(((v - (100, 0, 40)) / 50) ** 2).sum(axis=1))
    v = v + skew_mm * flank[:, None] * mesh.vertices
    return Workpiece("belly", {"scan": trimesh.Trimesh(v, mesh.faces, process=False)})


def figures(piece: Workpiece, stage: str) -> dict[str, Any]:
    return dict(piece.record(stage)["figures"])


def test_mirrored_twice_is_the_same_piece() -> None:
    patch = crop(dummy(8.0), planes=[((20, 0, 0), (1, 0, 0))])
    back = mirror(mirror(patch, plane=PLANE), plane=PLANE)
    assert back.body("scan").vertices == pytest.approx(patch.body("scan").vertices, abs=1e-4)
    assert (back.body("scan").faces == patch.body("scan").faces).all() or np.allclose(
        back.body("scan").triangles, patch.body("scan").triangles, atol=1e-4
    )
    assert back.frame.up == pytest.approx(patch.frame.up, abs=1e-9)
    assert np.asarray(back.frame.moved) == pytest.approx(np.eye(4), abs=1e-9)


def test_the_mirrored_piece_faces_outward_and_has_the_volume_and_its_own_side() -> None:
    piece = dummy(8.0)
    other = mirror(piece)
    one, two = piece.body("scan"), other.body("scan")
    assert two.is_watertight
    assert two.volume == pytest.approx(one.volume, rel=1e-6)
    assert one.centroid[0] > 0.1
    assert two.centroid[0] == pytest.approx(
        2 * figures(other, "mirror")["plane_point_mm"][0] - one.centroid[0], abs=0.5
    )
    assert other.frame.up == pytest.approx((0, 0, 1), abs=0.02)
    assert other.frame.facing == pytest.approx((0, -1, 0), abs=0.02)


def test_a_patch_of_one_side_is_mirrored_in_its_own_middle_and_says_so() -> None:
    patch = crop(dummy(), planes=[((40, 0, 0), (1, 0, 0)), ((0, 0, 0), (0.2, -1, 0.7))])
    other = mirror(patch)
    assert [finding.code for finding in other.findings if finding.code == "plane-assumed"]
    assert other.body("scan").area == pytest.approx(patch.body("scan").area, rel=1e-5)
    assert other.body("scan").bounds == pytest.approx(patch.body("scan").bounds, abs=1e-3)


def test_symmetrised_sides_lie_a_twentieth_as_far_apart() -> None:
    piece = dummy(8.0)
    alike = symmetrise(piece, plane=((0, 0, 0), (1, 0, 0)))
    found = figures(alike, "symmetrise")
    assert found["residual_before_mm"] > 1.0
    assert found["residual_after_mm"] < 0.05 * found["residual_before_mm"]
    assert found["share_within_limit"] == 1
    # Swollen by 8 mm on one side, each side keeps half.
    assert 3.0 < found["max_change_mm"] < 4.6
    assert alike.body("scan").is_watertight
    assert alike.body("scan").volume == pytest.approx(piece.body("scan").volume, rel=2e-3)


def test_a_symmetric_body_stays_as_it_is() -> None:
    found = figures(symmetrise(dummy()), "symmetrise")
    assert found["residual_before_mm"] < 0.02
    assert found["max_change_mm"] < 0.05
    assert abs(found["plane_normal"][0]) == pytest.approx(1, abs=1e-4)
    assert found["plane_point_mm"][0] == pytest.approx(0, abs=0.05)


def test_borders_stay_and_what_has_no_image_stays() -> None:
    patch = crop(dummy(8.0), planes=[((-60, 0, 0), (1, 0, 0)), ((0, 0, -150), (0, 0, 1))])
    alike = symmetrise(patch, plane=((0, 0, 0), (1, 0, 0)))
    before, after = patch.body("scan"), alike.body("scan")
    rim = np.unique(before.edges[trimesh.grouping.group_rows(before.edges_sorted, 1)])
    assert after.vertices[rim] == pytest.approx(before.vertices[rim], abs=1e-4)
    beyond = before.vertices[:, 0] > 75
    assert after.vertices[beyond] == pytest.approx(before.vertices[beyond], abs=1e-3)
    assert any(finding.code == "sides-differ" for finding in alike.findings)


def test_sides_farther_apart_than_the_limit_are_left() -> None:
    found = figures(
        symmetrise(dummy(12.0), plane=((0, 0, 0), (1, 0, 0)), limit_mm=3.0), "symmetrise"
    )
    assert found["share_within_limit"] < 1
    assert found["max_change_mm"] < 3.0


@pytest.mark.parametrize(
    ("wrong", "problem"),
    [
        ({"plane": "middle"}, "plane = 'middle' is not known.*'found'"),
        ({"plane": ((0, 0), (1, 0, 0))}, "plane = .* is no plane"),
        ({"plane": ((0, 0, 0), (0, 0, 0))}, "the normal of plane has no length"),
    ],
)
def test_bad_planes_are_named(wrong: dict[str, Any], problem: str) -> None:
    for stage in (mirror, symmetrise):
        with pytest.raises(BadParameter, match=problem):
            stage(dummy(level=3), **wrong)


def test_bad_limits_and_lopsided_scans_are_refused() -> None:
    with pytest.raises(BadParameter, match="limit_mm = 0 is out of range"):
        symmetrise(dummy(level=3), limit_mm=0)
    lump = dummy(level=4).body("scan")
    v = lump.vertices + 150 * np.exp(-(((lump.vertices - (100, 40, 90)) / 90) ** 2).sum(axis=1))[
        :, None
    ] * (1, 0.5, 0.2)
    piece = Workpiece("belly", {"scan": trimesh.Trimesh(v, lump.faces, process=False)})
    with pytest.raises(BadParameter, match=r"is not symmetric.*mm apart"):
        symmetrise(piece)


def test_the_mirrored_scan_is_written_as_it_is_handed_on() -> None:
    scan = mirror(dummy(level=3), plane=PLANE).body("scan")
    again, _ = stl.decode(stl.encode(scan.vertices, scan.faces))
    assert again == pytest.approx(scan.vertices, abs=1e-9)
