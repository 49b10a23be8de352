"""The order in which bodies come apart, on bodies whose order and depth are known."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from moldsmith.geometry import solid
from moldsmith.mold.release.opening import CONTACT_MM, lift_off, opened, swept_mm

UP = (0.0, 0.0, 1.0)


def tray() -> solid.Solid:
    return solid.difference(solid.box((0, 0, 0), (40, 40, 20)), solid.box((5, 5, 5), (35, 35, 25)))


def test_block_lifts_out_of_a_tray_that_fits_it() -> None:
    release = lift_off("core", solid.box((5, 5, 5), (35, 35, 30)), tray())
    assert release.penetration_mm <= CONTACT_MM
    assert release.travel_mm == pytest.approx(15)


def test_block_under_a_lip_meets_all_of_the_lip() -> None:
    """A lip 3 mm wide and 4 mm thick all round: the block enters it by up to the thickness."""
    lip = solid.difference(solid.box((5, 5, 16), (35, 35, 20)), solid.box((8, 8, 15), (32, 32, 21)))
    body = solid.box((5, 5, 5), (35, 35, 15))
    depth, where = swept_mm(body, solid.union(tray(), lip), UP)
    # A ring of 3 x 4 mm: four times its volume over its area, 4 A / perimeter of the section.
    assert depth == pytest.approx(4 * 12 / 14, rel=0.05)
    assert 5 < where[2] < 16


def test_thin_film_s_depth_is_at_most_twice_its_thickness() -> None:
    wedge = solid.hull(
        [[0, 0, 0], [50, 0, 0], [50, 0, 0.4], [0, 30, 0], [50, 30, 0], [50, 30, 0.4]]
    )
    depth, _ = swept_mm(solid.box((0, 0, -10), (50, 30, -0.1)), wedge, UP, enough_mm=0.2)
    assert 0.2 < depth < 0.8


def test_what_lies_on_top_goes_first() -> None:
    bodies = {
        "base": solid.box((0, 0, 0), (20, 20, 10)),
        "cap": solid.box((0, 0, 10), (20, 20, 15)),
        "middle": solid.box((20, 0, 0), (30, 20, 12)),
    }
    ways = {"base": UP, "cap": UP, "middle": (1.0, 0.0, 0.0)}
    releases, stuck = opened(bodies, ways)
    assert stuck == []
    assert [release.body for release in releases] == ["cap", "base", "middle"]
    assert [release.after for release in releases] == [(), ("cap",), ()]
    assert max(release.penetration_mm for release in releases) <= CONTACT_MM


def test_bodies_that_wait_for_each_other_are_named() -> None:
    hooks = {
        "left": solid.union(solid.box((0, 0, 0), (10, 10, 5)), solid.box((6, 0, 5), (10, 10, 9))),
        "right": solid.union(solid.box((2, 0, 9), (10, 10, 14)), solid.box((2, 0, 5), (6, 10, 9))),
    }
    releases, stuck = opened(hooks, {"left": UP, "right": (0.0, 0.0, -1.0)})
    assert stuck == ["left", "right"]
    assert max(release.penetration_mm for release in releases) > 1


def test_casting_gives_way_but_rigid_bodies_do_not() -> None:
    mold = {"cavity": tray(), "core": solid.box((8, 8, 10), (32, 32, 30))}
    soft = solid.box((4.5, 8, 6), (35, 32, 9))  # half a millimetre into the wall, by fault
    releases, _ = opened(mold, {"cavity": (0.0, 0.0, -1.0), "core": UP}, soft)
    assert releases[0].penetration_mm <= CONTACT_MM
    assert releases[0].casting_mm > 0.3


@pytest.mark.parametrize("out_mm", [0.05, 0.5])
def test_a_hook_on_a_wall_that_rubs_by_its_file_s_rounding_is_found(out_mm: float) -> None:
    """Walls of 30 x 60 mm in float32, askew, rub over all their area; the hook is 2 x 3 mm."""
    plug = solid.box((0, 0, 0), (60, 60, 30))
    plug = solid.union(plug, solid.box((59, 20, 5), (60 + out_mm, 22, 8)))
    tray = solid.difference(solid.box((-10, -10, -10), (70, 70, 30)), plug)
    free = solid.difference(tray, solid.box((50, 20, 5), (60 + out_mm, 22, 31)))
    depth, where = swept_mm(read_askew(plug), read_askew(tray), UP)
    assert out_mm <= depth <= 2 * out_mm
    assert 5 < where[2] < 8
    assert swept_mm(read_askew(plug), read_askew(free), UP)[0] <= CONTACT_MM


def read_askew(body: solid.Solid) -> solid.Solid:
    """The body turned and moved to odd measures, as an STL file says it."""
    turn = trimesh.transformations.rotation_matrix(0.3, UP)
    turn[:3, 3] = (100.3, 77.7, 0.0)
    mesh = solid.to_mesh(solid.moved(body, turn))
    mesh.vertices = mesh.vertices.astype(np.float32).astype(float)
    return solid.from_mesh(mesh)
