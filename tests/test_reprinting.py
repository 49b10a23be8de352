"""The rest of a stopped print, against bodies whose halves are known."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh

import moldsmith as ms
from moldsmith.cli import main
from moldsmith.geometry import solid, stl
from moldsmith.printing.estimating import sliced_estimate
from moldsmith.printing.remainder import LayerGrid

PRINTER = ms.Printer(layer_mm=0.2)


def box(x: float = 60, y: float = 40, z: float = 50) -> trimesh.Trimesh:
    return solid.to_mesh(solid.box((0, 0, 0), (x, y, z)))


def bowl() -> trimesh.Trimesh:
    """A block with half a ball hollowed out of its top."""
    ball = trimesh.creation.icosphere(subdivisions=4, radius=35.0)
    ball.apply_translation((0, 0, 50))
    block = solid.box((-45, -45, 0), (45, 45, 50))
    return solid.to_mesh(solid.difference(block, solid.from_mesh(ball)))


def gate() -> trimesh.Trimesh:
    """Two posts, joined by a beam from 40 mm up."""
    posts = [solid.box((x, 0, 0), (x + 20, 20, 45)) for x in (0, 60)]
    return solid.to_mesh(solid.union(*posts, solid.box((0, 0, 40), (80, 20, 50))))


def stl_of(mesh: trimesh.Trimesh, path: Path) -> Path:
    path.write_bytes(stl.encode(mesh.vertices, mesh.faces))
    return path


@pytest.mark.parametrize("height", [10.0, 23.47, 41.6])
def test_remainder_and_printed_part_add_up(height: float) -> None:
    mesh = bowl()
    made = ms.reprint(mesh, height_mm=height, printer=PRINTER)
    whole = float(mesh.volume)
    assert 1000 * (made.printed_cm3 + made.remainder_cm3) == pytest.approx(whole, rel=1e-4)
    assert float(made.remainder.volume) + 1000 * made.printed_cm3 == pytest.approx(whole, rel=1e-4)


@pytest.mark.parametrize("height", [10.0, 23.47, 41.69])
def test_its_first_layer_lies_on_the_layer_grid(height: float) -> None:
    made = ms.reprint(bowl(), height_mm=height, printer=PRINTER)
    assert made.cut_mm / 0.2 == pytest.approx(made.layers)
    assert -0.05 <= height - made.cut_mm < 0.15
    assert made.remainder.bounds[0, 2] == 0
    assert made.remainder.bounds[1, 2] == pytest.approx(50 - made.cut_mm, abs=1e-5)
    assert made.remainder.is_watertight


def test_a_thicker_first_layer_shifts_the_grid() -> None:
    grid = LayerGrid(0.2, 0.3)
    assert [grid.top_mm(k) for k in (0, 1, 2, 11)] == pytest.approx([0, 0.3, 0.5, 2.3])
    assert [grid.layers_at(z) for z in (0.3, 0.52, 2.31, 2.26, 2.24)] == [1, 2, 11, 11, 10]
    made = ms.reprint(box(), layer=100, printer=PRINTER, first_layer_mm=0.3)
    assert made.cut_mm == pytest.approx(20.1)


def test_the_last_layer_is_printed_by_itself() -> None:
    made = ms.reprint(box(), height_mm=49.85, printer=PRINTER)
    assert made.layers == 249
    assert made.remainder.extents[2] == pytest.approx(0.2, abs=1e-5)


def test_height_and_layer_mean_the_same() -> None:
    one = ms.reprint(box(), height_mm=20.03, printer=PRINTER)
    two = ms.reprint(box(), layer=100, printer=PRINTER)
    assert one.cut_mm == two.cut_mm == pytest.approx(20.0)
    assert one.remainder_cm3 == pytest.approx(60 * 40 * 30 / 1000)


def test_a_height_between_layers_is_said() -> None:
    made = ms.reprint(box(), height_mm=20.12, printer=PRINTER)
    assert [finding.code for finding in made.findings] == ["between-layers"]
    assert "20.00 mm" in made.findings[0].message


def test_estimate_is_that_of_the_rest_alone() -> None:
    made = ms.reprint(box(), height_mm=20, printer=PRINTER)
    alone = sliced_estimate(box(60, 40, 30), PRINTER, ms.Filament())
    assert made.estimate.grams == pytest.approx(alone.grams, rel=1e-6)
    assert made.estimate.seconds == pytest.approx(alone.seconds, rel=1e-6)


def test_dowels_fit_both_sides() -> None:
    made = ms.reprint(box(), height_mm=20, printer=PRINTER, dowel_mm=4, dowels=2)
    assert (made.drill_mm, made.depth_mm) == (4, 8)
    assert len(made.holes_mm) == 2
    assert np.linalg.norm(made.holes_mm[0] - made.holes_mm[1]) > 40
    # ISO 2338 pin 4 m6: at most 4.012 mm; 0.1 mm clear on every side; 8 mm deep.
    left = solid.from_mesh(made.remainder)
    for x, y in made.holes_mm:
        pin = solid.frustum((x, y, -1), (0, 0, 9), 2.006, 2.006, 64)
        assert solid.intersection(left, pin).is_empty()
        deeper = solid.frustum((x, y, 8.05), (0, 0, 1), 2, 2, 64)
        assert solid.volume_mm3(solid.intersection(left, deeper)) == pytest.approx(12.5, rel=0.01)
    across = solid.section(left, 4.0)
    radius = 2.006 + 0.1
    hole = shapely_area(across)
    assert hole == pytest.approx(2 * np.pi * radius**2, rel=0.02)


def shapely_area(section: object) -> float:
    """Area of a box section's holes."""
    return 60 * 40 - float(section.area)  # type: ignore[attr-defined]


def test_template_sits_on_the_stump_with_its_holes_over_the_bores() -> None:
    mesh = bowl()
    made = ms.reprint(mesh, height_mm=42, printer=PRINTER, dowel_mm=3, dowels=3)
    assert made.template is not None
    assert made.template.bounds[0, 2] == pytest.approx(0, abs=1e-6)
    # Turned back over and set on the stump it touches its top and clears its sides.
    seat = np.diag([1.0, -1.0, -1.0, 1.0])
    seat[2, 3] = made.cut_mm + 4.0
    seated = solid.moved(solid.from_mesh(made.template), seat)
    stump = solid.trim_by_plane(solid.from_mesh(mesh), (0, 0, -1), -made.cut_mm)
    assert solid.volume_mm3(solid.intersection(seated, stump)) < 1e-3 * 42
    low = np.asarray(solid.section(stump, made.cut_mm - 1e-3).bounds[:2])
    for x, y in made.holes_mm + low:
        drill = solid.frustum((x, y, made.cut_mm - 10), (0, 0, 20), 1.49, 1.49, 64)
        assert solid.intersection(seated, drill).is_empty()
        ring = solid.frustum((x, y, made.cut_mm + 1), (0, 0, 1), 3, 3, 64)
        assert solid.volume_mm3(solid.intersection(seated, ring)) > 15


def test_a_thin_wall_leaves_no_room_for_dowels() -> None:
    made = ms.reprint(box(60, 4, 50), height_mm=20, printer=PRINTER, dowel_mm=6)
    assert made.template is None
    assert "few-dowels" in [finding.code for finding in made.findings]


def test_islands_at_the_cut_are_said() -> None:
    made = ms.reprint(gate(), height_mm=20, printer=PRINTER)
    assert (made.islands, made.pieces) == (2, 1)
    assert [finding.code for finding in made.findings] == ["islands"]


def test_each_piece_of_the_rest_has_dowels_of_its_own() -> None:
    upside_down = gate()
    upside_down.apply_transform(np.diag([1.0, -1.0, -1.0, 1.0]))
    upside_down.apply_translation((0, 20, 50))
    made = ms.reprint(upside_down, height_mm=30, printer=PRINTER, dowel_mm=3, dowels=2)
    assert (made.islands, made.pieces, len(made.holes_mm)) == (2, 2, 4)
    assert [finding.code for finding in made.findings] == ["islands", "many-pieces"]


def test_a_rest_that_would_topple_is_said() -> None:
    flag = solid.union(solid.box((0, -10, 0), (10, 10, 60)), solid.box((0, -10, 60), (120, 10, 80)))
    made = ms.reprint(solid.to_mesh(flag), height_mm=30, printer=PRINTER)
    assert "unsteady" in [finding.code for finding in made.findings]


def test_a_rest_larger_than_the_printer_is_said() -> None:
    small = ms.Printer(volume_mm=(50, 35, 250))
    made = ms.reprint(box(), height_mm=20, printer=small)
    assert [finding.code for finding in made.findings] == ["does-not-fit"]


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({}, "give one of them"),
        ({"height_mm": 20, "layer": 3}, "give one of them"),
        ({"height_mm": 80}, "leaves nothing"),
        ({"height_mm": 50}, r"height_mm = 50 leaves nothing to print: the part is 50\.00 mm high"),
        ({"height_mm": 49.99}, "leaves nothing to print"),
        ({"layer": 250}, "layer = 250 leaves nothing to print"),
        ({"height_mm": 0.1}, r"height_mm = 0\.1 is less than the first layer of 0\.2 mm"),
        ({"height_mm": -1}, "height_mm = -1"),
        ({"layer": 0}, "layer = 0"),
        ({"height_mm": 20, "dowel_mm": 7}, "dowel_mm = 7"),
        ({"height_mm": 20, "dowels": 9}, "dowels = 9"),
        ({"height_mm": 20, "clearance_mm": 2}, "clearance_mm = 2"),
        ({"height_mm": 20, "first_layer_mm": 2}, "first_layer_mm = 2"),
    ],
)
def test_wrong_values_are_refused(settings: dict[str, float], said: str) -> None:
    with pytest.raises(ms.BadParameter, match=said):
        ms.reprint(box(), **settings)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"height_mm": "20"}, "height_mm = '20'. Give a number"),
        ({"layer": 2.5}, "layer = 2.5. Give a whole number"),
        ({"height_mm": 20, "dowel_mm": "3"}, "dowel_mm = '3'. Give a number"),
        ({"height_mm": 20, "dowels": 1.5}, "dowels = 1.5. Give a whole number"),
    ],
)
def test_values_of_another_type_are_refused(settings: dict[str, Any], said: str) -> None:
    with pytest.raises(ms.BadParameter, match=said):
        ms.reprint(box(), **settings)


def test_what_is_no_part_is_refused() -> None:
    with pytest.raises(ms.BadParameter, match="the part has no triangles"):
        ms.reprint(trimesh.Trimesh(), height_mm=20)
    with pytest.raises(ms.BadParameter, match="part = 5 is no part"):
        ms.reprint(5, height_mm=20)  # type: ignore[arg-type]
    with pytest.raises(ms.BadParameter, match=r"left_g = '5'\. Give a number"):
        ms.pause_height(box(), left_g="5")  # type: ignore[arg-type]


def test_parts_that_cannot_be_cut_are_refused(tmp_path: Path) -> None:
    floating = box()
    floating.apply_translation((0, 0, 5))
    with pytest.raises(ms.BadParameter, match="not on the bed"):
        ms.reprint(floating, height_mm=20)
    holed = trimesh.Trimesh(box().vertices, box().faces[1:], process=False)
    with pytest.raises(ms.BadParameter, match="not closed"):
        ms.reprint(holed, height_mm=20)
    with pytest.raises(ms.BadScan, match="cannot be read"):
        ms.reprint(tmp_path / "none.stl", height_mm=20)
    (tmp_path / "text.stl").write_text("solid of text", encoding="utf-8")
    with pytest.raises(ms.BadScan, match="no binary STL"):
        ms.reprint(tmp_path / "text.stl", height_mm=20)


def test_a_pause_comes_after_the_last_layer_the_spool_is_enough_for() -> None:
    plan = sliced_estimate(box(), PRINTER, ms.Filament())
    pause = ms.pause_height(box(), left_g=plan.grams / 2, printer=PRINTER)
    assert pause.height_mm is not None
    assert pause.layers == round(pause.height_mm / 0.2)
    spent = plan.layer_g[: pause.layers].sum()
    assert spent <= plan.grams / 2 < spent + plan.layer_g[pause.layers]
    assert pause.rest_g + spent == pytest.approx(pause.needed_g)
    assert ms.pause_height(box(), left_g=plan.grams + 1).height_mm is None
    with pytest.raises(ms.BadParameter, match="not enough for the first layer"):
        ms.pause_height(box(), left_g=0.01)


def test_command_writes_the_rest(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    part = stl_of(bowl(), tmp_path / "cavity-1.stl")
    assert main(["reprint", str(part), "--height", "41.6", "--dowel", "3"]) == 0
    said = capsys.readouterr().out
    assert "Cut at 41.60 mm, after layer 208" in said
    assert "Layers of 0.2 mm, assumed: give --job or --layer-mm" in said
    assert "Drill 3 mm" in said
    made = tmp_path / "reprint"  # not among the parts: a job that runs again clears those
    assert f"To print: {made / 'cavity-1-remainder.stl'}" in said
    written = json.loads((made / "cavity-1-reprint.json").read_text(encoding="utf-8"))
    assert written["cut_mm"] == pytest.approx(41.6)
    for name in ("cavity-1-remainder.stl", "cavity-1-drill-template.stl"):
        vertices, faces = stl.decode((made / name).read_bytes())
        assert trimesh.Trimesh(vertices, faces, process=False).is_watertight


def test_command_takes_the_layers_that_the_part_was_made_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for stage, layer_mm in (("02-split", 0.1), ("03-estimate", 0.3)):
        parameters = {"printer": {**dataclasses.asdict(ms.Printer()), "layer_mm": layer_mm}}
        log = {"status": "finished", "parameters": parameters}
        (tmp_path / "belly" / stage).mkdir(parents=True)
        (tmp_path / "belly" / stage / "log.json").write_text(json.dumps(log), encoding="utf-8")
    (tmp_path / "belly" / "parts").mkdir()
    part = stl_of(box(), tmp_path / "belly" / "parts" / "cavity-1.stl")
    assert main(["reprint", str(part), "--height", "41.6", "--out", str(tmp_path)]) == 0
    said = capsys.readouterr().out
    assert "Layers of 0.3 mm, as in belly/03-estimate/log.json" in said
    assert "Cut at 41.40 mm, after layer 138" in said
    written = json.loads((tmp_path / "cavity-1-reprint.json").read_text(encoding="utf-8"))
    assert written["layer_mm"] == 0.3
    assert main(["pause", str(part), "--left-g", "15", "--layer-mm", "0.25"]) == 0
    assert "Layers of 0.25 mm, as given" in capsys.readouterr().out


def test_a_rest_that_stopped_too_is_cut_by_the_same_layers(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    stage, parts = tmp_path / "belly" / "03-estimate", tmp_path / "belly" / "parts"
    parameters = {"printer": {**dataclasses.asdict(ms.Printer()), "layer_mm": 0.3}}
    for folder in (stage, parts):
        folder.mkdir(parents=True)
    log = json.dumps({"status": "finished", "parameters": parameters})
    (stage / "log.json").write_text(log, encoding="utf-8")
    part = stl_of(box(), parts / "cavity-1.stl")
    assert main(["reprint", str(part), "--height", "21"]) == 0
    rest = parts / "reprint" / "cavity-1-remainder.stl"
    assert main(["reprint", str(rest), "--height", "9"]) == 0
    said = capsys.readouterr().out
    assert said.count("Layers of 0.3 mm, as in belly/03-estimate/log.json") == 2
    assert (rest.parent / "cavity-1-remainder-remainder.stl").is_file()


def test_commands_say_pauses_and_errors(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    part = stl_of(box(), tmp_path / "core.stl")
    assert main(["pause", str(part), "--left-g", "15"]) == 0
    assert "Pause at" in capsys.readouterr().out
    assert main(["pause", str(part), "--left-g", "900"]) == 0
    assert "suffices" in capsys.readouterr().out
    assert main(["reprint", str(part), "--height", "80"]) == 2
    assert "leaves nothing" in capsys.readouterr().err
    assert main(["reprint", str(part)]) == 2
