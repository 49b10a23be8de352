"""Cautions name what can hurt, and never call a piece safe."""

from __future__ import annotations

import re

import pytest

import moldsmith as ms
from moldsmith.pouring.cautions import DEFER, cautions
from moldsmith.supplies.materials import material_names


@pytest.mark.parametrize("name", [None, *material_names()])
def test_every_caution_has_a_source_and_the_last_defers(name: str | None) -> None:
    told = cautions(None if name is None else ms.material(name))
    assert all(item.heading and item.text and item.source for item in told)
    assert told[-1].text == DEFER
    assert "safety data sheet" in DEFER
    assert "local codes" in DEFER
    assert "licensed practice" in DEFER


@pytest.mark.parametrize("name", [None, *material_names()])
def test_nothing_is_called_safe_or_protective(name: str | None) -> None:
    told = cautions(None if name is None else ms.material(name))
    text = " ".join(item.text for item in told).lower()
    for claim in ("is safe", "skin-safe", "harmless", "non-toxic", "hypoallergenic", "fireproof",
                  "protects from", "protects against"):  # fmt: skip
        assert claim not in text
    assert "protects nobody" in text
    assert "tested on skin" in text


def test_foam_brings_isocyanates_heat_pressure_and_fire_and_silicone_does_not() -> None:
    def headings(name: str) -> str:
        return " ".join(item.heading for item in cautions(ms.material(name)))

    for word in ("breathing", "skin and eyes", "Heat", "Pressure", "Fire", "dust", "Printing"):
        assert word in headings("foam-80")
    for word in ("Isocyanates", "Fire", "Heat"):
        assert word not in headings("addition-silicone")
    assert "Setting plaster" in headings("gypsum-plaster")
    assert "Fire" in " ".join(item.heading for item in cautions())  # an unnamed one: all may be


def test_an_open_mold_has_no_pressure_and_a_bought_one_no_print() -> None:
    told = cautions(ms.material("foam-80"), closed_mold=False, printed=False)
    assert not any("ressure" in item.heading or item.heading == "Printing" for item in told)


def test_exposure_limits_are_those_published() -> None:
    """MDI and TDI by NIOSH's IDLH pages, which give OSHA's ceilings; mg/m³ = ppm M / 24.45."""
    text = cautions(ms.material("foam-80"))[0].text
    for limit in ("0.02 ppm (0.2 mg/m³)", "0.005 ppm (0.05 mg/m³)", "0.020 ppm over 10",
                  "0.02 ppm (0.14 mg/m³)"):  # fmt: skip
        assert limit in text
    mdi, tdi = (weight / 24.45 for weight in (250.25, 174.16))  # mg/m³ a ppm
    assert [0.02 * mdi, 0.02 * tdi] == pytest.approx([0.2047, 0.1425], abs=5e-5)
    assert round(0.02 * mdi, 1) == 0.2
    assert round(0.005 * mdi, 2) == 0.05
    assert round(0.02 * tdi, 2) == 0.14
    dust = next(item.text for item in cautions(ms.material("foam-80")) if "dust" in item.heading)
    assert re.search(r"OSHA 15 mg/m³ in all, 5 mg/m³", dust)


def test_a_paper_mask_is_never_named_as_enough_against_isocyanates() -> None:
    first = cautions(ms.material("urethane-rubber"))[0]
    assert "never with a paper mask" in first.text
    assert "cannot smell it" in first.text
