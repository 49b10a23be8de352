"""What is always true of a finished run, held against the demo's calf: a sleeve of side pieces."""

from __future__ import annotations

import numpy as np
import pytest

from checks import Solid
from demo_runs import DemoRun
from side_checks import SideRun
from test_truths_demo import (  # noqa: F401 - the claims, collected here too
    TRIANGLE_MM,
    test_every_channel_leads_from_the_void_to_the_outside,
    test_every_part_is_closed_oriented_and_of_one_piece,
    test_every_part_lies_on_the_bed_and_inside_the_printer,
    test_every_peg_is_the_clearance_away_from_its_socket,
    test_no_finding_names_an_air_pocket_that_is_none,
    test_no_two_parts_overlap,
    test_parts_of_a_body_come_apart_along_their_pegs,
    test_parts_on_the_bed_are_the_parts_of_the_mold,
)
from test_truths_sleeve import (  # noqa: F401
    test_bodies_share_nothing_and_fill_the_block,
    test_casting_gives_way_by_no_more_than_permitted,
    test_every_air_pocket_has_a_vent_or_a_finding,
    test_every_body_leaves_in_its_order_without_touching_another,
    test_pad_is_a_sleeve_or_a_deep_cap,
    test_parts_of_a_body_add_up_to_it,
    test_void_holds_as_much_as_the_pad,
)


class CalfRun(SideRun):
    """A run whose channels are looked for in the closed mold's room."""

    @property
    def void(self) -> Solid:
        return self.room


@pytest.fixture(scope="module")
def run(demo_run: DemoRun) -> CalfRun:
    return CalfRun(demo_run.out / "calf")


def test_core_and_sides_stay_the_asked_thickness_apart(run: CalfRun) -> None:
    """At the demo's own cells; sleeves off a body, made finer, hold the tenth of a millimetre."""
    error, rim = run.gap_errors()
    away = rim > run.log("shell")["parameters"]["taper_mm"] + TRIANGLE_MM
    assert away.sum() > 800
    assert np.abs(error[away]).max() <= 0.3
