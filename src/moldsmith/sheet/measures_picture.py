"""Where measures were taken, drawn on the body."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import trimesh
from numpy.typing import NDArray

from ..errors import BadParameter, MissingPackage
from ..geometry.colours import PAPER, body_colour
from ..scan.measuring import Measure
from ..workpiece import Workpiece
from .raster import Camera, Painted, aimed, render
from .spacing import spaced

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["measures_picture"]

Floats = NDArray[np.float64]

_INK = "#3b3a36"
_COLOURS = {
    "girth": "#a8321f",
    "height": "#31566b",
    "breadth": "#5d6d1e",
    "depth": "#7a4a86",
    "length": "#b06a00",
}
_LABEL_PX = 270  # what the names take beside the views
_LINE_PX = 17  # from one name to the next


def measures_picture(
    piece: Workpiece,
    measures: Sequence[Measure],
    *,
    body: str = "scan",
    title: str = "",
    size_px: tuple[int, int] = (1040, 760),
) -> Figure:
    """Draw a body from the front and from its left, and on it the lines of the measures.

    Parameters
    ----------
    piece : its `body` is drawn upright by the frame
    measures : each is named beside the front view, at its height
    title : over the picture
    size_px : width and height

    The part of a line on the far side is drawn pale.

    Raises
    ------
    BadParameter : no such body, or it has no faces
    MissingPackage : matplotlib is not installed
    """
    try:
        from matplotlib.figure import Figure as Canvas
    except ImportError as error:
        raise MissingPackage(
            "pictures need matplotlib, which is not installed", "pip install 'moldsmith[view]'"
        ) from error
    mesh = piece.body(body)
    if len(mesh.faces) == 0:
        raise BadParameter(f"body '{body}' has no faces to draw", "Draw another body")
    width, height = size_px
    up, facing = np.asarray(piece.frame.up), np.asarray(piece.frame.facing)
    figure = Canvas(figsize=(width / 100, height / 100), dpi=100)
    figure.set_facecolor(tuple(value / 255 for value in PAPER))
    panel, tall = (width - _LABEL_PX) // 2, height - 40
    directions = (facing, np.cross(up, facing))
    cameras = [aimed([mesh], toward, up, panel, tall) for toward in directions]
    scale = max(camera.mm_per_pixel for camera in cameras)
    for column, camera in enumerate(replace(one, mm_per_pixel=scale) for one in cameras):
        left = column * (panel + _LABEL_PX)
        axes = figure.add_axes((left / width, 0, panel / width, tall / height))
        _drawn(axes, mesh, camera, body)
        _lines(axes, camera, measures)
        if column == 0:
            _labels(axes, camera, measures)
    if title:
        figure.text(14 / width, 1 - 20 / height, title, color=_INK, fontsize=10, va="center")
    return figure


def _drawn(axes: Axes, mesh: trimesh.Trimesh, camera: Camera, body: str) -> None:
    colours = np.broadcast_to(body_colour(body), (len(mesh.faces), 3)).astype(np.uint8)
    axes.imshow(render([Painted(mesh, colours)], camera), interpolation="none", aspect="auto")
    axes.set_xlim(0, camera.width)
    axes.set_ylim(camera.height, 0)
    axes.set_axis_off()


def _lines(axes: Axes, camera: Camera, measures: Sequence[Measure]) -> None:
    """The measures' lines; what is farther than the middle of its own line is pale."""
    from matplotlib.collections import LineCollection

    for measure in measures:
        if len(measure.line) < 2:
            continue
        points = np.array(measure.line)
        flat = _projected(points, camera)
        segments = np.stack([flat[:-1], flat[1:]], axis=1)
        away = points @ camera.axes[2]
        middle = (away.min() + away.max()) / 2
        far = (away[:-1] + away[1:]) / 2 < middle - 1.0
        for which, alpha in ((far, 0.22), (~far, 0.95)):
            axes.add_collection(
                LineCollection(
                    list(segments[which]),
                    colors=_COLOURS[measure.kind],
                    linewidths=1.4,
                    alpha=alpha,
                )
            )


def _labels(axes: Axes, camera: Camera, measures: Sequence[Measure]) -> None:
    """Name and value of each measure right of the view, with a leader to its line."""
    ordered = sorted(measures, key=lambda one: (-one.height_mm, one.name))
    wanted = np.array([_projected(np.array([one.where]), camera)[0, 1] for one in ordered])
    rows = spaced(wanted, _LINE_PX, 10.0, camera.height - 10.0)
    for measure, row in zip(ordered, rows, strict=True):
        drawn = (measure.where,) if measure.kind == "height" else measure.line or (measure.where,)
        line = _projected(np.array(drawn), camera)
        end = line[int(np.argmax(line[:, 0]))]
        colour = _COLOURS[measure.kind]
        start = camera.width + 8
        axes.plot(
            [end[0], start - 14, start - 3],
            [end[1], row, row],
            color=colour,
            linewidth=0.6,
            alpha=0.7,
            clip_on=False,
        )
        text = f"{measure.name}  {measure.value_mm:.0f} mm"
        axes.text(start, row, text, color=colour, fontsize=8, va="center", clip_on=False)


def _projected(points: Floats, camera: Camera) -> Floats:
    """Pixels (k, 2) of points (k, 3), from the upper left."""
    seen = camera.seen(points)
    return np.stack([seen[:, 0] + camera.width / 2, camera.height / 2 - seen[:, 1]], axis=1)
