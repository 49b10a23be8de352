"""Sealing a layered print, and how rough its face is.

Source of the step heights: c = L |n . u|, Dolenc and Mäkelä, Computer-Aided
Design 26 (1994) 119; L 0.2 on slopes of 0, 30, 45, 60, 90 degrees from level:
0.2, 0.1732, 0.1414, 0.1, 0 (a level face itself has no steps).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import trimesh

import moldsmith as ms
from moldsmith.pouring.working_faces import working_faces


def coated(piece: ms.Workpiece, **more: Any) -> Any:
    return ms.coat(piece, **more).record("coat")["figures"]


def roofed(slope_deg: float, coat_mm: float = 0.0) -> ms.Workpiece:
    """A wedge-shaped void on a cavity whose face leans by a slope from level."""
    run = 40.0
    rise = run * np.tan(np.radians(slope_deg))
    low = trimesh.convex.convex_hull(
        [(x, y, z) for y in (0, 50) for x, z in ((0, 0), (run, 0), (0, 10), (run, 10 + rise))]
    )
    pad = trimesh.convex.convex_hull(
        [(x, y, z) for y in (0, 50) for x, z in ((0, 10), (run, 10 + rise), (0, 20 + rise))]
    )
    block = {"stage": "block", "figures": {"mold_bodies": ["cavity"]}}
    shell = {"stage": "shell", "figures": {}, "parameters": {"coat_mm": coat_mm}}
    records = [{"findings": [], "parameters": {}, "outputs": {}, **row} for row in (shell, block)]
    return ms.Workpiece("wedge", {"pad": pad, "cavity": low}, records=tuple(records))


@pytest.mark.parametrize(("slope", "cusp"), [(30, 0.1732), (45, 0.1414), (60, 0.1), (0, 0.0)])
def test_steps_on_a_slope_are_the_layer_times_its_cosine(slope: float, cusp: float) -> None:
    figures = coated(roofed(slope))
    assert figures["cusp"]["max_mm"] == pytest.approx(cusp, abs=5e-5)
    assert figures["cusp"]["mean_mm"] == pytest.approx(cusp, abs=5e-5)
    area = 40 * 50 / np.cos(np.radians(slope))
    assert figures["cusp"]["area_cm2"] == pytest.approx(area / 100, rel=1e-3)


def test_the_layer_advised_keeps_the_steps_within_the_wish() -> None:
    figures = coated(roofed(45), cusp_mm=0.08)
    thin = ms.Printer(layer_mm=figures["layer_for_cusp_mm"])
    assert coated(roofed(45), printer=thin)["cusp"]["max_mm"] == pytest.approx(0.08, abs=1e-3)
    assert figures["sanding_allowance_mm"] == pytest.approx(0.1414 / 2, abs=1e-4)


def test_no_layer_is_advised_that_the_nozzle_does_not_print() -> None:
    fine = ms.Printer(nozzle_mm=0.25, layer_mm=0.1)
    advised = coated(roofed(80), printer=fine)["layer_for_cusp_mm"]
    assert advised == pytest.approx(0.75 * 0.25)
    ms.Printer(nozzle_mm=0.25, layer_mm=advised)
    figures = coated(roofed(30), cusp_mm=0.01)
    assert figures["layer_for_cusp_mm"] == pytest.approx(0.25 * 0.4)
    assert "No layer that a nozzle of 0.4 mm prints well" in figures["layer_advice"]
    assert "0.10 mm leaves 0.09 mm" in figures["layer_advice"]
    # What the printer prints now is not called too thin for it.
    thin = coated(roofed(30), cusp_mm=0.01, printer=ms.Printer(layer_mm=0.08))
    assert thin["layer_for_cusp_mm"] == pytest.approx(0.08)


def test_the_working_faces_are_the_pads_whole_surface_less_the_channels(
    cored: ms.Workpiece, split_up: ms.Workpiece
) -> None:
    for piece in (cored, split_up):
        found = sum(float(face.area.sum()) for face in working_faces(piece))
        assert found == pytest.approx(piece.body("pad").area, rel=0.03)
        assert found < piece.body("pad").area * 1.002


def test_a_parts_print_pose_decides_its_steps() -> None:
    piece = roofed(60)
    flat = coated(piece)["cusp"]["max_mm"]
    # Stood so that the slope is nearly upright, the same face is printed smoother.
    pose = trimesh.transformations.rotation_matrix(np.radians(-20), (0, 1, 0))
    row = {"body": "cavity", "of": "cavity", "pose": pose.tolist()}
    split = {"stage": "split", "figures": {"parts": [row]}, "findings": [], "parameters": {}}
    turned = ms.Workpiece("wedge", piece.bodies, records=(*piece.records, split))
    found = coated(turned)["cusp"]["max_mm"]
    assert found == pytest.approx(0.2 * np.cos(np.radians(80)), abs=1e-4)
    assert found < flat


@pytest.mark.parametrize("entered", [0.05, 0.12, 0.25])
def test_as_many_coats_are_planned_as_shell_left_room_for(entered: float) -> None:
    sealer = "resin" if entered == 0.12 else "varnish"
    run = ms.coat(roofed(30, entered), sealer=sealer)
    figures = run.record("coat")["figures"]
    assert figures["coat_mm"] == entered
    assert figures["planned_mm"] == pytest.approx(entered, abs=0.0126)
    assert "coat-differs" not in {item.code for item in run.findings}


def test_a_coat_that_has_no_room_or_does_not_come_out_is_found() -> None:
    assert "coat-without-room" in {item.code for item in ms.coat(roofed(30)).findings}
    thick = ms.coat(roofed(30, 0.05), sealer="resin")
    assert "coat-differs" in {item.code for item in thick.findings}
    rough = ms.coat(roofed(30, 0.05), grits=())
    assert "steps-high" in {item.code for item in rough.findings}
    coarse = ms.coat(roofed(5, 0.05), printer=ms.Printer(nozzle_mm=0.6, layer_mm=0.6))
    assert {"sanding-deep", "layer-unusual"} <= {item.code for item in coarse.findings}
    assert "layer-unusual" not in {item.code for item in rough.findings}


def test_silly_coats_are_found_and_never_leave_the_pores_open() -> None:
    hardly = ms.coat(roofed(30, 0.001))
    sealing = next(row for row in hardly.record("coat")["figures"]["steps"] if row["stays"])
    assert sealing["coats"] == 2
    assert "coat-differs" in {item.code for item in hardly.findings}
    thick = [
        item.message for item in ms.coat(roofed(30, 3.0)).findings if item.code == "coats-many"
    ]
    assert thick[0].startswith("120 coats take 240 h to dry")
    assert "coats-many" not in {item.code for item in ms.coat(roofed(30, 0.12)).findings}


def test_the_schedule_runs_from_sanding_to_release_and_names_the_materials() -> None:
    steps = coated(roofed(30), material=ms.material("gypsum-stone"))["steps"]
    words = [step["what"].split()[0] for step in steps]
    assert words == ["sand,", "filler", "sealer:", "polish,", "release"]
    assert "soap" in steps[-1]["note"]
    assert all(step["hours"] >= step["hand_h"] > 0 for step in steps)
    dries = [step["hours"] > step["hand_h"] for step in steps]
    assert dries == [False, True, True, False, True]
    assert coated(roofed(30))["hours"] == pytest.approx(
        sum(step["hours"] for step in coated(roofed(30))["steps"])
    )


def test_the_map_is_attached(cored: ms.Workpiece, tmp_path: Any) -> None:
    written = ms.Workpiece("hill", cored.bodies, cored.frame, cored.records, tmp_path)
    ms.coat(written)
    (folder,) = tmp_path.glob("*-coat")
    shown = trimesh.load(folder / "cusp.ply")
    assert len(shown.faces) > 1000
    assert (folder / "cusp.png").read_bytes().startswith(b"\x89PNG")


def test_values_out_of_range_are_refused() -> None:
    for wrong, told in (
        ({"sealer": "jam"}, r"sealer = 'jam'"),
        ({"cusp_mm": 5.0}, r"cusp_mm = 5\. Choose 0\.01 to 1"),
        ({"grits": (400, 120)}, r"coarse to fine"),
    ):
        with pytest.raises(ms.BadParameter, match=told):
            ms.coat(roofed(30), **wrong)
