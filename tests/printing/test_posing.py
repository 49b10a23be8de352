"""Poses and plates of parts for which the best is known."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

import moldsmith as ms
from moldsmith.geometry import solid
from moldsmith.printing.arranging import arranged
from moldsmith.printing.pose import laid
from moldsmith.printing.standing import directions, surface_samples
from moldsmith.stage import stage


@stage
def parts(piece: ms.Workpiece) -> ms.Workpiece:
    """List all bodies but the pad as parts in the pose they have."""
    names = [name for name in piece.bodies if name != "pad"]
    rows = [{"body": name, "of": "cavity", "pose": np.eye(4).tolist()} for name in names]
    return piece.note({"parts": rows})


def piece_of(**bodies: solid.Solid) -> ms.Workpiece:
    meshes = {name.replace("_", "-"): solid.to_mesh(body) for name, body in bodies.items()}
    return ms.Workpiece("belly", meshes).pipe(parts)


def rows_of(piece: ms.Workpiece, **parameters: Any) -> dict[str, dict[str, Any]]:
    figures = piece.pipe(ms.lay_out, **parameters).record("lay_out")["figures"]
    return {row["body"]: row for row in figures["parts"]}


def mushroom(stem: float = 16.0) -> solid.Solid:
    """A cap of 40 x 40 x 4 mm on a stem."""
    half = stem / 2
    post = solid.box((-half, -half, 0), (half, half, 20))
    return solid.union(post, solid.box((-20, -20, 20), (20, 20, 24)))


def desk(slope_deg: float) -> solid.Solid:
    """A block of 60 x 60 mm whose top leans so far from level, to the front."""
    block = solid.box((-30, -30, 0), (30, 30, 60))
    normal = np.array([0, -np.sin(np.radians(slope_deg)), np.cos(np.radians(slope_deg))])
    return solid.trim_by_plane(block, -normal, -float(normal @ [0, 0, 40]))


def pad_on(slope_deg: float) -> solid.Solid:
    """A casting that lies on the desk's top."""
    whole = solid.box((-29, -29, 0), (29, 29, 90))
    return solid.difference(whole, desk(slope_deg))


def test_a_mushroom_is_turned_onto_its_cap() -> None:
    row = rows_of(piece_of(cavity=mushroom()))["cavity"]
    assert row["turned"]
    assert row["pose"][2][:3] == pytest.approx([0, 0, -1])
    assert row["support_mm2"] == 0
    assert row["footprint_mm2"] == pytest.approx(1600)


def test_a_part_that_stands_well_is_left_alone() -> None:
    row = rows_of(piece_of(cavity=solid.box((0, 0, 0), (60, 40, 20))))["cavity"]
    assert not row["turned"]
    np.testing.assert_allclose(np.asarray(row["pose"])[:3, :3], np.eye(3))


def test_turn_never_keeps_every_pose() -> None:
    row = rows_of(piece_of(cavity=mushroom()), turn="never")["cavity"]
    assert not row["turned"]
    np.testing.assert_allclose(np.asarray(row["pose"])[:3, :3], np.eye(3))
    assert row["support_mm2"] == pytest.approx(1600 - 16**2)


def test_steps_on_the_cavity_face_decide_the_pose() -> None:
    # c = L |n_z| (Dolenc and Mäkelä): 0.2 cos 20 lying on its back, none standing on its side.
    kept = rows_of(piece_of(cavity=desk(20), pad=pad_on(20)), turn="never")["cavity"]
    assert kept["cusp_mm"] == pytest.approx(0.2 * np.cos(np.radians(20)), rel=1e-3)
    row = rows_of(piece_of(cavity=desk(20), pad=pad_on(20)))["cavity"]
    assert row["turned"]
    assert row["cusp_mm"] < 0.01
    assert row["support_mm2"] < 1


def test_support_under_a_key_is_worth_a_smoother_face_only_if_asked_for() -> None:
    shelf = solid.box((-30, 30, 0), (30, 60, 30))
    pin = solid.frustum((0, 45, 29), (0, 0, 13), 8, 8, 48)
    piece = piece_of(cavity=solid.union(desk(20), shelf, pin), pad=pad_on(20))
    kept = rows_of(piece)["cavity"]
    assert not kept["turned"]
    assert kept["support_mm2"] == 0
    codes = [finding.code for finding in piece.pipe(ms.lay_out).findings]
    assert codes == ["smoother-pose"]
    best = rows_of(piece, turn="best")["cavity"]
    assert best["turned"]
    assert best["support_mm2"] > 20
    assert best["cusp_mm"] < 0.3 * kept["cusp_mm"]


def test_only_the_face_on_the_casting_counts() -> None:
    row = rows_of(piece_of(cavity=desk(20)))["cavity"]
    assert row["cusp_mm"] == 0
    assert not row["turned"]


def test_a_ball_is_said_to_stand_badly() -> None:
    ball = trimesh.creation.icosphere(subdivisions=4, radius=30.0)
    piece = ms.Workpiece("belly", {"cavity": ball}).pipe(parts).pipe(ms.lay_out)
    assert [finding.code for finding in piece.findings] == ["unsteady"]


def test_a_part_made_to_stand_on_feet_keeps_standing_on_them() -> None:
    shell = solid.difference(
        solid.box((0, 0, 8), (90, 90, 60)), solid.box((4, 4, 12), (86, 86, 61))
    )
    feet = [solid.box((x, y, 0), (x + 8, y + 8, 9)) for x in (0, 82) for y in (0, 82)]
    piece = piece_of(cavity=solid.union(shell, *feet)).pipe(ms.lay_out, turn="never")
    assert piece.findings == ()


def test_a_part_that_would_topple_does_not_count_as_standing() -> None:
    # A flag on a pole that stands at its edge: its weight hangs over.
    flag = solid.union(solid.box((0, -15, 0), (12, 15, 60)), solid.box((0, -15, 60), (120, 15, 90)))
    row = rows_of(piece_of(cavity=flag))["cavity"]
    assert row["turned"]


def test_poses_are_rigid_and_put_the_part_on_the_bed() -> None:
    printer = ms.Printer(volume_mm=(120, 130, 140))
    piece = piece_of(
        cavity_1=mushroom(), cavity_2=desk(30), core_1=solid.box((0, 0, 0), (90, 40, 9))
    )
    for name, row in rows_of(piece, printer=printer).items():
        pose = np.asarray(row["pose"])
        np.testing.assert_allclose(pose[:3, :3] @ pose[:3, :3].T, np.eye(3), atol=1e-8)
        assert np.linalg.det(pose[:3, :3]) == pytest.approx(1)
        body = piece.body(name)
        vertices = body.vertices @ pose[:3, :3].T + pose[:3, 3]
        assert vertices[:, 2].min() == pytest.approx(0, abs=1e-6)
        assert (vertices.min(axis=0) >= -0.02).all()
        assert (vertices.max(axis=0) <= np.array(printer.volume_mm) + 0.02).all()
        np.testing.assert_allclose(np.ptp(vertices, axis=0), row["size_mm"], atol=1e-3)


def test_parts_on_a_plate_keep_their_distance() -> None:
    boxes = {f"cavity_{k}": solid.box((0, 0, 0), (70 + k, 60, 20)) for k in range(1, 6)}
    piece = piece_of(**boxes)
    rows = rows_of(piece, spacing_mm=8.0)
    assert [rows[f"cavity-{k}"]["plate"] for k in range(1, 6)] == [1] * 5
    bounds = [laid(piece.body(name), row["pose"]).bounds[:, :2] for name, row in rows.items()]
    for one, two in combinations(bounds, 2):
        gap = np.maximum(one[0] - two[1], two[0] - one[1]).max()
        assert gap >= 8 - 1e-5
    low, high = np.min([b[0] for b in bounds], axis=0), np.max([b[1] for b in bounds], axis=0)
    np.testing.assert_allclose((low + high) / 2, [110, 110], atol=0.01)


def test_estimate_and_files_follow_the_new_pose() -> None:
    piece = piece_of(cavity=mushroom()).pipe(ms.lay_out).pipe(ms.overhangs).pipe(ms.estimate)
    (hanging,) = piece.record("overhangs")["figures"]["parts"]
    assert hanging["flagged_mm2"] == 0
    (row,) = piece.record("estimate")["figures"]["parts"]
    assert row["support_g"] == 0


def test_spacing_out_of_range_is_refused() -> None:
    with pytest.raises(ms.BadParameter, match="spacing_mm = 60"):
        piece_of(cavity=mushroom()).pipe(ms.lay_out, spacing_mm=60)


def test_an_unknown_turn_is_refused() -> None:
    with pytest.raises(ms.BadParameter, match=r"turn = 'upwards'\. Choose 'unsupported', 'best'"):
        piece_of(cavity=mushroom()).pipe(ms.lay_out, turn="upwards")  # type: ignore[arg-type]


def test_without_parts_there_is_nothing_to_lay_out() -> None:
    with pytest.raises(ms.BadParameter, match="split has not run"):
        ms.Workpiece("belly", {}).pipe(ms.lay_out)


def test_samples_spread_by_area() -> None:
    box = solid.to_mesh(solid.box((0, 0, 0), (100, 50, 10)))
    samples = surface_samples(box, 4000)
    assert samples.area_mm2 * 4000 == pytest.approx(box.area)
    for axis, area in zip(np.eye(3), (50 * 10, 100 * 10, 100 * 50), strict=True):
        mine = samples.normals @ axis > 0.5
        assert samples.area_mm2 * mine.sum() == pytest.approx(area, rel=0.02)
        np.testing.assert_allclose(
            samples.points[mine].mean(axis=0)[axis == 0],
            (np.array([50, 25, 5]))[axis == 0],
            rtol=0.05,
        )


def test_flat_sides_are_tried_as_exact_directions() -> None:
    from scipy.spatial import ConvexHull

    ups = directions(ConvexHull(solid.to_mesh(mushroom()).vertices))
    np.testing.assert_allclose(np.linalg.norm(ups, axis=1), 1)
    assert (ups == [0, 0, -1]).all(axis=1).any()
    # Nowhere on the sphere is farther than 15 degrees from a direction tried.
    everywhere = trimesh.creation.icosphere(subdivisions=3).vertices
    assert (everywhere @ ups.T).max(axis=1).min() > np.cos(np.radians(15))


@settings(deadline=None, max_examples=60)
@given(
    st.lists(st.tuples(st.floats(5, 200), st.floats(5, 180)), min_size=1, max_size=9),
    st.floats(0, 20),
)
def test_rectangles_never_overlap_or_leave_the_bed(
    sizes: list[tuple[float, float]], spacing: float
) -> None:
    bed = (200.0, 180.0)
    places = arranged(sizes, bed, spacing)
    boxes = []
    for (width, depth), place in zip(sizes, places, strict=True):
        wide, deep = (depth, width) if place.turned else (width, depth)
        boxes.append((place.plate, place.x_mm, place.y_mm, wide, deep))
        assert place.x_mm >= -0.02
        assert place.x_mm + wide <= bed[0] + 0.02
        assert place.y_mm >= -0.02
        assert place.y_mm + deep <= bed[1] + 0.02
    for one, two in combinations(boxes, 2):
        if one[0] == two[0]:
            across = max(one[1] - two[1] - two[3], two[1] - one[1] - one[3])
            back = max(one[2] - two[2] - two[4], two[2] - one[2] - one[4])
            assert max(across, back) >= spacing - 1e-6
    numbers = [place.plate for place in places]
    assert sorted(set(numbers)) == list(range(1, max(numbers) + 1))
    firsts = [numbers.index(number) for number in sorted(set(numbers))]
    assert firsts == sorted(firsts)


def test_what_fits_side_by_side_is_not_given_two_plates() -> None:
    assert {place.plate for place in arranged([(100, 90)] * 4, (205, 185), 5)} == {1}
    assert [place.plate for place in arranged([(100, 95)] * 4, (205, 185), 5)] == [1, 1, 2, 2]
    # Turned on its side, the second finds room.
    assert {place.plate for place in arranged([(200, 100), (70, 190)], (200, 180), 5)} == {1}
