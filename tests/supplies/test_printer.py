"""A printer and a filament refuse what they cannot be, by name."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

import moldsmith as ms


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        ({"volume_mm": 200}, r"volume_mm = 200 is not a printer's size"),
        ({"volume_mm": ("a", 1, 1)}, r"volume_mm = \('a', 1, 1\) is not"),
        ({"volume_mm": (200, 200)}, r"volume_mm = \[200.0, 200.0\] is not"),
        ({"nozzle_mm": "0.4"}, r"nozzle_mm = '0.4'. Give a number, 0.1 to 2 mm"),
        ({"layer_mm": None}, r"layer_mm = None. Give a value, or leave it out"),
        ({"layer_mm": 0.5}, r"layer_mm = 0.5. Choose 0.02 to 0.4 mm \(the nozzle\)"),
        ({"line_mm": 0.1}, r"line_mm = 0.1. Choose 0.2 to 0.8 mm, or 0"),
        ({"line_mm": 3}, r"line_mm = 3. Choose 0 to 0.8 mm"),
        ({"walls": 2.5}, r"walls = 2.5. Give a whole number, 1 to 50 lines"),
        ({"min_layer_s": True}, r"min_layer_s = True. Give a number"),
    ],
)
def test_no_printer_is_made_of_wrong_values(wrong: dict[str, Any], told: str) -> None:
    with pytest.raises(ms.BadParameter, match=told):
        ms.Printer(**wrong)


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        ({"left_g": 5}, r"filament PLA: left_g = 5"),
        ({"left_g": (310, "full")}, r"left_g = \(310, 'full'\)"),
        ({"density_g_cm3": "1.24"}, r"density_g_cm3 = '1.24'. Give a number, 0.5 to 4 g/cm3"),
        ({"spool_g": 0}, r"spool_g = 0. Choose 1 to 20000 g"),
    ],
)
def test_no_filament_is_made_of_wrong_values(wrong: dict[str, Any], told: str) -> None:
    with pytest.raises(ms.BadParameter, match=told):
        ms.Filament(**wrong)


def test_numbers_of_an_array_are_numbers_too() -> None:
    size = np.array([200, 210, 220])
    assert ms.Printer(volume_mm=size, nozzle_mm=np.float32(0.5)).volume_mm == (200, 210, 220)  # type: ignore[arg-type]
