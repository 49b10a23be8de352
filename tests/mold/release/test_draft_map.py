"""Draft told by bands, and what a casting must give to come out."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hills import belly, padded

import moldsmith as ms
from moldsmith.mold.release.draft_map import draft_figures, draft_picture
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


def test_draft_s_picture_has_a_colour_for_each_face() -> None:
    hill = belly()
    data = draft_picture(np.asarray(hill.vertices), np.asarray(hill.faces)[:, ::-1])
    assert f"element face {len(hill.faces)}".encode() in data
    assert b"property uchar red" in data


def capped(opening_deg: float) -> ms.Workpiece:
    cap_ = patched(cap(40, opening_deg, 12))
    return ms.shell(cap_, thickness_mm=6, taper_mm=12, edge_mm=1, cell_mm=5)


def test_an_undercut_is_held_against_what_the_material_can_stretch() -> None:
    pad = capped(115)

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


def test_a_cap_past_the_equator_must_stretch_its_rim_to_its_equator() -> None:
    made = ms.block(capped(130), style="lidded", pull=(0, 0, -1))
    rim = 40 * np.sin(np.radians(130))
    found = made.record("block")["figures"]["undercut"]
    assert found["depth_mm"] == pytest.approx(40 - rim, abs=0.8)
    assert found["percent"] == pytest.approx(100 * (80 - 2 * rim) / (2 * rim), abs=3)  # 30.5
    (told,) = (item for item in made.findings if item.code == "undercut-casting")
    assert told.severity == "warning"  # over the 20 % that soft foam takes


def test_a_free_casting_needs_to_give_nothing() -> None:
    free = ms.block(padded(belly()))
    assert free.record("block")["figures"]["undercut"] == {
        "depth_mm": 0.0,
        "percent": 0.0,
        "permitted_percent": 20.0,
    }
