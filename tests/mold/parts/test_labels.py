"""Part numbers: where they stand, that they can be read, and that they touch nothing fine."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely
from shapely import affinity

import moldsmith as ms
from checks import distance_to, mesh_of, union
from checks import solid as solid_of
from moldsmith.geometry import solid
from moldsmith.geometry.lettering import lettering, up_arrow
from moldsmith.mold.parts.labels import OuterFaces, place_label

SMALL = ms.Printer(volume_mm=(110, 110, 120))


@pytest.fixture(scope="module")
def plain(channelled: ms.Workpiece) -> ms.Workpiece:
    return ms.split(channelled, printer=SMALL, labels="none")


@pytest.fixture(scope="module")
def written(channelled: ms.Workpiece) -> ms.Workpiece:
    return ms.split(channelled, printer=SMALL)


def rows(piece: ms.Workpiece) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = piece.record("split")["figures"]["parts"]
    return found


def letters(plain: ms.Workpiece, written: ms.Workpiece, name: str) -> Any:
    """What the label took away; films where both bodies have the same face are none of it."""
    taken = solid_of(plain.body(name)) - solid_of(written.body(name))
    return union(*(lump for lump in taken.decompose() if lump.volume() > 0.5))


def test_every_part_bears_its_own_name(written: ms.Workpiece) -> None:
    assert len(rows(written)) > 2
    for row in rows(written):
        assert row["label"]["text"].split()[0] == row["body"]
        assert row["label"]["height_mm"] >= 5
    assert not any(finding.code == "no-room-for-label" for finding in written.findings)


def test_letters_lie_in_the_outermost_millimetre_of_the_mold(
    plain: ms.Workpiece, written: ms.Workpiece
) -> None:
    bounds = np.array([plain.body(row["body"]).bounds for row in rows(plain)])
    low, high = bounds[:, 0].min(axis=0), bounds[:, 1].max(axis=0)
    for row in rows(written):
        cut = mesh_of(letters(plain, written, row["body"]).simplify(0.001))
        normal = np.array(row["label"]["normal"])
        outside = (high if normal.sum() > 0 else low) @ np.abs(normal) * normal.sum()
        depth = outside - cut.vertices @ normal
        assert depth.min() > -0.01
        assert 0.55 < depth.max() < 0.65
        assert cut.volume == pytest.approx(-row["label"]["volume_mm3"], rel=0.02)


def test_letters_keep_off_the_cavity_face_and_the_joints(
    plain: ms.Workpiece, written: ms.Workpiece
) -> None:
    pad = plain.body("pad")
    joints = [j for j in written.record("split")["figures"]["joints"] if j["axis"]]
    assert joints
    for row in rows(written):
        cut = mesh_of(letters(plain, written, row["body"]).simplify(0.001))
        assert distance_to(pad, np.asarray(cut.vertices))[0].min() > 1.2
        for joint in joints:
            if row["body"] in (joint["low"], joint["high"]):
                along = np.abs(cut.vertices[:, "xyz".index(joint["axis"])] - joint["at_mm"])
                assert along.min() > 1.0


def test_letters_read_the_right_way_round_with_the_arrow_up(
    plain: ms.Workpiece, written: ms.Workpiece
) -> None:
    """The cut, seen from outside with the assembly's top up, is the font's own text."""
    for row in rows(written):
        if row["label"]["arrow"] != "up":
            continue
        normal = np.array(row["label"]["normal"])
        right = np.cross([0.0, 0.0, 1.0], normal)
        turn = np.column_stack([np.array([right, [0.0, 0.0, 1.0], normal]), np.zeros(3)])
        cut = letters(plain, written, row["body"]).transform(turn)
        seen = shapely.union_all(solid.silhouette(cut))
        height = row["label"]["height_mm"]
        text = lettering(row["body"], height)
        arrow = affinity.translate(up_arrow(1.2 * height), text.bounds[2] + 0.4 * height, 0)
        wanted = text.union(arrow)
        wanted = affinity.translate(
            wanted, seen.bounds[0] - wanted.bounds[0], seen.bounds[1] - wanted.bounds[1]
        )
        assert seen.symmetric_difference(wanted).area < 0.02 * wanted.area


def test_embossed_letters_stand_out_and_engraved_ones_do_not(
    channelled: ms.Workpiece, plain: ms.Workpiece, written: ms.Workpiece
) -> None:
    raised, flat = ms.split(channelled, labels="embossed", flange_keys=0), channelled
    for name in ("cavity", "core"):
        grown = raised.body(name).volume - flat.body(name).volume
        assert grown > 20
        assert (
            np.ptp(raised.body(name).bounds, axis=0).sum()
            > np.ptp(flat.body(name).bounds, axis=0).sum()
        )
    for row in rows(written):
        assert written.body(row["body"]).bounds == pytest.approx(
            plain.body(row["body"]).bounds, abs=1e-3
        )


def test_a_flat_lid_is_named_on_its_top() -> None:
    lid = solid.box((0, 0, 50), (150, 100, 55))
    cavity = solid.box((0, 0, 0), (150, 100, 50))
    label = place_label(lid, "lid", OuterFaces([cavity, lid], []))
    assert label is not None
    assert label.text == "lid top"
    assert not label.upright
    upright = place_label(cavity, "cavity", OuterFaces([cavity, lid], []))
    assert upright is not None
    assert upright.text == "cavity"
    assert upright.matrix[2, 1] == 1.0  # its up is the mold's


def test_a_part_with_no_outer_face_is_left_without() -> None:
    whole = solid.box((0, 0, 0), (100, 100, 100))
    inner = solid.box((30, 30, 30), (60, 60, 60))
    assert place_label(inner, "core", OuterFaces([whole, inner], [])) is None
    tiny = solid.box((0, 0, 0), (4, 4, 4))
    assert place_label(tiny, "core-1", OuterFaces([tiny], [])) is None


def test_embossed_letters_make_no_part_too_large_for_the_printer(channelled: ms.Workpiece) -> None:
    width, depth, _ = np.ptp(channelled.body("cavity").bounds, axis=0) + 0.2
    tight = ms.Printer(volume_mm=(float(width), float(depth), 60.0))
    piece = ms.split(channelled, printer=tight, labels="embossed")
    rows = piece.record("split")["figures"]["parts"]
    assert [(row["body"], row["label"]) for row in rows] == [("cavity", None), ("core", None)]
    said = [finding.message for finding in piece.findings if finding.code == "no-room-for-label"]
    assert len(said) == 2
    assert all("does not fit the printer with it" in message for message in said)
