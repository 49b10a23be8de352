"""Filament against tables of grams a metre."""

from __future__ import annotations

from pathlib import Path

import pytest

import moldsmith as ms

# Densities: an open data set of them. g/m = density x pi D^2 / 4 worked out by hand.
GRAMS_PER_METRE = [
    ("PLA", 1.75, 2.9825, 335.28),
    ("PLA", 2.85, 7.9105, 126.42),
    ("PETG", 1.75, 3.0547, 327.36),
    ("PETG", 2.85, 8.1018, 123.43),
    ("ABS", 1.75, 2.5015, 399.76),
    ("ABS", 2.85, 6.6346, 150.73),
    ("TPU", 1.75, 2.9104, 343.60),
    ("TPU", 2.85, 7.7191, 129.55),
    ("ASA", 1.75, 2.5255, None),
    ("ASA", 2.85, 6.6984, None),
]


@pytest.mark.parametrize(("name", "diameter", "grams", "metres"), GRAMS_PER_METRE)
def test_a_metre_weighs_what_the_table_says(
    name: str, diameter: float, grams: float, metres: float | None
) -> None:
    density = ms.filament(name).density_g_cm3
    found = ms.Filament(name, density, diameter).grams_per_metre
    assert found == pytest.approx(grams, abs=6e-5)
    if metres is not None:
        assert 1000 / found == pytest.approx(metres, abs=6e-3)


def test_five_hundredths_of_a_millimetre_are_six_percent_of_filament() -> None:
    nominal, thick, thin = (ms.Filament(diameter_mm=d).section_mm2 for d in (1.75, 1.80, 1.70))
    assert nominal == pytest.approx(2.40528, abs=1e-5)
    assert 100 * (thick / nominal - 1) == pytest.approx(5.80, abs=5e-3)
    assert 100 * (thin / nominal - 1) == pytest.approx(-5.63, abs=5e-3)


def test_the_default_is_the_class_pla() -> None:
    default, named = ms.Filament(), ms.filament("pla")
    for key in ("name", "density_g_cm3", "diameter_mm", "spool_g", "max_flow_mm3_s"):
        assert getattr(default, key) == getattr(named, key)
    assert any("open data set" in line for line in named.sources)


def test_ones_own_filament_is_read_from_a_file(tmp_path: Path) -> None:
    sheet = tmp_path / "mine.toml"
    sheet.write_text(
        'name = "wood-filled"\ndensity_g_cm3 = 1.15\nleft_g = [310, 1000]\n'
        '[sources]\ndensity_g_cm3 = "weighed"\n',
        encoding="utf-8",
    )
    mine = ms.filament(sheet)
    assert (mine.name, mine.density_g_cm3, mine.left_g) == ("wood-filled", 1.15, (310.0, 1000.0))
    assert mine.sources == ("density_g_cm3: weighed",)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('name = "x"', "density_g_cm3 is missing"),
        ('name = "x"\ndensity_g_cm3 = 12.4', "density_g_cm3 = 12.4"),
        ('name = "x"\ndensity_g_cm3 = "1.24"', "must be|Give a number"),
        ('name = "x"\ndensity_g_cm3 = 1.2\ndensty = 2', "no such key: densty"),
        ('name = "x"\ndensity_g_cm3 = 1.2\nleft_g = [-3]', "left_g"),
        ("name = ", "cannot be read as a filament"),
        ('name = "x"\ndensity_g_cm3 = 1.2\nsources = 3', "sources is no table"),
    ],
)
def test_a_wrong_file_says_what_is_wrong(tmp_path: Path, text: str, said: str) -> None:
    sheet = tmp_path / "mine.toml"
    sheet.write_text(text, encoding="utf-8")
    with pytest.raises(ms.BadParameter, match=said):
        ms.filament(sheet)


def test_an_unknown_class_names_those_there_are() -> None:
    with pytest.raises(ms.BadParameter, match=r"(?s)'cheese'.*ABS.*PLA"):
        ms.filament("cheese")
