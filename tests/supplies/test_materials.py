"""Data sheets: the classes that come along, and one's own."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import pytest

import moldsmith as ms
from moldsmith.supplies.materials import material_from, material_names

OWN = """
name = "bought in spring"
kind = "foam"
ratio_by = "volume"
free_rise_kg_m3 = 90
packing_factor = 1.2
cream_s = 40
gel_s = 110
rise_s = 240
pot_life_s = 35
mixing_s = 15
demold_s = 3600
shrink_percent = 0.8
permitted_undercut_percent = 25
hazards = ["isocyanate"]
[[part]]
name = "A"
ratio = 1
density_g_cm3 = 1.02
[[part]]
name = "B"
ratio = 1
density_g_cm3 = 1.20
"""


@pytest.mark.parametrize("name", material_names())
def test_each_class_tells_range_and_source_of_every_value(name: str) -> None:
    sheet = ms.material(name)
    told = {row.key: row for row in sheet.told}
    wanted = {"pot_life_s", "demold_s", "shrink_percent", "permitted_undercut_percent"}
    wanted |= {"free_rise_kg_m3", "packing_factor"} if sheet.rises else {"density_kg_m3"}
    wanted |= {f"part[{k}].density_g_cm3" for k in range(1, len(sheet.parts) + 1)}
    assert wanted <= told.keys()
    for row in told.values():
        assert row.low <= row.value <= row.high
        assert row.source.strip() not in ("", "own data sheet")
    assert sheet.hazards


def test_the_classes_are_those_of_the_trade() -> None:
    assert {"foam-60", "foam-80", "foam-100", "foam-160"} <= set(material_names())
    assert [ms.material(f"foam-{rise}").free_rise_kg_m3 for rise in (60, 80, 100, 160)] == [
        60, 80, 100, 160,
    ]  # fmt: skip
    kinds = {ms.material(name).kind for name in material_names()}
    assert kinds == {"foam", "rubber", "gypsum"}


def test_a_class_is_found_by_its_long_name_too() -> None:
    assert ms.material("cast urethane rubber") == ms.material("urethane-rubber")


def test_liquids_without_rise_weigh_cured_about_what_they_weigh_mixed() -> None:
    for name in ("urethane-rubber", "addition-silicone", "condensation-silicone",
                 "gypsum-plaster", "gypsum-stone"):  # fmt: skip
        sheet = ms.material(name)
        assert sheet.mix_density_kg_m3 == pytest.approx(sheet.density_kg_m3, rel=0.01)


def test_a_sheet_of_ones_own_is_read_and_is_plain_json(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(OWN, encoding="utf-8")
    sheet = ms.material(path)
    assert sheet.density_kg_m3 == pytest.approx(90 * 1.2)
    # 1:1 by volume of these liquids is 0.85:1 by weight.
    assert sheet.parts[0].by_weight / sheet.parts[1].by_weight == pytest.approx(0.85)
    assert sheet.told[0].source == "own data sheet"
    again = json.loads(json.dumps(dataclasses.asdict(sheet)))
    assert again["parts"][0][0] == "A"


def test_what_a_sheet_notes_is_kept_for_the_bench() -> None:
    own = material_from({"like": "foam-80", "note": "Shake part B."})
    assert own.note == "Shake part B."
    assert "stop its cure" in material_from({"like": "addition-silicone"}).note
    with pytest.raises(ms.BadParameter, match=r"note = 5: must be a text"):
        material_from({"like": "foam-80", "note": 5})


def test_a_sheet_takes_from_a_class_what_it_does_not_say() -> None:
    sheet = material_from({"like": "foam-80", "free_rise_kg_m3": 74, "name": "mine"})
    assert (sheet.name, sheet.free_rise_kg_m3) == ("mine", 74)
    assert sheet.cream_s == ms.material("foam-80").cream_s


def test_all_that_is_wrong_with_a_sheet_is_named_at_once(tmp_path: Path) -> None:
    text = OWN.replace("free_rise_kg_m3 = 90", "free_rise_kg_m3 = 9000")
    text = text.replace('ratio_by = "volume"', 'ratio_by = "spoon"')
    text = text.replace("shrink_percent = 0.8\n", "shrinkage = 0.8\n")
    text = text.replace("density_g_cm3 = 1.20", 'density_g_cm3 = "heavy"')
    text = text.replace('["isocyanate"]', '["boredom"]')
    path = tmp_path / "wrong.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ms.BadParameter, match=r"wrong\.toml: 6 problems") as caught:
        ms.material(path)
    for told in (
        r"free_rise_kg_m3 = 9000: must be 15 to 800",
        r"ratio_by = 'spoon': must be 'weight' or 'volume'",
        r"shrinkage: no such key (did you mean shrink_percent?); there are name",
        r"shrink_percent: missing; must be -2 to 10",
        r"part[2].density_g_cm3 = 'heavy': must be 0.3 to 8",
        r"hazards = ['boredom']: must be an array of isocyanate",
    ):
        assert told in str(caught.value)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"demold_s": 100.0}, r"demold_s = 100: must be more than rise_s"),
        ({"pot_life_s": 10.0}, r"pot_life_s = 10: must be more than mixing_s = 15"),
        ({"cream_s": {"value": 20, "range": [30, 40]}}, r"cream_s.range = \[30, 40\]"),
        ({"cream_s": True}, r"cream_s = True: must be 3 to 3600"),
        ({"packing_factor": float("nan")}, r"packing_factor = nan: must be 1 to 2"),
        ({"packing_factor": 2.5}, r"packing_factor = 2.5: must be 1 to 2"),
        ({"pot_life_s": 2000.0}, r"pot_life_s = 2000: must be at most cream_s = 45"),
        ({"gel_s": 300.0}, r"gel_s = 300: must be at most rise_s = 200"),
        (
            {"free_rise_kg_m3": 700, "packing_factor": 2},
            r"times packing_factor = 1400: must be less than 1074 kg/m³",
        ),
        ({"density_kg_m3": 3000}, r"density_kg_m3 = 3000: must be less than 1074 kg/m³"),
        ({"like": ["foam-80"]}, r"like = \['foam-80'\]: no such class"),
        ({"kind": "gypsum", "density_kg_m3": 1700}, r"only a foam has it"),
        ({"part": [], "ratio_by": "weight"}, r"part: must be 1 to 6"),
        (
            {"part": [{"name": "A", "ratio": 1}], "ratio_by": "weight"},
            r"part\[1\]\.density_g_cm3: missing; must be 0\.3 to 8",
        ),
        ({"demold_s": 5}, r"demold_s = 5: must be 60 to 2000000"),
        ({"ratio_by": "volume"}, r"ratio_by and part belong together"),
        ({"hazards": "none"}, r"hazards = none: must be an array of"),
    ],
)
def test_what_cannot_be_is_refused(change: dict[str, object], told: str) -> None:
    with pytest.raises(ms.BadParameter, match=told):
        material_from({"like": "foam-80", **change})


@pytest.mark.parametrize("pot_life_s", [30, 20])
def test_stirring_that_is_assumed_must_fit_into_the_pot_life_too(
    tmp_path: Path, pot_life_s: int
) -> None:
    path = tmp_path / "own.toml"
    text = OWN.replace("mixing_s = 15\n", "")
    path.write_text(text.replace("pot_life_s = 35", f"pot_life_s = {pot_life_s}"), encoding="utf-8")
    said = rf"pot_life_s = {pot_life_s}: must be more than mixing_s = 30 \(assumed: give your own\)"
    with pytest.raises(ms.BadParameter, match=said):
        ms.material(path)


def test_what_a_sheet_lacks_is_told_as_assumed(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(OWN.replace("mixing_s = 15\n", ""), encoding="utf-8")
    sheet = ms.material(path)
    assert (sheet.mixing_s, sheet.viscosity_mpa_s) == (30, 1000)
    assert sheet.assumed == ("mixing_s", "viscosity_mpa_s")
    told = {row.key: row.source for row in sheet.told}
    assert told["mixing_s"].startswith("assumed")
    assert ms.material("foam-80").assumed == ()


def test_a_wrong_kind_is_one_problem(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(OWN.replace('kind = "foam"', 'kind = "sponge"'), encoding="utf-8")
    with pytest.raises(ms.BadParameter, match=r"1 problem\n.*kind = 'sponge'"):
        ms.material(path)


def test_what_is_no_name_is_no_material() -> None:
    with pytest.raises(ms.BadParameter, match="material = 3: no name and no path"):
        ms.material(3)  # type: ignore[arg-type]


def test_a_sheet_must_say_what_can_hurt_even_if_nothing_does(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(OWN.replace('hazards = ["isocyanate"]\n', ""), encoding="utf-8")
    with pytest.raises(ms.BadParameter, match=r"hazards = missing.*\[\] if none"):
        ms.material(path)
    path.write_text(OWN.replace('["isocyanate"]', "[]"), encoding="utf-8")
    assert ms.material(path).hazards == ()


def test_a_misspelt_class_is_answered_with_the_one_meant() -> None:
    with pytest.raises(ms.BadParameter, match="did you mean foam-80"):
        ms.material("foam80")
    with pytest.raises(ms.BadParameter, match="cannot be read"):
        ms.material("nowhere.toml")
