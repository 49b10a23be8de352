"""The lid's drawings carry its true size: read back by other programs' libraries."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
import xml.etree.ElementTree as ElementTree
from pathlib import Path
from typing import Any

import ezdxf
import ezdxf.units
import matplotlib.image
import numpy as np
import pytest
import shapely

import moldsmith as ms
from moldsmith.mold.sheet_lids import Hole, LidPlan, lid_plan
from moldsmith.sheet.templates import lid_dxf, lid_pdf, lid_svg, sheet_lid
from shapes import heightfield, patched

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def piece() -> ms.Workpiece:
    def ground(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.asarray(14 * np.exp(-(x**2 + y**2) / 700))

    scan = patched(heightfield(ground, (90, 70), 4))
    pad = ms.shell(scan, thickness_mm=5, taper_mm=12, edge_mm=1, cell_mm=2.5)
    made = ms.channels(ms.block(pad, style="lidded", lid="sheet", lid_thickness_mm=5), sprue_mm=8)
    return ms.split(made)


@pytest.fixture(scope="module")
def plan(piece: ms.Workpiece) -> LidPlan:
    return lid_plan(piece)


def test_plan_has_the_outline_and_every_hole_of_the_mold(
    piece: ms.Workpiece, plan: LidPlan
) -> None:
    block = piece.record("block")["figures"]
    bores = piece.record("channels")["figures"]
    outline = shapely.Polygon(block["outline_plan"])
    assert plan.outline.symmetric_difference(outline).area < 0.05
    assert plan.thickness_mm == 5
    drilled = {(hole.x, hole.y): hole.diameter_mm for hole in plan.holes}
    for bore in (*bores["sprues"], *bores["vents"]):
        assert drilled[bore["x"], bore["y"]] == bore["void_mm"]
    (flange,) = (
        joint for joint in piece.record("split")["figures"]["joints"] if joint["kind"] == "flange"
    )
    for peg in flange["pegs"]:
        assert drilled[peg["base"][0], peg["base"][1]] == pytest.approx(peg["base_mm"] + 0.4)
    for hole in plan.holes:
        assert plan.outline.contains(shapely.Point(hole.x, hole.y).buffer(hole.diameter_mm / 2))


def test_dxf_is_in_mm_and_holds_outline_and_holes_on_their_layers(plan: LidPlan) -> None:
    document = ezdxf.read(io.StringIO(lid_dxf(plan).decode("utf-8")))
    assert document.units == ezdxf.units.MM
    assert document.header["$INSUNITS"] == 4
    assert document.dxfversion == "AC1024"  # the format of 2010
    assert not document.audit().has_errors
    space = document.modelspace()
    (cut,) = space.query('LWPOLYLINE[layer=="cut"]')
    ring = np.array([point[:2] for point in cut.get_points()])
    assert cut.closed
    size = np.ptp(np.reshape(plan.outline.bounds, (2, 2)), axis=0)
    assert np.ptp(ring, axis=0) == pytest.approx(size, abs=0.05)
    circles = {
        (circle.dxf.center.x, circle.dxf.center.y): 2 * circle.dxf.radius
        for circle in space.query('CIRCLE[layer=="drill"]')
    }
    wanted = {(hole.x, hole.y): hole.diameter_mm for hole in plan.holes}
    assert circles == pytest.approx(wanted)
    assert len(space.query('LWPOLYLINE[layer=="engrave"]')) == 1


def test_svg_is_as_large_as_the_lid_and_its_margin(plan: LidPlan) -> None:
    root = ElementTree.fromstring(lid_svg(plan))
    low_x, low_y, high_x, high_y = plan.outline.bounds
    assert root.get("width") == f"{high_x - low_x + 20:.3f}mm"
    assert root.get("height") == f"{high_y - low_y + 20:.3f}mm"
    box = [float(number) for number in str(root.get("viewBox")).split()]
    assert box == pytest.approx([0, 0, high_x - low_x + 20, high_y - low_y + 20], abs=1e-3)
    groups = {group.get("id"): group for group in root.iter(f"{SVG}g")}
    assert list(groups) == ["cut", "drill", "engrave"]
    (path,) = groups["cut"].iter(f"{SVG}path")
    places = np.array(re.findall(r"[-\d.]+", str(path.get("d"))), dtype=float).reshape(-1, 2)
    assert places.min(axis=0) == pytest.approx([10, 10], abs=0.05)
    assert len(list(groups["drill"].iter(f"{SVG}circle"))) == len(plan.holes)


def pages(data: bytes, folder: Path, dpi: int) -> list[np.ndarray]:
    (folder / "lid.pdf").write_bytes(data)
    tool = shutil.which("pdftoppm")
    assert tool is not None
    subprocess.run([tool, "-r", str(dpi), "-png", "lid.pdf", "page"], cwd=folder, check=True)
    return [matplotlib.image.imread(path)[..., :3] for path in sorted(folder.glob("page*.png"))]


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="needs pdftoppm to draw the pages")
def test_printed_at_full_scale_ruler_and_holes_have_their_size(tmp_path: Path) -> None:
    """A page drawn at 300 dots an inch, measured in dots."""
    square = shapely.box(0, 0, 150, 120)
    holes = (Hole(25, 60, 12, "sprue 1"), Hole(125, 60, 12, "vent 1"))
    data = lid_pdf(LidPlan("belly", square, holes, shapely.box(60, 40, 90, 80), 5))
    _, page = pages(data, tmp_path, 300)
    mm = 300 / 25.4
    dark = (page < 0.4).all(axis=2)
    # The longest level runs: the outline's two sides of 150 mm, the ruler of 100 mm.
    runs = sorted(run for row in dark for run in longest_runs(row))
    lengths = np.array(runs) / mm
    # A line of a certain width is as much longer than its length as its own caps allow.
    assert np.abs(lengths - 150).min() < 0.7
    assert np.abs(lengths - 100).min() < 0.2


def longest_runs(row: np.ndarray) -> list[int]:
    edges = np.flatnonzero(np.diff(np.r_[0, row.astype(int), 0]))
    return [int(length) for length in np.diff(edges)[::2] if length > 900]


def test_a_lid_larger_than_a_page_is_tiled_and_equal_plans_give_equal_files(
    plan: LidPlan,
) -> None:
    large = LidPlan("torso", shapely.box(0, 0, 420, 350), plan.holes, plan.casting, 8)
    assert lid_pdf(large).count(b"/Type /Page\n") >= 1 + 6
    assert lid_pdf(plan) == lid_pdf(plan)
    assert lid_dxf(plan) == lid_dxf(plan)


def test_files_are_named_for_the_piece(piece: ms.Workpiece, tmp_path: Path) -> None:
    written = sheet_lid(piece, tmp_path)
    assert [path.name for path in written] == ["belly-lid.dxf", "belly-lid.svg", "belly-lid.pdf"]
    assert all(path.stat().st_size > 500 for path in written)


def test_a_mold_without_a_flat_lid_has_none_to_cut(piece: ms.Workpiece) -> None:
    record: dict[str, Any] = {**piece.record("block")}
    record["figures"] = {**record["figures"], "style": "cored"}
    records = tuple(record if item["stage"] == "block" else item for item in piece.records)
    cored = ms.Workpiece(piece.name, piece.bodies, piece.frame, records)
    with pytest.raises(ms.BadParameter, match="no flat lid to cut from sheet"):
        lid_plan(cored)
