"""What is always true of a finished run, held against the demo's files as read from disk.

Here are the belly, a mold of jackets, and the shoulder under its lid; the calf, a sleeve, is
in `test_truths_demo_calf`.

The claims take the fixtures `run` (a finished piece) and `fine` (one made at 1 mm
resolution), so that other test modules can hold them against other bodies.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

import checks
from checks import Run
from demo_runs import DemoRun
from moldsmith import demo
from moldsmith.job import read_job
from moldsmith.route import worker
from moldsmith.scan.reading import load_scan

PRINTER_MM = np.array([220.0, 220.0, 250.0])
TRIANGLE_MM = 5.0  # a large one of the scan: where the feathering ends is known to that
FINE_STAGES = ("heal", "crop", "smooth", "shell", "block")


@pytest.fixture(scope="module")
def fine(demo_run: DemoRun, tmp_path_factory: pytest.TempPathFactory) -> Run:
    out = demo_run.out
    return made_fine(out / demo.JOB_NAME, "belly", out, tmp_path_factory.mktemp("fine"))


def made_fine(job: Path, name: str, out: Path, folder: Path, cell_mm: float = 1.0) -> Run:
    """A job's finished piece made once more from shell to block, finely."""
    order = read_job(job).only(name).pieces[0]
    settings = {key: dict(order.settings[key]) for key in FINE_STAGES if key in order.settings}
    settings["shell"]["cell_mm"] = cell_mm
    before = [f"{number:02d}-*" for number in range(1, len(settings))]
    for pattern in before:  # so that what comes before shell is read back
        (done,) = (out / name).glob(pattern)
        shutil.copytree(done, folder / name / done.name)
    piece = load_scan(order.scan, name=name, folder=folder / name, **order.settings["load_scan"])
    for stage, given in settings.items():
        piece = worker(stage)(piece, **given)
    return Run(folder / name)


@pytest.fixture(scope="module", params=["belly", "shoulder"])
def run(demo_run: DemoRun, request: pytest.FixtureRequest) -> Run:
    return Run(demo_run.out / request.param)


def test_every_part_is_closed_oriented_and_of_one_piece(run: Run) -> None:
    assert run.parts
    for part in run.parts.values():
        assert checks.directed_edge_faults(part) == 0
        assert checks.pinched_vertices(part) == 0
        assert checks.piece_count(part) == 1
        assert part.volume > 0


def test_every_part_lies_on_the_bed_and_inside_the_printer(run: Run) -> None:
    for part in run.parts.values():
        assert abs(part.bounds[0, 2]) <= 0.01
        assert (part.bounds[0] >= -0.01).all()
        assert (part.bounds[1] <= PRINTER_MM + 0.01).all()


def test_parts_on_the_bed_are_the_parts_of_the_mold(run: Run) -> None:
    assert sorted(run.parts) == sorted(run.assembled)
    for name, part in run.parts.items():
        assert part.volume == pytest.approx(run.assembled[name].volume(), rel=1e-5)


def test_parts_of_a_body_add_up_to_it(run: Run) -> None:
    assert checks.sums_that_differ(run) == []


def test_no_two_parts_overlap(run: Run) -> None:
    assert checks.overlaps(run) == []


def test_core_and_cavity_stay_the_asked_thickness_apart(fine: Run) -> None:
    error, rim = checks.gap_errors(fine)
    taper = fine.log("shell")["parameters"]["taper_mm"]
    assert (np.abs(error) <= 0.1).mean() >= 0.95
    away = rim > taper + TRIANGLE_MM
    assert np.abs(error[away]).max() <= 0.3


def test_void_holds_as_much_as_the_pad(run: Run) -> None:
    assert run.void.volume() == pytest.approx(run.body("pad", "block").volume, rel=5e-3)


def test_every_air_pocket_has_a_vent(run: Run) -> None:
    assert checks.unvented(run) == []


def test_no_finding_names_an_air_pocket_that_is_none(run: Run) -> None:
    assert checks.needless_pocket_findings(run) == []


def test_every_channel_leads_from_the_void_to_the_outside(run: Run) -> None:
    assert run.channels
    assert checks.blocked_channels(run) == []


def test_channels_keys_and_stops_keep_their_margins(run: Run) -> None:
    assert checks.narrow_margins(run) == []


def test_every_peg_is_the_clearance_away_from_its_socket(run: Run) -> None:
    assert checks.loose_or_tight_pegs(run) == []


def test_cover_lifts_off_or_a_finding_names_what_holds_it(run: Run) -> None:
    assert checks.unnamed_undercut_mm(run, run.cover_name) <= 0.01


def test_casting_leaves_the_cavity_or_a_finding_names_what_holds_it(run: Run) -> None:
    assert checks.unnamed_undercut_mm(run, "pad") <= 0.01


def test_parts_of_a_body_come_apart_along_their_pegs(run: Run) -> None:
    assert checks.stuck_parts(run) == []
