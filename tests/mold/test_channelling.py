"""The mix has a way in, the air a way out."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import trimesh
from hills import belly, padded

import moldsmith as ms
from moldsmith.geometry import solid
from moldsmith.geometry.visibility import grid_over, lowest

BUMPS = ((-22.0, -14.0), (24.0, -12.0), (4.0, 20.0))


def test_a_bumpy_ceiling_gets_a_vent_for_each_bump_more() -> None:
    def vents(bumps: tuple[tuple[float, float], ...]) -> int:
        flat = ms.block(padded(_hollow(bumps), "outward"), pull=(0, 0, -1), style="cored")
        return len(ms.channels(flat).record("channels")["figures"]["vents"])

    assert vents(BUMPS) == vents(()) + 3


def _hollow(bumps: tuple[tuple[float, float], ...]) -> trimesh.Trimesh:
    """The belly with its bumps pushed in: in the pouring pose they are the ceiling's pockets."""
    plain, bumped = belly(), belly(bumps)
    pushed = 2 * plain.vertices[:, 2] - bumped.vertices[:, 2]
    vertices = np.column_stack([plain.vertices[:, :2], pushed])
    return trimesh.Trimesh(vertices, plain.faces, process=False)


def test_every_pocket_has_a_vent_and_every_channel_joins_void_and_outside(
    channelled: ms.Workpiece,
) -> None:
    figures = channelled.record("channels")["figures"]
    assert len(figures["vents"]) == figures["pockets"]
    core, cavity, pad = (channelled.body(name) for name in ("core", "cavity", "pad"))
    for bore in (*figures["sprues"], *figures["vents"]):
        base = (bore["x"], bore["y"], bore["void_z"])
        length = bore["outside_z"] - bore["void_z"]
        # A wire half as thick as the bore goes through from the void to the outside.
        wire = solid.frustum(base, (0, 0, length + 1), bore["void_mm"] / 4, bore["void_mm"] / 4, 16)
        for body in (core, cavity):
            blocked = solid.intersection(wire, solid.from_mesh(body))
            assert solid.volume_mm3(blocked) < 1e-3
        assert solid.volume_mm3(solid.intersection(wire, solid.from_mesh(pad))) > 0.1
        assert bore["void_z"] < bore["ceiling_z"]
        assert bore["outside_z"] == pytest.approx(core.bounds[1, 2], abs=1e-3)


def test_first_sprue_stands_over_the_lowest_place_of_the_void(channelled: ms.Workpiece) -> None:
    (sprue,) = channelled.record("channels")["figures"]["sprues"]
    pad = channelled.body("pad")
    grid = grid_over(pad.bounds[0, :2], pad.bounds[1, :2], 1.0)
    floor = lowest(pad.vertices, pad.faces, grid).ravel()
    away = np.linalg.norm(grid.places(np.arange(floor.size)) - [sprue["x"], sprue["y"]], axis=1)
    # As low as anything that keeps clear of the rim.
    assert floor[away < 2].min() < np.quantile(floor[np.isfinite(floor)], 0.1) + 1.0


def test_bores_widen_outward_and_take_what_they_say(
    cored: ms.Workpiece, channelled: ms.Workpiece
) -> None:
    figures = channelled.record("channels")["figures"]
    for bore in (*figures["sprues"], *figures["vents"]):
        length = bore["outside_z"] - bore["void_z"]
        flare = 2 * np.tan(np.radians(1.5)) * length
        assert bore["outside_mm"] - bore["void_mm"] == pytest.approx(flare, abs=1e-3)
    taken = cored.body("core").volume - channelled.body("core").volume
    assert taken / 1000 == pytest.approx(figures["channels_cm3"], abs=0.01)
    assert channelled.body("core").is_watertight
    assert channelled.body("cavity") is cored.body("cavity")


def test_a_lid_is_drilled_where_there_is_no_core(lidded: ms.Workpiece) -> None:
    piece = ms.channels(lidded, sprues=2, sprue_mm=6, funnel_mm=16)
    assert piece.record("channels")["figures"]["drilled_body"] == "lid"
    sprues = piece.record("channels")["figures"]["sprues"]
    assert len(sprues) == 2
    places = np.array([[sprue["x"], sprue["y"]] for sprue in sprues])
    assert np.linalg.norm(places[0] - places[1]) > 18


def test_sprues_keep_clear_of_each_other_s_funnels_and_it_is_said_how_many_found_room(
    cored: ms.Workpiece,
) -> None:
    piece = ms.channels(cored, sprues=8, sprue_mm=4, funnel_mm=14)
    bores = piece.record("channels")["figures"]["sprues"]
    places = np.array([[bore["x"], bore["y"]] for bore in bores])
    between = np.linalg.norm(places[:, None] - places, axis=2)[~np.eye(len(bores), dtype=bool)]
    assert len(bores) > 1
    assert between.min() >= max(bore["funnel_mm"] for bore in bores) + 3
    (note,) = (finding for finding in piece.findings if finding.code == "few-sprues")
    assert f"only {len(bores)} of 8 sprues" in note.message


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"sprues": 0}, "sprues = 0. Choose 1 to 8"),
        ({"sprue_mm": 2}, "sprue_mm = 2. Choose 4 to 60"),
        ({"funnel_mm": 5}, "funnel_mm = 5. Choose 12 to 120"),
        ({"vent_mm": 0.5}, "vent_mm = 0.5. Choose 1 to 12"),
        ({"taper_deg": 20}, "taper_deg = 20"),
        ({"pocket_mm": 0}, "pocket_mm = 0"),
    ],
)
def test_sizes_out_of_range_are_refused(cored: ms.Workpiece, wrong: Any, said: str) -> None:
    with pytest.raises(ms.BadParameter, match=said):
        ms.channels(cored, **wrong)
