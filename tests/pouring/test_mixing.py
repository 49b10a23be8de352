"""The mix plan is by the void that is there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import trimesh

import moldsmith as ms

FOAM = ms.material("foam-80")


@pytest.mark.parametrize("mold", ["cored", "lidded", "split_up", "jacket", "sleeve"])
def test_three_ways_to_measure_the_void_agree_within_half_a_percent(
    mold: str, request: pytest.FixtureRequest
) -> None:
    piece = request.getfixturevalue(mold)
    figures = ms.mix(piece, material=FOAM).record("mix")["figures"]
    ways = figures["ways_cm3"]
    assert set(ways) == {"booleans", "rays", "pad"}
    assert max(ways.values()) / min(ways.values()) < 1.005
    assert ways["pad"] == pytest.approx(piece.body("pad").volume / 1000, abs=1e-3)


def test_channels_count_up_to_their_fill_level(cored: ms.Workpiece) -> None:
    drilled = cored.record("channels")["figures"]["channels_cm3"]
    top = cored.body("core").bounds[1, 2]
    full, half, foot = (
        ms.mix(cored, material=FOAM, fill_level_mm=level).record("mix")["figures"]
        for level in (top, top - 3, cored.body("pad").bounds[1, 2])
    )
    assert full["channels_cm3"] == pytest.approx(drilled, abs=1e-3)
    assert foot["channels_cm3"] < half["channels_cm3"] < full["channels_cm3"]
    assert full["void_cm3"] == pytest.approx(half["void_cm3"], rel=2e-3)
    assert foot["fill_level_mm"] == pytest.approx(cored.body("pad").bounds[1, 2], abs=1e-3)


def test_the_mass_is_volume_times_free_rise_times_packing(cored: ms.Workpiece) -> None:
    figures = ms.mix(
        cored, material=FOAM, packing_factor=1.2, waste_cup_g=0, waste_percent=0, scale_g=0.01
    ).record("mix")["figures"]
    volume = figures["void_cm3"] + figures["channels_cm3"]
    assert figures["cast_g"] == pytest.approx(volume * 80 * 1.2 / 1000, abs=0.006)
    assert figures["mixed_g"] == pytest.approx(figures["cast_g"], abs=0.2)
    grams = [row["grams"] for row in figures["parts"]]
    assert grams[0] / grams[1] == pytest.approx(2, rel=0.01)  # 100:50


def test_waste_is_added_and_the_scale_rounds_up(cored: ms.Workpiece) -> None:
    figures = ms.mix(cored, material=FOAM, waste_cup_g=20, waste_percent=10).record("mix")[
        "figures"
    ]
    assert figures["mixed_g"] >= figures["cast_g"] * 1.1 + 20
    assert all(row["grams"] == round(row["grams"]) for row in figures["parts"])
    assert sum(row["grams"] for row in figures["parts"]) == figures["mixed_g"]


def test_a_measured_free_rise_takes_the_place_of_the_data_sheets(cored: ms.Workpiece) -> None:
    told, measured = (
        ms.mix(cored, material=FOAM, measured_free_rise_kg_m3=value) for value in (None, 96.0)
    )
    ratio = [run.record("mix")["figures"]["cast_g"] for run in (measured, told)]
    assert ratio[0] / ratio[1] == pytest.approx(96 / 80, rel=5e-3)
    codes = [{item.code for item in run.findings} for run in (told, measured)]
    assert "free-rise-not-measured" in codes[0]
    assert "free-rise-not-measured" not in codes[1]


def test_guesses_by_open_volume_are_told_how_far_they_are_off(lidded: ms.Workpiece) -> None:
    figures = ms.mix(lidded, material=FOAM).record("mix")["figures"]
    guess = figures["open_guess"]
    assert guess["free_rise_g"] == pytest.approx(figures["void_cm3"] * 0.08, abs=0.06)
    assert guess["free_rise_off_percent"] < -10
    # The lidded void is the open cavity, but for what stands over the lowest place of the rim.
    assert 0.3 * figures["void_cm3"] < guess["open_cavity_cm3"] <= 1.01 * figures["void_cm3"]


def test_a_mix_that_runs_too_slowly_for_its_pot_life_is_poured_in_batches(
    cored: ms.Workpiece,
) -> None:
    thick = replace(ms.material("condensation-silicone"), pot_life_s=250.0)
    run = ms.mix(cored, material=thick, pour_rate_ml_s=0.2)
    figures = run.record("mix")["figures"]
    room = figures["pour_s"] / (250 - thick.mixing_s)
    assert figures["pours"] == -(-room // 1) > 1
    assert figures["mixed_g"] == pytest.approx(figures["pours"] * figures["batch_g"])
    (finding,) = [item for item in run.findings if item.code == "several-pours"]
    assert "sprue_mm wider" in finding.message


def test_stirring_that_takes_all_of_the_pot_life_is_refused(cored: ms.Workpiece) -> None:
    for mixing_s in (40.0, 60.0):
        with pytest.raises(ms.BadParameter, match="leaves no time to pour after mixing_s"):
            ms.mix(cored, material=replace(FOAM, mixing_s=mixing_s))


def test_a_foam_packed_heavier_than_its_liquid_is_refused(cored: ms.Workpiece) -> None:
    with pytest.raises(ms.BadParameter, match="no less than the 1074 kg/m³ of the liquid"):
        ms.mix(cored, material=FOAM, packing_factor=2, measured_free_rise_kg_m3=600)


def test_what_the_data_sheet_lacks_is_told_with_the_plan(cored: ms.Workpiece) -> None:
    bare = replace(FOAM, assumed=("mixing_s",))
    assert ms.mix(cored, material=bare).record("mix")["figures"]["assumed"] == {"mixing_s": 15}
    assert ms.mix(cored, material=FOAM).record("mix")["figures"]["assumed"] == {}


def test_a_coarse_scale_that_spoils_the_ratio_is_found(cored: ms.Workpiece) -> None:
    run = ms.mix(cored, material=ms.material("condensation-silicone"), scale_g=10)
    assert "ratio-rounded" in {item.code for item in run.findings}


def test_a_powder_is_weighed_only(cored: ms.Workpiece) -> None:
    figures = ms.mix(cored, material=ms.material("gypsum-stone")).record("mix")["figures"]
    powder, water = figures["parts"]
    assert powder["ml"] is None
    assert water["ml"] == pytest.approx(water["grams"], rel=1e-3)


def test_parts_of_a_split_mold_enclose_what_the_whole_bodies_did(
    cored: ms.Workpiece, split_up: ms.Workpiece
) -> None:
    assert len([name for name in split_up.bodies if name.startswith("cavity-")]) > 1
    whole, parts = (
        ms.mix(piece, material=FOAM).record("mix")["figures"]["void_cm3"]
        for piece in (cored, split_up)
    )
    assert parts == pytest.approx(whole, rel=1e-4)


def test_a_gap_between_the_parts_shows_as_a_difference_of_the_ways(cored: ms.Workpiece) -> None:
    core = cored.body("core")
    lifted = trimesh.Trimesh(core.vertices + np.array([0, 0, 1.0]), core.faces, process=False)
    run = ms.mix(cored.with_bodies(core=lifted), material=FOAM)
    assert "void-ways-differ" in {item.code for item in run.findings}


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        ({"cup_ml": 5}, r"cup_ml = 5. Choose 20 to 20000"),
        ({"packing_factor": 3}, r"packing_factor = 3. Choose 1 to 2"),
        ({"scale_g": 0}, r"scale_g = 0. Choose 0.01 to 10"),
        ({"waste_percent": 80}, r"waste_percent = 80"),
        ({"fill_level_mm": 0.0}, r"fill_level_mm = 0\. Choose \d[\d.]* to \d"),
        ({"fill_level_mm": 1e6}, r"fill_level_mm = 1e\+06\. Choose \d"),
    ],
)
def test_values_out_of_range_are_refused(
    cored: ms.Workpiece, wrong: dict[str, float], told: str
) -> None:
    with pytest.raises(ms.BadParameter, match=told):
        ms.mix(cored, material=FOAM, **wrong)


def test_rubber_has_no_packing(cored: ms.Workpiece) -> None:
    with pytest.raises(ms.BadParameter, match="for foams"):
        ms.mix(cored, material=ms.material("urethane-rubber"), packing_factor=1.1)
    with pytest.raises(ms.BadParameter, match="no body 'pad'"):
        ms.mix(ms.Workpiece("bare"), material=FOAM)
