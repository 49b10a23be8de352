"""Where bodies are cut: into the fewest parts, away from what must stay whole."""

from __future__ import annotations

import numpy as np
import pytest

import moldsmith as ms
from checks import socket_gap_mm3
from moldsmith.geometry import solid
from moldsmith.mold.parts.cut_planes import Cut
from moldsmith.mold.parts.cutting import place_cuts
from moldsmith.mold.parts.keep_outs import KeepOut
from moldsmith.mold.parts.keying import Joint, place_keys
from moldsmith.mold.parts.pegging import place_pegs
from moldsmith.mold.parts.separating import separate
from moldsmith.printing.pose import bed_pose, fits_flat


def slab(x: float, y: float, z: float) -> solid.Solid:
    return solid.box((0, 0, 0), (x, y, z))


def parts(body: solid.Solid, volume: tuple[float, float, float]) -> int:
    cuts = place_cuts(body, ms.Printer(volume_mm=volume), [])
    return int(np.prod([1 + sum(cut.axis == axis for cut in cuts) for axis in range(3)]))


def test_a_printer_that_just_fits_needs_no_cut() -> None:
    assert parts(slab(220, 220, 250), (220, 220, 250)) == 1
    assert parts(slab(221, 220, 250), (220, 220, 250)) == 2


def test_a_body_longer_than_the_bed_but_not_its_diagonal_is_turned_and_not_cut() -> None:
    assert fits_flat(260, 30, ms.Printer())
    assert not fits_flat(320, 30, ms.Printer())
    assert parts(slab(260, 30, 40), (220, 220, 250)) == 1
    corners = np.array([(x, y, z) for x in (0, 260) for y in (0, 30) for z in (0, 40)], float)
    pose = bed_pose(corners, ms.Printer(), upside_down=False)
    assert pose is not None
    laid = corners @ pose[:3, :3].T + pose[:3, 3]
    assert laid.min() > -0.02
    assert (laid.max(axis=0) < [220.02, 220.02, 250.02]).all()
    assert laid[:, 2].min() == pytest.approx(0)
    assert pose[2, :3] == pytest.approx([0, 0, 1])  # about z only


def test_the_fewest_parts_are_chosen() -> None:
    assert parts(slab(400, 100, 60), (220, 220, 250)) == 2
    assert parts(slab(400, 400, 60), (220, 220, 250)) == 4
    assert parts(slab(100, 100, 400), (220, 220, 250)) == 2


def test_a_cut_keeps_clear_of_a_bore_in_the_middle() -> None:
    body = slab(300, 120, 60)
    (free,) = place_cuts(body, ms.Printer(), [])
    assert free.at == pytest.approx(150, abs=1)
    bore = KeepOut("a bore", solid.frustum((150, 60, -1), (0, 0, 62), 12, 12, 48))
    (moved,) = place_cuts(body, ms.Printer(), [bore])
    assert abs(moved.at - 150) >= 12 + 3


def test_pegs_of_a_cut_lie_in_the_material_and_the_first_is_the_odd_one() -> None:
    body = slab(300, 120, 60)
    (cut,) = place_cuts(body, ms.Printer(), [])
    (pegs,) = place_pegs(body, cut, [cut], 0.2)
    assert len(pegs) >= 3  # 72 cm2
    assert pegs[0].radius_mm > 1.2 * max(peg.radius_mm for peg in pegs[1:])
    for peg in pegs:
        assert peg.base[0] == pytest.approx(cut.at)
        reach = peg.radius_mm / np.cos(np.pi / peg.sides)
        assert reach + 1.2 < peg.base[1] < 120 - reach - 1.2
        assert reach + 1.2 < peg.base[2] < 60 - reach - 1.2


@pytest.mark.parametrize("joint", ["pegs", "dovetail", "dowels", "bolted"])
@pytest.mark.parametrize("away", [6.5, -4.5])
def test_keys_of_a_cut_keep_off_thin_bores_across_their_way(joint: Joint, away: float) -> None:
    solid_body = slab(300, 120, 60)
    (cut,) = place_cuts(solid_body, ms.Printer(), [])
    vents = [
        solid.frustum((cut.at + away, y, -1), (0, 0, 62), 1.0, 1.0, 16) for y in (15, 35, 60, 90)
    ]
    keying = place_keys(solid.difference(solid_body, *vents), cut, [cut], 0.2, joint, -1)
    assert keying.joint == joint
    for key in (key for group in (*keying.groups, keying.bolts) for key in group):
        below, above = key.taken(0.2)
        for rooms, way in ((below, -1.0), (above, 1.0)):
            for room in rooms:
                own = solid.trim_by_plane(room, (way, 0, 0), way * cut.at)
                assert min(solid.min_gap(own, vent, 5.0) for vent in vents) > 1.0


def test_a_crumb_too_small_to_print_stays_on_its_neighbour() -> None:
    bump = solid.box((49, 29, 39), (52, 32, 42))
    body = solid.union(slab(100, 60, 40), bump)
    parted = separate(body, [Cut(0, 50.0), Cut(2, 40.5)], 0.2, "pegs", -1)
    assert len(parted.parts) == 2
    assert all(len(solid.components(part)) == 1 for part in parted.parts)
    assert [part.bounding_box()[5] for part in parted.parts] == [42, 42]
    ((_, _, cut),) = parted.joints
    gaps = sum(socket_gap_mm3(dict(key.described()), 0.2) for key in cut.keys)
    together = sum(solid.volume_mm3(part) for part in parted.parts)
    assert together + gaps == pytest.approx(solid.volume_mm3(body), rel=1e-5)


def test_larger_sections_get_more_pegs() -> None:
    def count(width: float) -> int:
        body = slab(300, width, 40)
        (cut,) = place_cuts(body, ms.Printer(), [])
        return len(place_pegs(body, cut, [cut], 0.2)[0])

    assert count(40) == 2
    assert count(200) > count(40)


def test_a_printer_smaller_than_a_key_is_refused() -> None:
    with pytest.raises(ms.BadParameter, match=r"a part must hold a key of 8 mm.*at least 24 mm"):
        place_cuts(slab(50, 50, 50), ms.Printer(volume_mm=(20, 220, 250)), [])
    with pytest.raises(ms.BadParameter, match="needs more than 64 parts"):
        place_cuts(slab(300, 300, 300), ms.Printer(volume_mm=(60, 60, 60)), [])
