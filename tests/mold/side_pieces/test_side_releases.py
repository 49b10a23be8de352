"""Side pieces that do not come off are refused with a picture and a number; six of them open."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely

import moldsmith as ms
import sleeves
from moldsmith.errors import CannotBuild
from moldsmith.geometry import solid
from moldsmith.geometry.hollows import hollows
from moldsmith.geometry.radial import radial_map
from moldsmith.mold.release.opening import Release, opened
from moldsmith.mold.side_pieces import building as side_blocks
from moldsmith.mold.side_pieces.findings import Hold, hold_of
from moldsmith.mold.side_pieces.pulls import Surface
from moldsmith.mold.side_pieces.wedges import Sides, planned
from side_checks import SideRun

UP, DOWN = (0.0, 0.0, 1.0), (0.0, 0.0, -1.0)


def bent(folder: Path) -> ms.Workpiece:
    tube = sleeves.tube(
        lambda _, z: 44 - 0.08 * z, 60, axis=lambda z: 14 * np.sin(np.pi * z / 60), step=8
    )
    piece = ms.Workpiece("bent", {"scan": tube}, folder=folder)
    return ms.shell(piece, thickness_mm=5, taper_mm=10, cell_mm=5)


def test_bodies_that_wait_for_each_other_hold_the_mold_shut() -> None:
    hooks = {
        "left": solid.union(solid.box((0, 0, 0), (10, 10, 5)), solid.box((6, 0, 5), (10, 10, 9))),
        "right": solid.union(solid.box((2, 0, 9), (10, 10, 14)), solid.box((2, 0, 5), (6, 10, 9))),
    }
    hold = hold_of(*opened(hooks, {"left": UP, "right": DOWN}), 2.0)
    assert hold is not None
    assert hold.what == "left and right block each other on their way out"
    assert hold.depth_mm > 1
    assert not hold.in_casting


def test_casting_may_be_met_as_deep_as_permitted_and_no_deeper() -> None:
    one = Release("side-1", UP, 9.0, 0.0, 1.9)
    other = Release("side-2", DOWN, 9.0, 0.0, 2.1, casting_where=(1.0, 2.0, 3.0))
    assert hold_of([one], [], 2.0) is None
    hold = hold_of([one, other], [], 2.0)
    assert hold is not None
    assert (hold.bodies, hold.depth_mm, hold.where) == (("side-2",), 2.1, (1.0, 2.0, 3.0))


def stricter(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if no more than 0.06 mm were permitted: two halves of the bent tube meet it by 0.09."""
    monkeypatch.setattr(
        side_blocks, "hold_of", lambda releases, stuck, _: hold_of(releases, stuck, 0.06)
    )


def test_what_the_plan_did_not_foresee_is_refused_with_place_picture_and_number(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stricter(monkeypatch)
    with pytest.raises(CannotBuild, match=r"2 side pieces do not release the pad: side-\d runs into"
                                          r" the casting.*mm deep at x.*pieces = 3"):  # fmt: skip
        ms.block(bent(tmp_path / "bent"), style="pieces", pieces=2)
    picture = next((tmp_path / "bent").glob("*-block/failed-held.png"))
    assert picture.read_bytes().startswith(b"\x89PNG")


def lobed(folder: Path) -> ms.Workpiece:
    lobes = sleeves.tube(lambda turn, _: 42 + 11 * np.cos(5 * turn), 40, step=6)
    piece = ms.Workpiece("lobes", {"scan": lobes}, folder=folder)
    return ms.shell(piece, thickness_mm=4, taper_mm=10, cell_mm=5)


@pytest.mark.parametrize(("opens", "offered"), [((4, 5), 4), ((), None)], ids=["later", "none"])
def test_number_offered_for_a_plan_that_fails_comes_off_when_moved(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, opens: tuple[int, ...], offered: int | None
) -> None:
    """As if only so many pieces came off, whatever their plans say."""
    tried: list[int] = []

    def told(releases: list[Release], stuck: list[str], permitted_mm: float) -> Hold | None:
        tried.append(len(releases) - 1)
        rings = [] if tried[-1] in opens else ["side-1", "side-2"]
        return hold_of(releases, stuck or rings, permitted_mm)

    monkeypatch.setattr(side_blocks, "hold_of", told)
    said = rf"Choose pieces = {offered} \(moved out" if offered else "None of 2 to 6 releases it"
    with pytest.raises(CannotBuild, match=rf"2 side pieces do not release the pad: .*{said}"):
        ms.block(lobed(tmp_path / "lobes"), style="pieces", pieces=2)
    assert tried[-1] == (offered or 6)
    picture = next((tmp_path / "lobes").glob("*-block/failed-held.png"))
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_softer_casting_is_offered_where_no_number_comes_off_and_does_when_moved(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As if every plan held the casting by 1.2 mm."""

    def held(surface: Surface, count: int) -> list[Sides]:
        strain = 1.2 / surface.permitted_mm
        return [replace(p, strain=strain, depth_mm=1.2) for p in planned(surface, count)]

    monkeypatch.setattr(side_blocks, "planned", held)
    with pytest.raises(CannotBuild, match=r"None of 2 to 6 .*pieces = 2 and permitted_undercut_mm "
                                          r"= 1.2 \(moved out, they come off\)"):  # fmt: skip
        ms.block(bent(tmp_path / "bent"), style="pieces", permitted_undercut_mm=0.5)


def test_fewest_pieces_are_the_fewest_that_open_when_moved(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stricter(monkeypatch)
    figures = ms.block(bent(tmp_path / "bent"), style="pieces").record("block")["figures"]
    assert figures["sides"] == 3
    assert [item["pieces"] for item in figures["tried"]] == [2, 3]


def test_hollows_behind_hooks_count_when_pulls_are_chosen() -> None:
    """Four ribs with hooks on both sides: seen from the middle alone they come off."""
    disc = shapely.Point(0, 0).buffer(40, quad_segs=32)
    rib = shapely.union_all([shapely.box(38, -3, 47, 3), shapely.box(47, -12, 58, 12)])
    ribs = [shapely.affinity.rotate(rib, 90 * k, origin=(0, 0)) for k in range(4)]
    body = solid.extrude(shapely.union_all([disc, *ribs]), 0, 6)
    found = radial_map(body, 0.0, 6.0, 2.0)
    outermost = replace(found, hollows=hollows([], np.empty((0, 2)), found.reach))
    seen, held = (
        planned(Surface(each, np.zeros(found.reach.shape, dtype=bool), 3.0, 0.3), 4)[-1]
        for each in (outermost, found)
    )
    assert seen.releases
    # One pull frees a hook's hollow from the side, but not its twin's: 12 - 3 under the hook.
    assert not held.releases
    assert held.depth_mm == pytest.approx(9, abs=1.5)


def test_six_side_pieces_come_off_one_after_another(tmp_path: Path) -> None:
    figures = ms.block(lobed(tmp_path / "lobes"), style="pieces", pieces=6).record("block")[
        "figures"
    ]
    assert figures["mold_bodies"] == [*(f"side-{k}" for k in range(1, 7)), "core"]
    assert max(step["penetration_mm"] for step in figures["opening"]) <= 0.01
    run = SideRun(tmp_path / "lobes")
    assert run.stuck() == []
    assert run.casting_held_mm() <= 2.0
