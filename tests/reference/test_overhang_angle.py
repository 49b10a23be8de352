"""The 45 degree rule, the angle measured from the vertical.

Source: parts of filament print without support up to 45 degrees from the
vertical (Mazlan et al., J. Adv. Ind. Technol. Appl. 2020, 38-47). In unit
normals a face hangs over where n_z < -sin(limit), for 45 degrees -0.7071.
Areas of cone, sphere and plate are the closed forms.
"""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

import moldsmith as ms
from moldsmith.printing.flagging import face_angles_deg


def leaning_plate(lean_deg: float) -> trimesh.Trimesh:
    """A plate of 40 x 60 x 4 mm, leaning from the vertical, its lower edge well over the bed."""
    plate = trimesh.creation.box((40, 4, 60))
    plate.apply_transform(trimesh.transformations.rotation_matrix(np.radians(lean_deg), (1, 0, 0)))
    foot = trimesh.creation.box((4, 4, 4))
    foot.apply_translation((0, 0, -100))
    return trimesh.util.concatenate([plate, foot])


def flagged(mesh: trimesh.Trimesh, **settings: float) -> tuple[float, list[dict]]:
    piece = ms.Workpiece("plate", {"cavity": mesh}).pipe(ms.overhangs, **settings)
    part = piece.record("overhangs")["figures"]["parts"][0]
    return part["flagged_mm2"], part["patches"]


@pytest.mark.parametrize("lean_deg", [0, 20, 44, 45])
def test_a_plate_up_to_45_degrees_from_the_vertical_is_left_alone(lean_deg: float) -> None:
    _, patches = flagged(leaning_plate(lean_deg))
    # Its long faces are 2400 mm2; the thin lower edge (160 mm2) may hang over.
    assert all(patch["area_mm2"] < 200 for patch in patches)


@pytest.mark.parametrize("lean_deg", [45.2, 46, 60, 80])
def test_a_plate_leaning_further_is_flagged_with_its_angle(lean_deg: float) -> None:
    _, patches = flagged(leaning_plate(lean_deg))
    assert patches[0]["area_mm2"] == pytest.approx(40 * 60, rel=1e-4)
    assert patches[0]["steepest_deg"] == pytest.approx(lean_deg, abs=0.01)


def test_another_limit_is_measured_from_the_vertical_too() -> None:
    assert flagged(leaning_plate(55), limit_deg=60.0)[0] < 200
    assert flagged(leaning_plate(65), limit_deg=60.0)[0] > 2000
    assert flagged(leaning_plate(35), limit_deg=30.0)[0] > 2000


@pytest.mark.parametrize(("radius", "overhanging"), [(19.9, False), (20.2, True)])
def test_a_cone_on_its_tip_is_flagged_from_a_half_angle_of_45(
    radius: float, overhanging: bool
) -> None:
    cone = trimesh.creation.cone(radius=radius, height=20, sections=256)
    cone.apply_transform(np.diag([1.0, -1.0, -1.0, 1.0]))  # tip down
    lateral = np.pi * radius * np.hypot(radius, 20)
    area, _ = flagged(cone)
    assert area == pytest.approx(lateral if overhanging else 0, rel=2e-3, abs=1e-9)


def test_a_sphere_is_flagged_on_the_cap_below_45_degrees() -> None:
    # The cap where n_z < -sin 45 has height R (1 - sin 45) and area 2 pi R h; the bit within
    # a quarter layer (0.05 mm) of the bed rests on it.
    ball = trimesh.creation.icosphere(subdivisions=5, radius=30)
    cap = 2 * np.pi * 30 * (30 * (1 - np.sin(np.radians(45))) - 0.05)
    area, patches = flagged(ball)
    assert area == pytest.approx(cap, rel=0.02)
    assert patches[0]["steepest_deg"] > 85


def test_the_angle_is_90_for_a_ceiling_and_0_for_a_wall() -> None:
    box = trimesh.creation.box((10, 10, 10))
    angle, area = face_angles_deg(box)
    down = box.face_normals[:, 2] < -0.5
    up = box.face_normals[:, 2] > 0.5
    assert angle[down] == pytest.approx(90)
    assert angle[up] == pytest.approx(-90)
    assert angle[~down & ~up] == pytest.approx(0)
    assert area.sum() == pytest.approx(600)


def test_a_box_flat_on_the_bed_is_not_flagged() -> None:
    assert flagged(trimesh.creation.box((50, 50, 10))) == (0, [])
