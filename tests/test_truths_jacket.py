"""What is always true of a finished run, held against a mold of jackets, read back from disk.

The claims are the demo's, whose belly is larger; here is a small mold, whole.
"""

from __future__ import annotations

import json

import manifold3d
import numpy as np
import pytest

import fakes
from checks import Run
from moldsmith.batch import run_job
from shapes import heightfield
from test_truths_demo import (  # noqa: F401 - the claims, collected here too
    test_casting_leaves_the_cavity_or_a_finding_names_what_holds_it,
    test_channels_keys_and_stops_keep_their_margins,
    test_core_and_cavity_stay_the_asked_thickness_apart,
    test_cover_lifts_off_or_a_finding_names_what_holds_it,
    test_every_air_pocket_has_a_vent,
    test_every_channel_leads_from_the_void_to_the_outside,
    test_every_part_is_closed_oriented_and_of_one_piece,
    test_every_part_lies_on_the_bed_and_inside_the_printer,
    test_every_peg_is_the_clearance_away_from_its_socket,
    test_no_finding_names_an_air_pocket_that_is_none,
    test_no_two_parts_overlap,
    test_parts_of_a_body_add_up_to_it,
    test_parts_on_the_bed_are_the_parts_of_the_mold,
    test_void_holds_as_much_as_the_pad,
)

JOB = """
[[piece]]
name = "belly"
scan = "belly.ply"
unit = "mm"
shell = { thickness_mm = 8, taper_mm = 18, edge_mm = 1.5, cell_mm = 2 }
block = { outer = "jacket", wall_mm = 4 }
"""
ROUND_A_KEY_MM = 3.2


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    folder = tmp_path_factory.mktemp("jacket")
    hill = heightfield(lambda x, y: 50 * np.exp(-(x**2 + y**2) / 2500), (150, 130), 4)
    hill.export(folder / "belly.ply", encoding="binary")
    job = folder / "job.toml"
    job.write_text(JOB, encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        fakes.stop_after_overhangs(patch)
        summary = run_job(job, out=folder / "out", workers=1)
    assert [piece.error for piece in summary.pieces] == [""]
    return Run(folder / "out" / "belly")


@pytest.fixture(scope="module")
def fine(run: Run) -> Run:
    return run


def test_it_is_a_jacket(run: Run) -> None:
    told = run.figures("block")["jacket"]
    assert told["saved_percent"] > 20
    assert json.dumps(told)  # plain figures, for others to fill it up by


def test_parts_have_what_the_bodies_had_and_more_round_keys_alone(run: Run) -> None:
    pegs = [peg for joint in run.joints("flange") for peg in joint["pegs"]]
    top = run.unsplit["core"].bounding_box()[5]
    columns = [
        manifold3d.Manifold.cylinder(top + 20, peg["base_mm"] / 2 + ROUND_A_KEY_MM).translate(
            (*peg["base"][:2], -10)
        )
        for peg in pegs
    ]
    for name, whole in run.whole.items():
        labels = 200.0  # letters cut in or standing out
        changed = (whole - run.unsplit[name]) + (run.unsplit[name] - whole)
        for column in columns:
            changed = changed - column
        assert changed.volume() < labels, name


def test_no_patch_of_a_part_hangs_over_air(run: Run) -> None:
    """Letters, bores and grains are smaller than the least patch that is reported."""
    assert not [finding for finding in run.findings if finding["code"] == "overhang"]
