"""Charts say what their axes count."""

from __future__ import annotations

from moldsmith.sheet.charts import fill_chart
from moldsmith.sheet.drawing import Label

CURVE = [(0.0, 0.0), (10.0, 300.0), (25.0, 970.0)]


def test_a_foams_curve_counts_what_is_in_the_mold_and_a_liquids_what_is_poured() -> None:
    for rises, said in ((True, "foam in the mold, cm³"), (False, "poured, cm³")):
        drawing = fill_chart(CURVE, [(1, 10.0, 300.0)], rises)
        words = [shape.text for shape in drawing.shapes if isinstance(shape, Label)]
        assert said in words
        assert "height, mm" in words
