"""Rings are refused in one and the same way, tubes and collars are not."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import trimesh

import moldsmith as ms
import sleeves
from moldsmith.errors import CannotBuild
from moldsmith.geometry.topology import border_loops
from moldsmith.mold.nested_rims import refuse_nested
from shapes import patched


@pytest.fixture(scope="module")
def ring() -> ms.Workpiece:
    """The upper half of a torus: trim lines 110 and 50 mm across in one plane."""
    torus = trimesh.creation.torus(40, 15, major_sections=40, minor_sections=24)
    half = torus.submesh([np.flatnonzero(torus.triangles_center[:, 2] > -1e-9)], append=True)
    return ms.shell(patched(half, "ring"), thickness_mm=4, taper_mm=8, cell_mm=4)


@pytest.mark.parametrize(
    "settings",
    [
        {"style": "cored"},
        {"style": "lidded", "pull": (0, 0, -1)},
        {"style": "pieces"},
        {"style": "pieces", "pull": (0, 0, 1)},
    ],
)
def test_ring_is_refused_by_its_nested_trim_lines(
    ring: ms.Workpiece, settings: dict[str, Any]
) -> None:
    with pytest.raises(CannotBuild, match=r"one inside the other, 1\d\d and \d\d mm across.*"
                                          r"Fill the hole in the middle in heal"):  # fmt: skip
        ms.block(ring, **settings)


def test_ends_of_tubes_and_collars_are_not_nested() -> None:
    short = sleeves.tube(lambda _, z: 50 - z, 20.0)  # narrower by as much as it is high
    for mesh in (sleeves.barrel(8.0), short):
        faces = np.asarray(mesh.faces)
        refuse_nested(np.asarray(mesh.vertices), border_loops(faces))
