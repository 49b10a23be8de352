"""Pictures show what is there: checked on pixels."""

from __future__ import annotations

import builtins
import io
from typing import Any

import numpy as np
import pytest
import trimesh

import moldsmith as ms
from moldsmith.geometry.colours import PAPER, body_colour
from moldsmith.sheet.pictures import exploded, picture
from moldsmith.sheet.raster import Painted, aimed, render
from moldsmith.stage import stage


def drawn(mesh: trimesh.Trimesh, toward: tuple[float, ...], paint: Any = (200, 100, 50)) -> Any:
    camera = aimed([mesh], np.array(toward, dtype=float), np.array([0, 0, 1.0]), 200, 150)
    colours = np.broadcast_to(np.asarray(paint, dtype=np.uint8), (len(mesh.faces), 3))
    return render([Painted(mesh, colours)], camera), camera


def covered(pixels: np.ndarray) -> np.ndarray:
    return (pixels != np.array(PAPER)).any(axis=2)


def test_a_spheres_disc_has_its_true_area() -> None:
    ball = trimesh.creation.icosphere(subdivisions=4, radius=30)
    pixels, camera = drawn(ball, (1, 2, 3))
    area = covered(pixels).sum() * camera.mm_per_pixel**2
    assert area == pytest.approx(np.pi * 30**2, rel=0.03)


def test_large_triangles_leave_no_gap_between_them() -> None:
    pixels, camera = drawn(trimesh.creation.box((40, 10, 20)), (0, -1, 0))
    seen = covered(pixels)
    rows, columns = np.flatnonzero(seen.any(axis=1)), np.flatnonzero(seen.any(axis=0))
    assert seen[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1].all()
    assert len(columns) * camera.mm_per_pixel == pytest.approx(40, abs=2 * camera.mm_per_pixel)
    assert len(rows) * camera.mm_per_pixel == pytest.approx(20, abs=2 * camera.mm_per_pixel)


def test_the_nearer_of_two_faces_is_seen_whatever_their_order() -> None:
    near, far = trimesh.creation.box((20, 2, 20)), trimesh.creation.box((20, 2, 20))
    near.apply_translation((0, -10, 0))
    far.apply_translation((0, 10, 0))
    for pair, paint in (((near, far), (250, 20)), ((far, near), (20, 250))):
        both = trimesh.util.concatenate(pair)
        red = np.repeat(paint, 12)
        pixels, _ = drawn(both, (0, -1, 0), np.stack([red, 0 * red, 0 * red], axis=1))
        assert pixels[75, 100, 0] > 150


def test_front_view_has_the_wearers_left_on_the_right_and_up_at_the_top() -> None:
    mark = trimesh.creation.box((4, 4, 4))
    mark.apply_translation((30, 0, 18))
    marked = trimesh.util.concatenate([trimesh.creation.box((40, 5, 40)), mark])
    figure = picture(marked, view="front", size_px=(200, 200))
    pixels = rendered(figure)
    right = np.abs(pixels[:, 150:] - np.array(PAPER)).sum(axis=2) > 60
    rows = np.flatnonzero(right[:, 25:].any(axis=1))
    assert len(rows)
    assert rows.mean() < pixels.shape[0] / 2


@pytest.mark.parametrize(
    ("view", "side"),
    [("left", (1, 0, 0)), ("right", (-1, 0, 0)), ("front", (0, -1, 0)), ("back", (0, 1, 0)),
     ("top", (0, 0, 1)), ("bottom", (0, 0, -1))],
)  # fmt: skip
def test_each_view_looks_at_the_side_it_is_named_for(view: Any, side: tuple[int, ...]) -> None:
    box = trimesh.creation.box((20, 20, 20))
    marked = box.face_normals @ np.array(side) > 0.5
    paint = np.where(marked[:, None], (250, 20, 20), (20, 20, 250))
    pixels = rendered(picture(box, view=view, colours=paint, size_px=(100, 100)))
    assert pixels[78, 50, 0] > 3 * pixels[78, 50, 2]


def test_a_frame_with_another_up_turns_the_picture() -> None:
    tall = trimesh.creation.box((10, 40, 10))
    frame = ms.Frame(up=(0.0, 1.0, 0.0), facing=(0.0, 0.0, 1.0))
    piece = ms.Workpiece("belly", {"scan": tall}, frame=frame)
    pixels = rendered(picture(piece, view="front", size_px=(200, 200)))[40:220]
    seen = np.abs(pixels - np.array(PAPER)).sum(axis=2) > 60
    assert np.ptp(np.flatnonzero(seen.any(axis=1))) > 3 * np.ptp(np.flatnonzero(seen.any(axis=0)))


def test_a_picture_of_a_piece_shows_what_the_newest_stage_made() -> None:
    @stage
    def shell(piece: ms.Workpiece) -> ms.Workpiece:
        return piece.with_bodies(pad=trimesh.creation.box((10, 10, 10)))

    piece = ms.Workpiece("belly", {"scan": trimesh.creation.icosphere(radius=80)}).pipe(shell)
    pixels = rendered(picture(piece, size_px=(200, 200)))
    centre = pixels[128, 100]
    pad = np.array(body_colour("pad"))
    assert np.abs(centre / centre.max() - pad / pad.max()).max() < 0.05


def test_exploded_bodies_stand_clear_of_each_other_in_their_order() -> None:
    box = trimesh.creation.box((40, 40, 10))
    piece = ms.Workpiece("belly", {"core": box, "pad": box, "cavity": box})
    pixels = rendered(exploded(piece, view=(0, -1, 0), size_px=(200, 300)))
    column = pixels[:, 100]
    rows = {
        name: np.flatnonzero(
            np.abs(column / column.max(axis=1, keepdims=True) - np.array(paint) / max(paint)).max(
                axis=1
            )
            < 0.03
        )
        for name, paint in ((name, body_colour(name)) for name in ("core", "pad", "cavity"))
    }
    assert all(len(found) > 8 for found in rows.values())
    assert rows["core"].max() < rows["pad"].min()
    assert rows["pad"].max() < rows["cavity"].min()


def test_pictures_leave_no_figure_open_in_pyplot() -> None:
    import matplotlib.pyplot as plt

    picture(trimesh.creation.box((1, 1, 1)), title="a box")
    assert plt.get_fignums() == []


def test_what_cannot_be_drawn_is_refused_with_the_choices() -> None:
    box = trimesh.creation.box((1, 1, 1))
    with pytest.raises(ms.BadParameter, match=r"view = 'above'.*three-quarter, front"):
        picture(box, view="above")  # type: ignore[arg-type]
    with pytest.raises(ms.BadParameter, match=r"is no direction"):
        picture(box, view=(0, 0, 0))
    with pytest.raises(ms.BadParameter, match=r"colours of shape \(2, 3\) for 12 faces"):
        picture(box, colours=np.zeros((2, 3)))
    with pytest.raises(ms.BadParameter, match=r"no body 'pad'.*Run shell first"):
        picture(ms.Workpiece("belly", {"scan": box}), "pad")
    with pytest.raises(ms.BadParameter, match=r"no bodies to draw.*load_scan"):
        picture(ms.Workpiece("belly"))
    with pytest.raises(ms.BadParameter, match=r"no body 'cavity'.*Run block first"):
        exploded(ms.Workpiece("belly", {"scan": box}))


def test_without_matplotlib_the_remedy_names_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def refusing(name: str, *args: Any, **kwargs: Any) -> Any:
        if name.startswith("matplotlib"):
            raise ImportError(name)
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", refusing)
    with pytest.raises(ms.MissingPackage, match=r"pip install 'moldsmith\[view\]'"):
        picture(trimesh.creation.box((1, 1, 1)))


def rendered(figure: Any) -> np.ndarray:
    """The figure's pixels (height, width, 3) as it would be saved."""
    from PIL import Image

    buffer = io.BytesIO()
    figure.savefig(buffer, format="png")
    return np.asarray(Image.open(buffer).convert("RGB")).astype(float)
