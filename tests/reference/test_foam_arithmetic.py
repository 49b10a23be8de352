"""Free rise, packing, ratios and head against worked values.

Sources: packing factor as molded over free-rise density and the cup test, ASTM
D7487; liquid densities of the example 1.02 and 1.20 g/cm³, from memory (polyol 1.01
to 1.05, MDI kinds 1.10 to 1.24); p = rho g h with g = 9.80665 m/s² (3rd CGPM, 1901).
Conversions are conserved mass and volume, worked by hand. The sealed-mold bound is
our own model (Boyle's law), its values worked from the closed form.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from moldsmith.mold.pressure import sealed_pressure_kpa
from moldsmith.pouring.batches import (
    cup_test,
    free_rise_kg_m3,
    portions,
    pour_ml_s,
    pours_needed,
    ratio_slip,
    volume_ratio,
    weight_ratio,
)
from moldsmith.supplies.materials import Part, material

SIDES = (Part("B", 100, 1.02), Part("A", 50, 1.20))


def test_a_hundred_to_fifty_by_weight_is_2_3529_to_1_by_volume() -> None:
    assert volume_ratio(SIDES) == pytest.approx((2.3529, 1), abs=5e-5)
    # (100 / 1.02) : (50 / 1.20)
    assert volume_ratio(SIDES)[0] == pytest.approx(100 / 1.02 / (50 / 1.20), rel=1e-12)


def test_equal_volumes_are_0_85_to_1_by_weight() -> None:
    assert weight_ratio((1, 1), (1.02, 1.20)) == pytest.approx((0.85, 1))


def test_there_and_back_keeps_the_ratio() -> None:
    by_volume = volume_ratio(SIDES)
    assert weight_ratio(by_volume, (1.02, 1.20)) == pytest.approx((2, 1))


def test_a_mix_weighs_the_sum_of_weights_over_the_sum_of_volumes() -> None:
    # 1.07368 g/cm³, not the mean 1.08 of the weights' shares nor 1.11 of the two.
    assert material("foam-80").mix_density_kg_m3 == pytest.approx(1073.68, abs=0.005)


def test_the_foams_liquid_grows_by_the_ratio_of_densities() -> None:
    assert 1100 / 80 == 13.75
    assert 1100 / 160 == 6.875


@pytest.mark.parametrize(
    ("packing", "free_rise", "kpa"),
    [
        (1.05, 80, 5.49),
        (1.1, 80, 11.01),
        (1.2, 80, 22.20),
        (1.3, 80, 33.57),
        (1.5, 80, 56.87),
        (1.2, 160, 24.55),
        (1.0, 80, 0.0),
    ],
)
def test_a_sealed_mold_holds_the_gas_at_boyles_pressure(
    packing: float, free_rise: float, kpa: float
) -> None:
    assert sealed_pressure_kpa(packing, free_rise, 1100) == pytest.approx(kpa, abs=0.006)


def test_a_litre_of_80_at_1_2_takes_96_grams_as_64_and_32() -> None:
    weighed = portions(SIDES, 1000 * 80 * 1.2 / 1000, 0.1, 300)
    assert [item.grams for item in weighed] == pytest.approx([64, 32])
    assert [item.ml for item in weighed] == pytest.approx([64 / 1.02, 32 / 1.2])
    assert weighed[0].cups == pytest.approx(64 / 1.02 / 300)


def test_a_cup_cut_off_at_its_brim_gives_the_free_rise_density() -> None:
    assert free_rise_kg_m3(full_g=32.5, empty_g=8.5, cup_ml=300) == pytest.approx(80)
    cup = cup_test(SIDES, 80, 1.0, 300)
    # 24 g fill the cup to its brim; half as much again rises over it.
    assert cup.grams == pytest.approx(36)


def test_a_bore_runs_by_hagen_and_poiseuille() -> None:
    # 12 mm, 1100 kg/m³, 2 Pa s: pi r^4 rho g / (8 mu), worked by hand 2.745 ml/s.
    by_hand = math.pi * 0.006**4 * 1100 * 9.80665 / (8 * 2.0) * 1e6
    assert by_hand == pytest.approx(2.745, abs=5e-4)
    assert pour_ml_s([12], 1100, 2000) == pytest.approx(by_hand)
    assert pour_ml_s([24], 1100, 2000) == pytest.approx(16 * by_hand)


def test_what_takes_longer_than_the_pot_life_is_several_pours() -> None:
    assert pours_needed(10, 30, 15) == 1
    assert pours_needed(15, 30, 15) == 1
    assert pours_needed(16, 30, 15) == 2
    assert pours_needed(100, 30, 15) == 7


@settings(max_examples=60, deadline=None)
@given(
    share=st.floats(1, 100),
    mixed=st.floats(20, 5000),
    scale=st.sampled_from([0.1, 1.0]),
)
def test_what_is_weighed_is_enough_and_as_near_the_ratio_as_the_scale_can(
    share: float, mixed: float, scale: float
) -> None:
    parts = (Part("B", 100, 1.02), Part("A", share, 1.2))
    grams = [item.grams for item in portions(parts, mixed, scale, 300)]
    assert grams[0] >= mixed * 100 / (100 + share) - 1e-6
    assert sum(grams) <= 1.03 * mixed + 4 * scale
    assert all(abs(value / scale - round(value / scale)) < 1e-6 for value in grams)
    # Half a step on the smaller part, at worst.
    smaller = mixed * share / (100 + share)
    assert ratio_slip(parts, grams) <= 0.5 * scale / smaller + 1e-9
