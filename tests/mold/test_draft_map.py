"""Draft told by bands, and what a casting must give to come out."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import trimesh
from hills import belly, padded

import moldsmith as ms
from moldsmith.mold.draft_map import draft_figures, draft_picture, held_percent
from moldsmith.supplies.materials import material
from shapes import cap, patched


def wall(draft_deg: float, *, radius: float = 30.0, height: float = 20.0) -> trimesh.Trimesh:
    """An upright wall that widens upward by its draft, as the skin of a casting: facing out."""
    turn = 2 * np.pi * np.arange(180) / 180
    ring = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    wide = radius + height * np.tan(np.radians(draft_deg))
    points = np.concatenate(
        [
            np.column_stack([radius * ring, 0 * turn]),
            np.column_stack([wide * ring, 0 * turn + height]),
        ]
    )
    low, after = np.arange(180), (np.arange(180) + 1) % 180
    faces = np.concatenate(
        [np.stack([low, after, after + 180], 1), np.stack([low, after + 180, low + 180], 1)]
    )
    return trimesh.Trimesh(points, faces, process=False)


@pytest.mark.parametrize(
    ("draft", "band"),
    [(-2, "below_0_mm2"), (0.5, "0_to_1_mm2"), (2.0, "1_to_3_mm2"), (10.0, "more_mm2")],
)
def test_walls_fall_into_the_band_of_their_draft(draft: float, band: str) -> None:
    made = wall(draft)
    found = draft_figures(np.asarray(made.vertices), np.asarray(made.faces))
    # Lateral surface of a cone's frustum: pi (r + R) s.
    slant = 20 / np.cos(np.radians(draft))
    area = np.pi * (60 + 20 * np.tan(np.radians(draft))) * slant
    assert found[band] == pytest.approx(area, rel=1e-3)
    assert sum(found.values()) == pytest.approx(found[band])


def test_what_must_give_is_told_by_what_is_left_to_come_through() -> None:
    """100 (D - d) / d: of 80 mm, 4 mm held leave 76."""
    disc = shapely.Point(0, 0).buffer(40, quad_segs=64)
    assert held_percent(disc, (0, 0), 4.0) == pytest.approx(100 * 4 / 76, rel=1e-3)
    strip = shapely.box(0, 0, 300, 50)
    # The shortest way across counts; a place on the rim as one just inside.
    assert held_percent(strip, (150, 25), 5.0) == pytest.approx(100 * 5 / 45, rel=1e-3)
    assert held_percent(strip, (150, 50), 5.0) == pytest.approx(100 * 5 / 45, rel=1e-3)


def test_draft_s_picture_has_a_colour_for_each_face() -> None:
    hill = belly()
    data = draft_picture(np.asarray(hill.vertices), np.asarray(hill.faces)[:, ::-1])
    assert f"element face {len(hill.faces)}".encode() in data
    assert b"property uchar red" in data


def test_an_undercut_is_held_against_what_the_material_can_stretch() -> None:
    pad = ms.shell(patched(cap(40, 115, 16)), thickness_mm=6, taper_mm=12, edge_mm=1, cell_mm=3)

    def severity(**settings: object) -> tuple[str, str]:
        made = ms.block(pad, pull=(0, 0, -1), **settings)  # type: ignore[arg-type]
        (found,) = (item for item in made.findings if item.code == "undercut-casting")
        return found.severity, found.message

    assert severity()[0] == "note"
    strict, told = severity(permitted_undercut_percent=0.5)
    assert strict == "warning"
    assert "(permitted 0.5 %)" in told
    assert "block_out = true" in told
    assert severity(material=material("gypsum-stone"))[0] == "warning"


def test_a_free_casting_needs_to_give_nothing() -> None:
    free = ms.block(padded(belly()))
    assert free.record("block")["figures"]["undercut"] == {
        "depth_mm": 0.0,
        "percent": 0.0,
        "permitted_percent": 20.0,
    }
