"""What holds a mold shut.

Sources: p = rho g h with g = 9.80665 m/s² (3rd CGPM 1901); proof loads ISO 898-1,
washers ISO 7089 and nuts ISO 4032 by the tables in shared/hardware; T = K F d
(Shigley); plates Roark 7th ed. Table 11.4 case 1a.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import trimesh

import moldsmith as ms
from moldsmith.mold.pressure import head_kpa, sealed_pressure_kpa

FOAM, RUBBER = ms.material("foam-80"), ms.material("urethane-rubber")


def _box(low: tuple[float, ...], high: tuple[float, ...]) -> trimesh.Trimesh:
    middle = trimesh.transformations.translation_matrix(np.add(low, high) / 2)
    return trimesh.creation.box(np.subtract(high, low), transform=middle)


def boxed(lid_mm: float = 10.0, mouth_z: float = 170.0, **more: Any) -> ms.Workpiece:
    """A void of 300 x 300 x 150 under a flat lid, its funnel's mouth at a height."""
    bodies = {
        "pad": _box((0, 0, 10), (300, 300, 160)),
        "cavity": _box((-10, -10, 0), (310, 310, 10)),
        "lid": _box((-10, -10, 160), (310, 310, 160 + lid_mm)),
    }
    sprue = {
        "x": 150.0, "y": 150.0, "void_z": 158.0, "outside_z": mouth_z, "void_mm": 12.0,
        "outside_mm": 12.0, "ceiling_z": 160.0, "funnel_mm": 0.0, "pocket_mm": 0.0,
    }  # fmt: skip
    records = [
        _record("block", {"mold_bodies": ["cavity", "lid"]}),
        _record("channels", {"sprues": [sprue], "vents": [], "channels_cm3": 1.0}),
        *(_record(name, figures) for name, figures in more.items()),
    ]
    return ms.Workpiece("box", bodies, records=tuple(records))


def _record(stage: str, figures: dict[str, Any]) -> dict[str, Any]:
    return {"stage": stage, "figures": figures, "findings": [], "parameters": {}, "outputs": {}}


def clamped(piece: ms.Workpiece, **more: Any) -> Any:
    return ms.clamp(piece, **more).record("clamp")["figures"]


def test_a_column_of_150_mm_of_1100_presses_1618_pascal() -> None:
    assert 1000 * head_kpa(150, 1100) == pytest.approx(1618.10, abs=0.005)


def test_twenty_kilopascal_under_a_lid_of_300_by_300_is_1800_newton() -> None:
    figures = clamped(boxed(mouth_z=160.0), material=FOAM, pressure_kpa=20)
    assert figures["projected_cm2"] == pytest.approx(900)
    assert figures["force_n"] - figures["uplift_n"] == pytest.approx(1800, abs=0.02)
    assert figures["weights_kg"] == pytest.approx(2 * 1800 / 9.80665, abs=0.5)
    assert figures["side_cm2"] == pytest.approx([450, 450])


def test_a_liquid_lifts_the_lid_by_the_column_up_to_the_funnels_mouth() -> None:
    figures = clamped(boxed(mouth_z=200.0), material=RUBBER)
    density = RUBBER.mix_density_kg_m3
    # 40 mm of liquid over the lid's face, 190 over the floor.
    assert figures["uplift_n"] == pytest.approx(density * 9.80665 * 0.3 * 0.3 * 0.04, rel=0.01)
    assert figures["head_kpa"] == pytest.approx(head_kpa(190, density), abs=1e-4)
    assert figures["pressure_kpa"] == 0
    assert "own head alone" in figures["assumption"]


def test_a_curved_cavity_counts_by_its_shadow_alone(lidded: ms.Workpiece) -> None:
    figures = clamped(lidded, material=FOAM, pressure_kpa=10)
    pad = lidded.body("pad")
    up = pad.face_normals[:, 2] > 1e-3
    plan = float((pad.area_faces * pad.face_normals[:, 2])[up].sum())
    assert figures["projected_cm2"] * 100 == pytest.approx(plan, rel=2e-3)


def test_side_pieces_are_pushed_apart_by_the_level_shadow() -> None:
    piece = boxed(mouth_z=160.0)
    bodies = {"pad": piece.body("pad"), "side-1": piece.body("cavity"), "core": piece.body("lid")}
    block = _record("block", {"mold_bodies": ["side-1", "core"]})
    sides = ms.Workpiece("sides", bodies, records=(block,))
    figures = clamped(sides, material=RUBBER, pressure_kpa=20)
    assert figures["opens"] == "sideways"
    # No weight holds side pieces together; a band presses by twice its tension.
    assert figures["weights_kg"] is None
    assert figures["bands_n"] == pytest.approx(figures["force_n"], abs=0.1)
    assert [row["what"] for row in figures["means"]] == ["clamps", "bands or straps"]
    assert "cover" not in str(figures["means"])
    assert figures["projected_cm2"] == pytest.approx(450)
    # 20 kPa on 300 x 150, and half of the head at the foot of 150 mm.
    head = head_kpa(150, RUBBER.mix_density_kg_m3) / 2
    assert figures["force_n"] == pytest.approx(45 * (20 + head), rel=1e-3)


def test_without_a_known_pressure_the_bound_is_taken_and_said_to_be_ours() -> None:
    run = ms.clamp(boxed(), material=FOAM)
    figures = run.record("clamp")["figures"]
    wanted = sealed_pressure_kpa(1.15, 80, FOAM.mix_density_kg_m3)
    assert figures["pressure_kpa"] == pytest.approx(wanted, abs=1e-3)
    assert "our model, not a measured value" in figures["assumption"]
    assert "pressure-assumed" in {item.code for item in run.findings}
    given = ms.clamp(boxed(), material=FOAM, pressure_kpa=5)
    assert "pressure-assumed" not in {item.code for item in given.findings}


def test_the_mix_plans_packing_sets_the_bound() -> None:
    piece = boxed(mix={"packing_factor": 1.2, "density_kg_m3": 80.0})
    wanted = sealed_pressure_kpa(1.2, 80, FOAM.mix_density_kg_m3)
    assert clamped(piece, material=FOAM)["pressure_kpa"] == pytest.approx(wanted, abs=1e-3)


def test_bolts_are_as_many_as_washers_on_plastic_allow() -> None:
    figures = clamped(boxed(mouth_z=160.0), material=FOAM, pressure_kpa=8, bolts="M5")
    bolts = figures["bolts"]
    # ISO 7089 M5: 10 mm washer; over an ISO 273 medium hole of 5.5 mm it bears on 54.8 mm²;
    # ISO 4032: the nut's face of d_w 6.9 (from memory) on 13.6 mm². The lesser, at 10 MPa.
    nut = math.pi / 4 * (6.9**2 - 5.5**2)
    assert bolts["limit_n"] == pytest.approx(10 * nut, abs=0.1)
    assert bolts["limit_n"] < 0.75 * 8230  # proof load of M5, 8.8
    assert bolts["count"] == math.ceil(2 * figures["force_n"] / (10 * nut))
    assert bolts["torque_nm"] == pytest.approx(0.2 * bolts["limit_n"] * 5 / 1000, abs=0.006)
    assert bolts["enough"]


def test_more_force_than_two_dozen_bolts_hold_is_a_finding() -> None:
    run = ms.clamp(boxed(), material=FOAM, pressure_kpa=100, bolts="M4")
    assert not run.record("clamp")["figures"]["bolts"]["enough"]
    assert {"force-large", "weights-heavy"} <= {item.code for item in run.findings}


def test_fewer_bolts_in_the_mold_than_the_force_asks_for_is_a_finding() -> None:
    few = boxed(fasten={"bolts": [{}] * 4})
    assert "bolts-few" in {i.code for i in ms.clamp(few, material=FOAM, pressure_kpa=20).findings}
    enough = boxed(fasten={"bolts": [{}] * 24})
    codes = {i.code for i in ms.clamp(enough, material=FOAM, pressure_kpa=20).findings}
    assert "bolts-few" not in codes


def test_bolts_are_a_means_only_where_the_mold_has_them() -> None:
    for fastened in ({}, {"fasten": {"bolts": []}}):
        run = ms.clamp(boxed(**fastened), material=FOAM, pressure_kpa=20)
        figures = run.record("clamp")["figures"]
        assert [row["what"] for row in figures["means"]] == ["clamps", "weights"]
        assert 'fasten.bolts = "M5"' in figures["bolts_hint"]
        assert "bolts" not in next(i for i in run.findings if i.code == "weights-heavy").message
    bolted = clamped(boxed(fasten={"bolts": [{"size": "M6"}] * 24}), material=FOAM, pressure_kpa=20)
    assert bolted["means"][0]["what"] == "bolts"
    assert "24 of M6" in bolted["means"][0]["note"]
    assert bolted["bolts_hint"] == ""
    few = clamped(boxed(fasten={"bolts": [{"size": "M5"}] * 4}), material=FOAM, pressure_kpa=20)
    assert few["means"][0]["short"] == "4 bolts M5 with clamps between"


def test_a_clear_sheet_of_300_by_300_bends_as_the_plate_formula_says() -> None:
    # 300 x 300 x 10 mm, 20 kPa, E 3.2 GPa: 2.2478 mm and 5.173 MPa (Roark, nu 0.3). The liquid's
    # own weight adds nothing here: the void ends at the lid's face.
    figures = clamped(
        boxed(mouth_z=160.0), material=FOAM, pressure_kpa=20, youngs_mpa=3200, deflection_mm=2.3
    )
    lid = figures["lid"]
    assert lid["deflection_mm"] == pytest.approx(2.2478, rel=2e-3)
    assert lid["stress_mpa"] == pytest.approx(5.173, rel=2e-3)
    assert lid["needed_mm"] == 10.0
    assert lid["body"] == "lid"


def test_a_thin_lid_is_told_how_thick_to_be() -> None:
    run = ms.clamp(boxed(lid_mm=4), material=FOAM, pressure_kpa=20)
    (finding,) = [item for item in run.findings if item.code == "lid-thin"]
    needed = run.record("clamp")["figures"]["lid"]["needed_mm"]
    assert f"make it {needed:.1f} mm" in finding.message
    assert finding.severity == "warning"
    bound = ms.clamp(boxed(lid_mm=4), material=FOAM)
    assert {i.severity for i in bound.findings if i.code == "lid-thin"} == {"note"}
    thick = ms.clamp(boxed(lid_mm=needed), material=FOAM, pressure_kpa=20)
    assert "lid-thin" not in {item.code for item in thick.findings}


def test_a_core_is_no_plate(cored: ms.Workpiece) -> None:
    lid = clamped(cored, material=FOAM)["lid"]
    assert (lid["body"], lid["thickness_mm"], lid["stress_mpa"]) == ("core", None, None)
    assert lid["needed_mm"] > 0


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        ({"pressure_kpa": -1}, r"pressure_kpa = -1\. Choose 0 to 500"),
        ({"safety": 0.5}, r"safety = 0\.5\. Choose 1 to 5"),
        ({"bolts": "M7"}, r"bolts = 'M7'\. Choose 'M3', 'M4'"),
    ],
)
def test_values_out_of_range_are_refused(wrong: dict[str, Any], told: str) -> None:
    with pytest.raises(ms.BadParameter, match=told):
        ms.clamp(boxed(), material=FOAM, **wrong)
