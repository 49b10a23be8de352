"""Estimates of bodies whose walls, skins and infill can be worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh

import moldsmith as ms
from moldsmith.geometry import solid
from moldsmith.job import read_job
from moldsmith.printing.estimating import PrintEstimate, estimated, sliced_estimate
from moldsmith.printing.slices import sliced
from moldsmith.printing.spools import job_spools
from moldsmith.printing.timing import work_of
from moldsmith.stage import stage

PRINTER = ms.Printer(
    layer_mm=0.2, line_mm=0.4, walls=3, top_layers=5, bottom_layers=4, infill_share=0.15
)
PLA = ms.Filament("PLA", 1.24, 1.75)


def box(x: float, y: float, z: float) -> trimesh.Trimesh:
    return solid.to_mesh(solid.box((0, 0, 0), (x, y, z)))


def cone(low: float, high: float, height: float, sides: int = 360) -> trimesh.Trimesh:
    return solid.to_mesh(solid.frustum((0, 0, 0), (0, 0, height), low, high, sides))


def tube(outer: float, inner: float, height: float) -> trimesh.Trimesh:
    bore = solid.frustum((0, 0, -1), (0, 0, height + 2), inner, inner, 360)
    whole = solid.frustum((0, 0, 0), (0, 0, height), outer, outer, 360)
    return solid.to_mesh(solid.difference(whole, bore))


def mushroom() -> trimesh.Trimesh:
    """A cap of 40 x 40 x 4 mm on a stem of 10 x 10 x 20 mm."""
    stem, cap = solid.box((-5, -5, 0), (5, 5, 20)), solid.box((-20, -20, 20), (20, 20, 24))
    return solid.to_mesh(solid.union(stem, cap))


def of(mesh: trimesh.Trimesh, **settings: Any) -> PrintEstimate:
    return sliced_estimate(mesh, replace(PRINTER, **settings), PLA)


def grams(layer_areas_mm2: float) -> float:
    """Grams of the solid area of all layers together."""
    return layer_areas_mm2 * 0.2 * 1.24 / 1000


def test_box_weighs_its_walls_skins_and_infill() -> None:
    # 40 x 40 x 10: 50 layers; three walls of 0.4 leave 37.6 x 37.6; 9 solid layers, 41 filled.
    wall, inside = 40**2 - 37.6**2, 37.6**2
    expected = grams(50 * wall + 9 * inside + 41 * 0.15 * inside)
    found = of(box(40, 40, 10))
    assert found.grams == pytest.approx(expected, rel=0.001)
    assert found.metres == pytest.approx(expected / 2.98255, rel=0.001)
    assert len(found.layer_g) == 50


def test_box_takes_the_time_of_its_lines() -> None:
    # From rest to rest a line of s mm takes s / v + v / a; a = 1500, walls at 40 and 60 mm/s,
    # skin at 60, infill at 80, travel at 150. Mean chord of the 37.6 square: pi 37.6^2 / (4 37.6).
    chord = np.pi * 37.6 / 4
    skin_mm, infill_mm = 37.6**2 / 0.4, 0.15 * 37.6**2 / 0.4

    def layer(outer: float, inner: float, fill_mm: float, fill: float) -> float:
        walls = 158.4 / outer + 4 * outer / 1500 + 307.2 / inner + 8 * inner / 1500
        inside = fill_mm / fill + fill_mm / chord * fill / 1500
        return walls + inside + 4 * (chord / 150 + 150 / 1500)

    expected = layer(20, 20, skin_mm, 20) + 8 * layer(40, 60, skin_mm, 60)
    expected += 41 * layer(40, 60, infill_mm, 80)
    assert of(box(40, 40, 10)).seconds == pytest.approx(expected, rel=0.002)


def test_tube_weighs_its_walls_from_both_sides() -> None:
    # Radii 20 and 17: walls of 1.2 mm on both sides leave a ring from 18.2 to 18.8.
    whole, inside = np.pi * (20**2 - 17**2), np.pi * (18.8**2 - 18.2**2)
    expected = grams(150 * (whole - inside) + 9 * inside + 141 * 0.15 * inside)
    assert of(tube(20, 17, 30)).grams == pytest.approx(expected, rel=0.005)


def test_thin_tube_is_all_wall() -> None:
    expected = 1.24 * np.pi * (20**2 - 18**2) * 30 / 1000
    found = sliced(tube(20, 18, 30), PRINTER)
    assert of(tube(20, 18, 30)).grams == pytest.approx(expected, rel=0.005)
    assert found.infill.sum() == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize(("low", "high", "height"), [(30, 5, 10), (25, 5, 40), (5, 30, 10)])
def test_cone_has_skin_where_its_slope_leaves_it_open(
    low: float, high: float, height: float
) -> None:
    count = round(height / 0.2)
    radius = low + (high - low) * (np.arange(-6, count + 6) + 0.5) / count
    radius[:6], radius[-6:] = 0, 0  # nothing above and below
    here = radius[6:-6]
    above, below = radius[11:-1], radius[2:-10]
    inside = np.maximum(here - 1.2, 0)
    covered = np.minimum(inside, np.minimum(above, below))
    area = np.pi * (here**2 - inside**2 + inside**2 - covered**2 + 0.15 * covered**2)
    found = of(cone(low, high, height), support_share=0.0)
    assert found.grams == pytest.approx(grams(area.sum()), rel=0.01)


def test_a_step_in_the_middle_is_skinned_like_a_top() -> None:
    tower = solid.union(solid.box((0, 0, 0), (40, 40, 10)), solid.box((10, 10, 10), (30, 30, 30)))
    found = sliced(solid.to_mesh(tower), PRINTER)
    np.testing.assert_allclose(found.infill[4:45], 37.6**2, rtol=1e-3)
    # Just under the step the inside is solid but for what the upper box covers.
    np.testing.assert_allclose(found.infill[45:50], 20**2, rtol=1e-3)
    np.testing.assert_allclose(found.skin[45:50], 37.6**2 - 20**2, rtol=1e-3)
    np.testing.assert_allclose(found.infill[50:145], 17.6**2, rtol=1e-3)


def test_layers_not_looked_at_follow_from_those_that_were() -> None:
    ball = solid.from_mesh(trimesh.creation.icosphere(subdivisions=4, radius=30.0))
    bowl = solid.difference(
        solid.box((-40, -40, 0), (40, 40, 35)),
        solid.moved(ball, trimesh.transformations.translation_matrix((3, 0, 37))),
    )
    work = {}
    for every in (1, 10):
        made = work_of(sliced(solid.to_mesh(bowl), PRINTER, every=every), PRINTER, PLA)
        work[every] = estimated([made], PRINTER, PLA)
    assert work[10].grams == pytest.approx(work[1].grams, rel=0.002)
    assert work[10].seconds == pytest.approx(work[1].seconds, rel=0.003)


BODIES = {
    "box": box(30, 20, 12.13),
    "tube": tube(20, 17, 30),
    "cone": cone(25, 5, 40),
    "thin": box(30, 0.3, 20),
}


@pytest.mark.parametrize("name", BODIES)
@pytest.mark.parametrize("infill", [0.0, 0.15, 1.0])
def test_no_part_outweighs_its_solid(name: str, infill: float) -> None:
    mesh = BODIES[name]
    found = of(mesh, infill_share=infill, support_share=0.0)
    bound = 1.24 * float(mesh.volume) / 1000
    assert found.grams <= bound * (1 + 1e-9)
    if infill == 1:
        assert found.grams == pytest.approx(bound, rel=1e-6)


@pytest.mark.parametrize("name", BODIES)
@pytest.mark.parametrize("flow", [1.5, 12.0])
def test_no_part_is_faster_than_the_hot_end_melts(name: str, flow: float) -> None:
    found = of(BODIES[name], max_flow_mm3_s=flow, min_layer_s=0.0)
    volume = found.grams / 1.24 * 1000
    assert found.seconds >= volume / flow
    if flow == 1.5:
        assert found.seconds < 2.5 * volume / flow


def test_a_small_layer_waits_to_cool() -> None:
    assert of(box(5, 5, 10), min_layer_s=30).seconds == pytest.approx(50 * 30)


def test_support_stands_under_what_hangs() -> None:
    # 1600 - 100 mm2 of ceiling at 20 mm; a column grid of 1.5 mm.
    found = sliced(mushroom(), PRINTER)
    assert found.support.sum() * 0.2 == pytest.approx(1500 * 20, rel=0.02)
    assert (found.support[101:] == 0).all()
    held = of(mushroom(), support_share=0.2)
    free = of(mushroom(), support_share=0.0)
    assert held.support_g == pytest.approx(1.24 * 30 * 0.2, rel=0.02)
    assert held.grams - free.grams == pytest.approx(held.support_g)


def test_support_on_the_part_reaches_down_to_the_part_only() -> None:
    table = solid.union(
        solid.box((-30, -30, 0), (30, 30, 10)),
        solid.box((-5, -5, 10), (5, 5, 30)),
        solid.box((-20, -20, 30), (20, 20, 34)),
    )
    found = sliced(solid.to_mesh(table), PRINTER)
    assert found.support.sum() * 0.2 == pytest.approx(1500 * 20, rel=0.02)
    assert (found.support[:49] == 0).all()


def test_brim_goes_round_the_first_layer() -> None:
    plain, brimmed = of(box(40, 40, 10)), of(box(40, 40, 10), brim_mm=5.0)
    area = 4 * 40 * 5 + np.pi * 25
    assert brimmed.grams - plain.grams == pytest.approx(grams(area), rel=0.01)
    np.testing.assert_array_equal(plain.layer_g[1:], brimmed.layer_g[1:])


def test_part_that_is_not_closed_is_refused() -> None:
    mesh = box(10, 10, 10)
    holed = trimesh.Trimesh(mesh.vertices, mesh.faces[1:], process=False)
    with pytest.raises(ms.BadParameter, match="not closed"):
        of(holed)


@stage
def parts(piece: ms.Workpiece, *, plates: tuple[int, ...] = ()) -> ms.Workpiece:
    """List all bodies as parts in the pose they have."""
    rows = [{"body": name, "of": "cavity", "pose": np.eye(4).tolist()} for name in piece.bodies]
    for row, plate in zip(rows, plates, strict=False):
        row["plate"] = plate
    return piece.note({"parts": rows})


def two_boxes(*plates: int) -> ms.Workpiece:
    bodies = {"cavity-1": box(40, 40, 10), "cavity-2": box(20, 20, 20)}
    return ms.Workpiece("belly", bodies).pipe(parts, plates=plates)


def figures(piece: ms.Workpiece, **settings: Any) -> dict[str, Any]:
    settings = {"printer": PRINTER, "filament": PLA, **settings}
    return dict(piece.pipe(ms.estimate, **settings).record("estimate")["figures"])


def test_each_part_has_a_plate_of_its_own_until_it_is_laid_out() -> None:
    found = figures(two_boxes())
    assert [plate["number"] for plate in found["plates"]] == [1, 2]
    assert [row["layers"] for row in found["parts"]] == [50, 100]
    assert found["grams"] == pytest.approx(sum(row["grams"] for row in found["parts"]), abs=0.02)
    assert found["longest_seconds"] == max(row["seconds"] for row in found["parts"])


def test_parts_on_one_plate_wait_for_each_other_not_to_cool() -> None:
    alone, together = figures(two_boxes(1, 2)), figures(two_boxes(1, 1))
    assert together["seconds"] < alone["seconds"]
    assert together["grams"] == alone["grams"]
    assert len(together["plates"]) == 1


def test_a_plate_takes_the_smallest_spool_that_suffices() -> None:
    found = figures(two_boxes(1, 2), filament=replace(PLA, left_g=(900.0, 6.0, 30.0)))
    needs = {plate["number"]: plate["grams"] for plate in found["plates"]}
    assert needs[1] > 6 > needs[2]
    assert [(use["plate"], use["spool"]) for use in found["spools"]] == [(1, 3), (2, 2)]
    assert all(use["suffices"] for use in found["spools"])


def test_a_spool_that_runs_out_gives_a_pause_on_a_layer() -> None:
    piece = two_boxes(1, 2).pipe(
        ms.estimate, printer=PRINTER, filament=replace(PLA, left_g=(5.0, 6.0))
    )
    uses = piece.record("estimate")["figures"]["spools"]
    assert [(use["plate"], use["spool"], use["suffices"]) for use in uses[:2]] == [
        (1, 2, False),
        (1, 1, True),
    ]
    pause = uses[0]["change_at_mm"]
    assert pause / 0.2 == pytest.approx(round(pause / 0.2))
    layers = sliced_estimate(box(40, 40, 10), PRINTER, PLA).layer_g
    assert layers[: round(pause / 0.2)].sum() <= 6.0 < layers[: round(pause / 0.2) + 1].sum()
    codes = [finding.code for finding in piece.findings]
    assert codes.count("spool-change") >= 1
    assert codes.count("filament-short") == 1


def test_a_plate_heavier_than_a_full_spool_goes_on_from_the_next() -> None:
    found = figures(two_boxes(1, 1), filament=replace(PLA, spool_g=5.0))
    assert [use["spool"] for use in found["spools"]] == [1, 2, 3]
    assert found["spools"][-1]["suffices"]


def test_pieces_of_a_job_share_the_spools() -> None:
    spools = replace(PLA, left_g=(9.0, 8.5))
    alone = {name: figures(two_boxes(1, 2), filament=spools) for name in ("belly", "calf")}
    heavy = alone["belly"]["plates"][0]["grams"]
    assert all(figures["spools"][0]["suffices"] for figures in alone.values())
    uses = job_spools(alone, spools, 0.2)
    assert [(piece, use.plate, use.spool) for piece, use in uses if use.suffices] == [
        ("belly", 1, 2),
        ("calf", 1, 1),
    ]
    # Neither spool has enough left for the small plates, nor both for both.
    assert 17.5 - 2 * heavy < alone["belly"]["plates"][1]["grams"]
    assert [piece for piece, use in uses if use.spool is None] == ["belly", "calf"]


def test_profile_tells_the_grams_by_height() -> None:
    plate = figures(two_boxes(1, 2))["plates"][0]
    heights, grams_ = np.asarray(plate["profile"]).T
    layers = sliced_estimate(box(40, 40, 10), PRINTER, PLA).layer_g
    total = np.r_[0, layers.cumsum()]
    assert grams_ == pytest.approx(total[np.round(heights / 0.2).astype(int)], abs=0.006)
    assert grams_[-1] == pytest.approx(plate["grams"], abs=0.01)


def test_one_real_print_scales_all_figures_and_says_so() -> None:
    plain = figures(two_boxes())
    first = plain["parts"][0]
    piece = two_boxes().pipe(
        ms.estimate,
        printer=PRINTER,
        filament=PLA,
        measured={
            "part": "cavity-1",
            "grams": first["grams"] * 1.1,
            "hours": first["seconds"] / 3600 * 1.3,
        },
    )
    scaled = piece.record("estimate")["figures"]
    assert scaled["grams"] == pytest.approx(1.1 * plain["grams"], rel=1e-3)
    assert scaled["seconds"] == pytest.approx(1.3 * plain["seconds"], rel=1e-3)
    assert scaled["calibration"]["grams"] == pytest.approx(1.1, rel=1e-3)
    assert "calibrated by cavity-1" in scaled["calibration"]["said"]
    assert any(finding.code == "calibrated" for finding in piece.findings)
    assert "not calibrated" in plain["calibration"]["said"]


@pytest.mark.parametrize(
    ("measured", "said"),
    [
        ({"grams": 10.0, "hours": 1.0}, "what of it was estimated is missing"),
        ({"grams": 10.0, "hours": 1.0, "part": "core"}, "measured.part = core"),
        ({"grams": 900.0, "hours": 0.4, "part": "cavity-1"}, "measured.grams = 900"),
    ],
)
def test_a_measured_print_must_say_what_it_was(measured: Any, said: str) -> None:
    with pytest.raises(ms.BadParameter, match=said):
        two_boxes().pipe(ms.estimate, printer=PRINTER, filament=PLA, measured=measured)


def test_a_job_file_can_say_what_was_measured(tmp_path: Path) -> None:
    lines = '[[piece]]\nname = "belly"\nscan = "troll.ply"\n[piece.estimate]\n'
    job = tmp_path / "troll.toml"
    job.write_text(lines + 'measured = {part = "core", grams = 80, hours = 5.5}\n', "utf-8")
    (piece,) = read_job(job).pieces
    assert piece.settings["estimate"] == {"measured": {"part": "core", "grams": 80.0, "hours": 5.5}}
    job.write_text(lines + 'measured = {part = "core"}\n', "utf-8")
    with pytest.raises(ms.BadJob, match=r"estimate\.measured"):
        read_job(job)


def test_without_parts_there_is_nothing_to_estimate() -> None:
    with pytest.raises(ms.BadParameter, match="split has not run"):
        ms.Workpiece("belly", {"pad": box(5, 5, 5)}).pipe(ms.estimate)
