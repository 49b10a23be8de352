"""How a mold fills."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import trimesh

import moldsmith as ms
from moldsmith.geometry import solid
from moldsmith.mold.bores import Channel, bore_solid
from moldsmith.pouring.channels import channel_rows, over_mm3, vent_bore_mm


def filled(piece: ms.Workpiece, **more: Any) -> Any:
    return ms.fill(piece, **more).record("fill")["figures"]


def test_the_curve_ends_at_what_the_mix_fills(cored: ms.Workpiece) -> None:
    figures = filled(cored)
    mix = ms.mix(cored, material=ms.material("foam-80")).record("mix")["figures"]
    heights, volumes = np.array(figures["curve"]).T
    assert volumes[0] == pytest.approx(0, abs=1e-6)
    assert (np.diff(volumes) > 0).all()
    assert (np.diff(heights) > 0).all()
    assert volumes[-1] == pytest.approx(mix["void_cm3"] + mix["channels_cm3"], rel=2e-3)


def test_vents_are_numbered_as_they_fill_and_foam_escapes_the_other_way(
    cored: ms.Workpiece,
) -> None:
    vents = filled(cored, material=ms.material("foam-80"))["vents"]
    count = len(cored.record("channels")["figures"]["vents"])
    assert [row["order"] for row in vents] == list(range(1, count + 1))
    assert [row["escape"] for row in vents] == list(range(count, 0, -1))
    assert (np.diff([row["height_mm"] for row in vents]) >= -1e-6).all()
    assert (np.diff([row["after_cm3"] for row in vents]) >= -1e-6).all()
    assert filled(cored)["vents"][0]["escape"] is None


def test_a_vented_mold_traps_no_air_and_one_without_vents_does(cored: ms.Workpiece) -> None:
    vented = filled(cored)
    assert all(row["left_cm3"] == 0 for row in vented["pockets"])
    records = list(cored.records)
    channels = dict(records[-1])
    channels["figures"] = {**channels["figures"], "vents": []}
    bare = ms.Workpiece("bare", cored.bodies, cored.frame, (*records[:-1], channels))
    run = ms.fill(bare)
    held = run.record("fill")["figures"]["pockets"]
    assert all(row["left_cm3"] == row["cm3"] > 0 for row in held)
    assert {item.code for item in run.findings} >= {"air-trapped"}


def test_a_dome_without_a_vent_traps_the_cap_over_the_sprue() -> None:
    # A ball of R 30 as the void; the sprue opens at the height of h under its top.
    ball = trimesh.creation.icosphere(4, 30.0)
    z = 18.0
    radius = float(np.sqrt(30.0**2 - z**2))
    channel = {
        "x": radius, "y": 0.0, "void_z": z - 2, "outside_z": 50.0, "void_mm": 2.0,
        "outside_mm": 2.0, "ceiling_z": z, "funnel_mm": 0.0, "pocket_mm": 0.0,
    }  # fmt: skip
    piece = ms.Workpiece("ball", {"pad": ball}, records=_records(channel))
    (pocket,) = filled(piece)["pockets"]
    height = 30 - z
    assert pocket["depth_mm"] == pytest.approx(height, abs=0.1)
    assert pocket["cm3"] == pytest.approx(np.pi * height**2 * (90 - height) / 3000, rel=0.02)
    assert pocket["vent"] is None


def _records(channel: dict[str, float]) -> tuple[dict[str, Any], ...]:
    block = {"stage": "block", "figures": {"mold_bodies": []}, "findings": [], "parameters": {}}
    figures = {"sprues": [channel], "vents": [], "channels_cm3": 0.0}
    return (block, {"stage": "channels", "figures": figures, "findings": [], "parameters": {}})


def test_the_open_cavity_is_poured_at_its_low_point_first(cored: ms.Workpiece) -> None:
    first = filled(cored)["pour_first"][0]
    pad = cored.body("pad")
    assert first[2] == pytest.approx(pad.bounds[0, 2], abs=0.01)


def test_side_pieces_round_a_core_have_no_open_cavity(sleeve: ms.Workpiece) -> None:
    assert filled(sleeve)["pour_first"] == []
    guess = ms.mix(sleeve, material=ms.material("foam-80")).record("mix")["figures"]["open_guess"]
    assert not any(key.startswith("open_cavity") for key in guess)
    assert guess["free_rise_off_percent"] < 0
    closed = ms.Workpiece("calf", dict(sleeve.bodies), records=sleeve.records[:-1])
    (finding,) = [item for item in ms.fill(closed).findings if item.code == "no-channels"]
    assert "cannot be poured" in finding.message


def test_a_mold_propped_up_needs_fewer_vents_and_keeps_its_funnel_dry(
    pad: ms.Workpiece,
) -> None:
    block = ms.block(pad, style="cored")
    level, tilted = ms.channels(block), ms.channels(block, pouring="tilted")
    flat, leaning = (run.record("channels")["figures"] for run in (level, tilted))
    assert flat["up"] == [0, 0, 1]
    assert leaning["pockets"] < flat["pockets"]
    assert "tilt-helps" in {item.code for item in ms.fill(level).findings}
    figures = filled(tilted)
    assert figures["up"] == leaning["up"]
    assert all(row["head_mm"] >= 0 for row in figures["funnels"])
    assert not any(row["left_cm3"] > 0.05 for row in figures["pockets"])
    mix = ms.mix(tilted, material=ms.material("foam-80")).record("mix")["figures"]
    ways = mix["ways_cm3"].values()
    assert max(ways) / min(ways) < 1.005
    assert mix["void_cm3"] + mix["channels_cm3"] == pytest.approx(figures["full_cm3"], rel=5e-3)
    # The show face stays below: the lean is less than what was allowed.
    assert figures["tilt_deg"] <= 20.01


def test_what_lies_over_a_level_in_a_channel_is_its_solids(cored: ms.Workpiece) -> None:
    for row in channel_rows(cored):
        body = bore_solid(Channel(**{key: row[key] for key in row if key != "vent"}))
        body = solid.trim_by_plane(body, (0, 0, -1), -row["outside_z"])
        for level in np.linspace(row["void_z"], row["outside_z"], 5):
            over = solid.trim_by_plane(body, (0, 0, 1), level)
            assert over_mm3(row, level) == pytest.approx(solid.volume_mm3(over), rel=0.006, abs=0.1)


def test_a_vents_bore_lets_the_air_out_by_poiseuille() -> None:
    bore = vent_bore_mm(100, 30)
    held = 8 * 1.8e-5 * 0.030 * 100e-6 / (np.pi * (bore / 2000) ** 4)
    assert held == pytest.approx(50)
    assert 1 < bore < 3  # the usual vent of 1 to 3 mm is wide enough (common practice)


def test_values_out_of_range_are_refused(cored: ms.Workpiece) -> None:
    with pytest.raises(ms.BadParameter, match=r"most_tilt_deg = 60\. Choose 0 to 35"):
        ms.fill(cored, most_tilt_deg=60)
    with pytest.raises(ms.BadParameter, match="pocket_mm = 0"):
        ms.fill(cored, pocket_mm=0)
    with pytest.raises(ms.BadParameter, match="block has not run"):
        ms.fill(ms.Workpiece("bare"))
