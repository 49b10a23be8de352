"""Sizes of bolts, nuts, washers and pins against the standards' tables.

Sources: ISO 261 (pitch), ISO 273 (clearance holes), ISO 4032 (nuts), ISO 4762 (cap
screws; plain head diameters from memory), ISO 7089 (washers), ISO 898-1 (stress areas
and proof loads), ISO 2338 and ISO 8734 (pins; the same chamfers in both).
"""

from __future__ import annotations

import numpy as np
import pytest

import moldsmith as ms
from moldsmith.mold import hardware

SIZES = ("M3", "M4", "M5", "M6", "M8")
TABLE = {
    "pitch_mm": (0.5, 0.7, 0.8, 1.0, 1.25),
    "nut_flats_mm": (5.5, 7.0, 8.0, 10.0, 13.0),
    "nut_height_mm": (2.4, 3.2, 4.7, 5.2, 6.8),
    "nut_corners_mm": (6.01, 7.66, 8.79, 11.05, 14.38),
    "nut_bearing_mm": (4.6, 5.9, 6.9, 8.9, 11.6),  # from memory
    "longest_mm": (30, 40, 50, 60, 80),  # from memory
    "head_mm": (5.5, 7.0, 8.5, 10.0, 13.0),
    "head_knurled_mm": (5.68, 7.22, 8.72, 10.22, 13.27),
    "head_height_mm": (3.0, 4.0, 5.0, 6.0, 8.0),
    "key_mm": (2.5, 3.0, 4.0, 5.0, 6.0),
    "washer_bore_mm": (3.2, 4.3, 5.3, 6.4, 8.4),
    "washer_mm": (7.0, 9.0, 10.0, 12.0, 16.0),
    "washer_thickness_mm": (0.5, 0.8, 1.0, 1.6, 1.6),
    "washer_thickest_mm": (0.55, 0.9, 1.1, 1.8, 1.8),
    "stress_area_mm2": (5.03, 8.78, 14.2, 20.1, 36.6),
}
HOLES = {
    "fine": (3.2, 4.3, 5.3, 6.4, 8.4),
    "medium": (3.4, 4.5, 5.5, 6.6, 9.0),
    "coarse": (3.6, 4.8, 5.8, 7.0, 10.0),
}
PROOF = {"4.8": (1560, 2720, 4400, 6230, 11400), "8.8": (2920, 5100, 8230, 11600, 21200)}
PINS = {2.0: 0.35, 2.5: 0.4, 3.0: 0.5, 4.0: 0.63, 5.0: 0.8, 6.0: 1.2, 8.0: 1.6, 10.0: 2.0}


def test_the_table_has_the_sizes_from_m3_to_m8() -> None:
    assert hardware.bolt_sizes() == SIZES
    assert hardware.dowel_sizes() == tuple(PINS)


@pytest.mark.parametrize("key", TABLE)
def test_sizes_are_the_standards(key: str) -> None:
    assert tuple(getattr(hardware.bolt(size), key) for size in SIZES) == TABLE[key]


@pytest.mark.parametrize("series", HOLES)
def test_clearance_holes_are_iso_273s(series: str) -> None:
    assert tuple(hardware.bolt(size).hole_mm[series] for size in SIZES) == HOLES[series]


@pytest.mark.parametrize("strength", PROOF)
def test_proof_loads_are_iso_898s(strength: str) -> None:
    assert tuple(hardware.bolt(size).proof_n[strength] for size in SIZES) == PROOF[strength]


def test_stress_areas_follow_the_formula() -> None:
    formula = [
        hardware.stress_area_mm2(hardware.bolt(size).diameter_mm, hardware.bolt(size).pitch_mm)
        for size in SIZES
    ]
    assert formula == pytest.approx([5.031, 8.779, 14.183, 20.123, 36.608], abs=5e-4)
    assert formula == pytest.approx(TABLE["stress_area_mm2"], rel=2e-3)


def test_a_sharp_hexagon_is_wider_than_the_nuts_corners() -> None:
    sharp = [hardware.bolt(size).nut_sharp_corners_mm for size in SIZES]
    assert sharp == pytest.approx([6.351, 8.083, 9.238, 11.547, 15.011], abs=5e-4)
    assert (np.array(sharp) >= TABLE["nut_corners_mm"]).all()


def test_torque_of_an_m6_of_class_8_8() -> None:
    """T = K F d, F = 0.75 proof, K = 0.2: 10.4 N m (Shigley)."""
    force = hardware.preload_n("M6", "8.8")
    assert force == pytest.approx(8700)
    assert hardware.tightening_torque_nm(force, 6.0) == pytest.approx(10.44)
    assert hardware.tightening_torque_nm(force, 6.0, 0.15) == pytest.approx(7.83)


def test_a_washer_presses_on_a_ring() -> None:
    m5 = hardware.bolt("M5")
    assert m5.washer_bearing_mm2 == pytest.approx(np.pi / 4 * (10**2 - 5.3**2))
    assert m5.bearing_mm2(5.8) == pytest.approx(np.pi / 4 * (10**2 - 5.8**2))
    assert m5.bearing_mm2(5.0) == m5.washer_bearing_mm2


def test_a_jack_screws_end_does_not_go_through_the_washer_it_stands_on() -> None:
    feet = [hardware.foot_washer(hardware.bolt(size)) for size in SIZES]
    assert [foot.size for foot in feet] == ["M2.5", "M3", "M4", "M5", "M6"]
    # ISO 7089; M2.5 from memory.
    assert [foot.bore_mm for foot in feet] == [2.7, 3.2, 4.3, 5.3, 6.4]
    assert [foot.outer_mm for foot in feet] == [6, 7, 9, 10, 12]


def test_pins_have_iso_2338s_chamfer_and_are_never_under_size() -> None:
    for diameter, chamfer in PINS.items():
        pin = hardware.dowel(diameter)
        assert pin.chamfer_mm == chamfer
        assert diameter < pin.greatest_mm <= diameter + 0.015


def test_bolts_come_in_nominal_lengths() -> None:
    assert hardware.stock_length_mm(51) == 55
    assert hardware.stock_length_mm(60) == 60
    assert hardware.stock_length_mm(201) is None
    m5 = hardware.bolt("M5")
    assert hardware.stock_length_mm(46, m5) == 50
    assert hardware.stock_length_mm(51, m5) is None


def test_an_unknown_size_is_refused_with_those_there_are() -> None:
    with pytest.raises(ms.BadParameter, match=r"bolts = 'M7'.*Choose M3, M4, M5, M6, M8"):
        hardware.bolt("M7")
    with pytest.raises(ms.BadParameter, match=r"dowel_mm = 7: no such pin. Choose 2, 2\.5"):
        hardware.dowel(7.0)
    with pytest.raises(ms.BadParameter, match=r"strength = '10\.9'.*Choose 4\.8, 8\.8"):
        hardware.preload_n("M5", "10.9")  # type: ignore[arg-type]
