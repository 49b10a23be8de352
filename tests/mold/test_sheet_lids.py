"""Lids cut from sheet: thick enough by the plate formulas, and no part to print."""

from __future__ import annotations

from typing import Any

import pytest
import shapely
from hills import belly, padded

import moldsmith as ms
from moldsmith.mold import hardware
from moldsmith.mold.sheet_lids import cut_from_sheet, lid_plan, sheet_check


def test_a_sheet_of_300_mm_under_20_kpa_bends_by_the_table_of_plates() -> None:
    """Roark's Table 11.4, cases 1a and 8a, side ratio 1: alpha 0.0444 and 0.0138, beta 0.2874
    and 0.3078; for acrylic of 3000 MPa and a Poisson's ratio of 0.37 the deflection takes
    (1 - 0.37^2) / (1 - 0.3^2) = 0.94846.
    """
    figures, findings = sheet_check(shapely.box(10, 20, 310, 320), 10.0, 20.0, 0.5)
    unit = 0.02 * 300**4 / (3000 * 10**3) * 0.94846
    assert figures["supported"]["deflection_mm"] == pytest.approx(0.0444 * unit, rel=0.01)
    assert figures["fixed"]["deflection_mm"] == pytest.approx(0.0138 * unit, rel=0.01)
    assert figures["supported"]["stress_mpa"] == pytest.approx(5.173, rel=0.01)
    assert figures["fixed"]["stress_mpa"] == pytest.approx(5.540, rel=0.01)
    (finding,) = findings
    assert finding.code == "lid-bends"
    # Deflection goes with 1 / t^3; rounded up to half a millimetre.
    needed = 10 * (0.0444 * unit / 0.5) ** (1 / 3)
    assert figures["thickness_needed_mm"] == pytest.approx(needed, abs=0.51)
    assert f"Choose {figures['thickness_needed_mm']:g} mm" in finding.message
    thick, none = sheet_check(
        shapely.box(10, 20, 310, 320), figures["thickness_needed_mm"], 20.0, 0.5
    )
    assert none == []
    assert thick["supported"]["deflection_mm"] <= 0.5


def test_a_lid_cut_from_sheet_is_as_thick_as_told_and_is_not_printed() -> None:
    made = ms.block(
        padded(belly()), style="lidded", lid="sheet", lid_thickness_mm=3, pressure_kpa=20
    )
    lid = made.body("lid")
    assert lid.bounds[1, 2] - lid.bounds[0, 2] == pytest.approx(3, abs=1e-4)
    figures = made.record("block")["figures"]["lid"]
    assert figures["thickness_mm"] == 3
    assert figures["pressure_kpa"] > 20  # and the weight of the mix over it
    assert cut_from_sheet(made) == ("lid",)
    parts = ms.split(made)
    assert [row["body"] for row in parts.record("split")["figures"]["parts"]] == ["cavity"]
    assert parts.body("lid").is_watertight


def test_a_printed_lid_is_no_sheet() -> None:
    made = ms.block(padded(belly()), style="lidded")
    assert cut_from_sheet(made) == ()
    with pytest.raises(ms.BadParameter, match=r"lid = 'glass'\. Choose 'printed' or 'sheet'"):
        ms.block(padded(belly()), style="lidded", lid="glass")  # type: ignore[arg-type]


@pytest.mark.parametrize("style", ["cored", "pieces"])
def test_no_lid_has_no_thickness(style: Any) -> None:
    said = f"lid_thickness_mm = 9 with style '{style}', which has no lid.*or leave it out"
    with pytest.raises(ms.BadParameter, match=said):
        ms.block(ms.Workpiece("belly"), style=style, lid_thickness_mm=9)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"style": "lidded", "lid_thickness_mm": 1.3}, r"lid_thickness_mm = 1\.3\. Choose 2 to 30"),
        ({"style": "lidded", "lid_thickness_mm": 60}, r"lid_thickness_mm = 60\. Choose 2 to 30"),
        ({"style": "cored"}, r"lid = 'sheet' with style 'cored', .*Choose style = 'lidded'"),
        ({"style": "pieces"}, r"lid = 'sheet' with style 'pieces', .*or lid = 'printed'"),
    ],
)
def test_a_sheet_of_no_use_is_refused(wrong: Any, said: str) -> None:
    with pytest.raises(ms.BadParameter, match=said):
        ms.block(ms.Workpiece("belly"), lid="sheet", **wrong)


@pytest.fixture(scope="module")
def bolted() -> ms.Workpiece:
    """A mold under a sheet of 3 mm, with all that can be asked for."""
    piece = ms.block(padded(belly()), style="lidded", lid="sheet", lid_thickness_mm=3, flange_mm=34)
    return ms.fasten(ms.channels(piece), bolts="M5", jack_screws=2, strap_grooves=2)


def test_washers_lie_on_the_sheet_and_screws_reach_through_their_nuts(
    bolted: ms.Workpiece,
) -> None:
    top = float(bolted.body("lid").bounds[1, 2])
    rows: Any = bolted.record("fasten")["figures"]["bolts"]
    assert len(rows) >= 4
    m5 = hardware.bolt("M5")
    for row in rows:
        assert row["seat_z"] == pytest.approx(top, abs=1e-3)
        stack = m5.washer_thickness_mm + top - row["nut_z"] + m5.nut_height_mm
        assert row["length_mm"] >= stack
        assert row["thick_mm"] == pytest.approx(3, abs=1e-3)  # the sheet, not the flange under it


def test_a_sheet_is_the_same_at_every_height_and_as_drawn(bolted: ms.Workpiece) -> None:
    piece = ms.split(bolted)
    figures: Any = piece.record("fasten")["figures"]
    assert (len(figures["pry_slots"]), len(figures["straps"])) == (2, 2)
    plan = lid_plan(piece)
    assert {hole.what.split()[0] for hole in plan.holes} == {"sprue", "vent", "bolt", "key"}
    circles = [shapely.Point(h.x, h.y).buffer(h.diameter_mm / 2, 64) for h in plan.holes]
    drawn = plan.outline.difference(shapely.union_all(circles))
    lid = piece.body("lid")
    low, high = lid.bounds[:, 2]
    for share in (0.02, 0.5, 0.98):
        cut = lid.section((0, 0, 1), (0, 0, low + share * (high - low)))
        rings = [shapely.Polygon(line[:, :2]) for line in cut.discrete]
        body = shapely.Polygon()
        for ring in rings:
            body = body.symmetric_difference(ring)
        apart = shapely.get_parts(drawn.symmetric_difference(body))
        assert max(part.area for part in apart) < 0.3  # a circle and its polygon
    grooved = shapely.box(*plan.outline.bounds).area - plan.outline.area
    assert grooved == pytest.approx(4 * 2 * 27, rel=0.02)


def test_a_sheet_has_no_jack_screws_and_says_so(bolted: ms.Workpiece) -> None:
    (said,) = (f for f in bolted.findings if f.code == "no-jacks-in-sheet")
    assert "2 jack-screws left out" in said.message
    assert bolted.record("fasten")["figures"]["jack_screws"] == []


def test_bolts_longer_than_are_made_are_named_with_what_serves() -> None:
    """30 mm of sheet, 5 of flange and the nut are more than the 30 mm M3 screws go up to."""
    thick = ms.block(padded(belly()), style="lidded", lid="sheet", lid_thickness_mm=30)
    piece = ms.fasten(thick, bolts="M3", pry_slots=0)
    figures: Any = piece.record("fasten")["figures"]
    assert {row["length_mm"] for row in figures["bolts"]} == {None}
    assert "threaded rod" in {row["size"] for row in figures["hardware"]}
    (said,) = (finding for finding in piece.findings if finding.code == "bolt-length")
    assert f"{len(figures['bolts'])} bolts M3 have to be longer than 30 mm" in said.message
