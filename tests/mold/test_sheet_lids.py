"""Lids cut from sheet: thick enough by the plate formulas, and no part to print."""

from __future__ import annotations

import pytest
import shapely
from hills import belly, padded

import moldsmith as ms
from moldsmith.mold.sheet_lids import cut_from_sheet, sheet_check


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
