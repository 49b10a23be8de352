"""What follows what."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

import moldsmith as ms

FOAM, RUBBER = ms.material("foam-80"), ms.material("urethane-rubber")


def planned(**figures: dict[str, Any]) -> ms.Workpiece:
    """A piece whose stages have logged these figures."""
    rows = [
        {"stage": name, "figures": told, "findings": [], "parameters": {}, "outputs": {}}
        for name, told in figures.items()
    ]
    return ms.Workpiece("belly", records=tuple(rows))


MIX = {
    "pours": 1, "pour_s": 10.0, "vessel_ml": 144.0,
    "parts": [{"name": "B", "grams": 70.0}, {"name": "A", "grams": 35.0}],
}  # fmt: skip
COAT = {
    "steps": [
        {"what": "sand, grit 120", "hours": 0.5, "hand_h": 0.5},
        {"what": "sealer: varnish", "hours": 4.0, "hand_h": 0.4},
        {"what": "release", "hours": 1.5, "hand_h": 0.3},
    ]
}


def hours(seconds: float) -> float:
    return seconds / 3600


def told(piece: ms.Workpiece, **more: Any) -> Any:
    return ms.timeline(piece, **{"material": FOAM, **more}).record("timeline")["figures"]


def test_steps_follow_one_another_without_a_gap_and_add_up() -> None:
    estimate = {"plates": [{"number": 1, "seconds": 36_000}, {"number": 2, "seconds": 18_000}]}
    figures = told(planned(estimate=estimate, coat=COAT, mix=MIX))
    steps = figures["steps"]
    words = [step["what"].split()[0].strip(",:") for step in steps]
    assert words == [
        "print", "print", "cool", "sand", "sealer", "release", "assemble", "mix", "pour", "rise",
        "cure", "demold", "trim",
    ]  # fmt: skip
    # 10 h and 5 h with a quarter of an hour between; then all one after another.
    assert steps[1]["starts_h"] == pytest.approx(10.25)
    assert steps[2]["starts_h"] == pytest.approx(15.25)
    for before, after in pairwise(steps[2:]):
        assert after["starts_h"] == pytest.approx(before["starts_h"] + before["hours"], abs=2e-4)
    # By hand: 15.25 print, 0.5, 6 seal, 0.5 assemble, 1.5 h to demold from stirring, 0.25, 0.5.
    assert figures["total_h"] == pytest.approx(15.25 + 0.5 + 6 + 0.5 + 1.5 + 0.25 + 0.5, abs=2e-3)


def test_hours_by_hand_are_those_of_every_step_and_of_plate_changes() -> None:
    plates = [{"number": k, "seconds": 7200} for k in (1, 2, 3)]
    figures = told(planned(estimate={"plates": plates}, coat=COAT, mix=MIX), printers=2)
    steps = {step["what"].split()[0].strip(",:"): step for step in figures["steps"]}
    assert steps["sealer"]["hands_on"]
    assert (steps["sealer"]["hours"], steps["sealer"]["hand_h"]) == (4.0, 0.4)
    assert (steps["cure"]["hand_h"], steps["print"]["hand_h"]) == (0, 0)
    # One change of three plates on two printers; take off, coats, assemble, stir to risen, demold,
    # trim.
    assert figures["plate_changes_h"] == 0.25
    wanted = 0.25 + 0.5 + 0.5 + 0.4 + 0.3 + 0.5 + hours(200) + 0.25 + 0.5
    assert figures["hands_on_h"] == pytest.approx(wanted, abs=2e-3)
    alone = told(planned(estimate={"plates": plates}), printers=5)
    assert alone["plate_changes_h"] == 0


def test_a_foam_may_leave_the_mold_its_time_to_demold_after_stirring_began() -> None:
    figures = told(planned(mix=MIX))
    steps = {step["what"].split()[0].strip(",:"): step for step in figures["steps"]}
    began = steps["mix"]["starts_h"]
    assert steps["demold"]["starts_h"] - began == pytest.approx(hours(5400), abs=3e-4)
    risen = steps["cure"]["starts_h"] - began
    assert risen == pytest.approx(hours(200), abs=3e-4)
    assert steps["rise"]["hands_on"]
    assert not steps["cure"]["hands_on"]


def test_two_printers_share_the_plates_longest_first() -> None:
    plates = [{"number": k, "seconds": 3600 * h} for k, h in ((1, 4), (2, 9), (3, 4))]
    figures = told(planned(estimate={"plates": plates}), printers=2, change_h=0.5)
    printed = [step for step in figures["steps"] if step["what"].startswith("print")]
    assert [(step["what"], step["starts_h"]) for step in printed] == [
        ("print plate 1, printer 2", 0.0),
        ("print plate 2, printer 1", 0.0),
        ("print plate 3, printer 2", 4.5),
    ]
    assert figures["steps"][3]["starts_h"] == pytest.approx(9)


def test_what_is_not_known_is_left_out_and_said() -> None:
    run = ms.timeline(planned(), material=FOAM)
    codes = {item.code for item in run.findings}
    assert {"print-unknown", "seal-unknown", "mix-unknown"} <= codes
    assert run.record("timeline")["figures"]["clock_starts_h"] == 0


def test_batches_are_stirred_and_poured_one_after_another() -> None:
    mix = {**MIX, "pours": 3, "pour_s": 300.0}
    steps = told(planned(mix=mix), material=RUBBER)["steps"]
    batches = [step for step in steps if step["what"].split()[0] in ("mix", "pour")]
    assert [step["what"] for step in batches] == [
        f"{what} {k} of 3" for k in (1, 2, 3) for what in ("mix", "pour")
    ]
    assert batches[1]["hours"] == pytest.approx(hours(100), abs=1e-4)


def test_everything_for_the_pour_lies_ready_before_the_clock_starts() -> None:
    clamp = {"means": [{"short": "5 clamps"}, {"short": "250 kg"}]}
    fill = {"tilt_deg": 12.0, "vents": [{}, {}]}
    figures = told(planned(fill=fill, mix=MIX, clamp=clamp))
    ready = {row["what"]: row["note"] for row in figures["at_hand"]}
    assert ready["B"].startswith("70 g")
    assert ready["A"].startswith("35 g")
    assert ready["what holds it shut"] == "5 clamps, or 250 kg"
    assert "propped up by 12°" in ready["the mold, sealed, waxed and assembled"]
    assert ready["plugs of clay for the vents"].startswith("2")
    assert any("respirator" in what for what in ready)
    assert "the safety data sheets" in ready
    assert "40 s" in figures["clock_starts"]
    silicone = told(planned(mix=MIX), material=ms.material("addition-silicone"))
    assert not any("respirator" in row["what"] for row in silicone["at_hand"])


def test_a_pour_too_long_for_the_pot_life_is_found() -> None:
    slow = {**MIX, "pour_s": 20.0}
    assert "hands-tight" in {i.code for i in ms.timeline(planned(mix=slow), material=FOAM).findings}
    quick = replace(FOAM, rise_s=60.0, cream_s=20.0)
    run = ms.timeline(planned(mix={**MIX, "pour_s": 2.0}), material=quick)
    (finding,) = [item for item in run.findings if item.code == "hands-tight"]
    assert "43 s are left" in finding.message
    night = ms.timeline(planned(mix=MIX), material=RUBBER)
    assert "long-wait" in {item.code for item in night.findings}


def test_values_out_of_range_are_refused() -> None:
    for wrong, said in (
        ({"printers": 0}, r"printers = 0\. Choose 1 to 100"),
        ({"trim_h": 30.0}, r"trim_h = 30\. Choose 0 to 24"),
    ):
        with pytest.raises(ms.BadParameter, match=said):
            ms.timeline(planned(), material=FOAM, **wrong)
