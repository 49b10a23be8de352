"""Pictures of a piece: shaded bodies on paper, for notebooks and sheets."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

import numpy as np
import trimesh
from numpy.typing import ArrayLike, NDArray

from ..errors import BadParameter, MissingPackage
from ..geometry.colours import PAPER, body_colour
from ..workpiece import Frame, Vector, Workpiece
from .explosion import apart
from .raster import Camera, Painted, aimed, render

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["View", "exploded", "picture"]

View = Literal["three-quarter", "front", "back", "left", "right", "top", "bottom"] | Vector

_INK = "#3b3a36"
# Toward the eye, in parts of the wearer's facing, own left and up.
_TOWARD = {
    "three-quarter": (0.80, 0.60, 0.45),
    "front": (1, 0, 0),
    "back": (-1, 0, 0),
    "left": (0, 1, 0),
    "right": (0, -1, 0),
    "top": (0, 0, 1),
    "bottom": (0, 0, -1),
}


def picture(
    what: Workpiece | trimesh.Trimesh,
    body: str | None = None,
    *,
    view: View = "three-quarter",
    colours: ArrayLike | None = None,
    title: str = "",
    size_px: tuple[int, int] = (640, 480),
) -> Figure:
    """Draw a mesh, a body of a piece, or all the newest stage made.

    Parameters
    ----------
    what : a piece, or a mesh in mm (its up is +z, it faces -y)
    body : name of the one body to draw
    view : the side looked at, by the wearer's frame, or a direction toward the eye (x, y, z)
    colours : (3,) for the whole or (m, 3) a face, 0 to 255; each body its own if left out
    title : over the picture
    size_px : width and height

    Raises
    ------
    BadParameter : no such body or view, or colours for another number of faces
    MissingPackage : matplotlib is not installed
    """
    piece = Workpiece("", {"": what}) if isinstance(what, trimesh.Trimesh) else what
    names = [body] if body is not None else _newest(piece)
    painted = [_painted(piece.body(name), name, colours) for name in names]
    return _figure(painted, _direction(view, piece.frame), piece.frame, title, size_px)


def exploded(
    piece: Workpiece,
    *,
    view: View | None = None,
    title: str = "",
    size_px: tuple[int, int] = (640, 720),
) -> Figure:
    """Draw the mold's bodies drawn apart: along the pull, side pieces outward.

    Parameters as of `picture`; without a view the mold is seen from its side and
    a little from above. Parts that a body was split into move away from each other.

    Raises
    ------
    BadParameter : the piece has no mold bodies yet
    MissingPackage : matplotlib is not installed
    """
    steps = apart(piece)
    if not steps:
        piece.body("cavity")  # raises, and says what makes it
    pull = np.array(piece.frame.pull or (0.0, 0.0, 1.0))
    painted = [
        _painted(_shifted(piece.body(name), step), name, None) for name, step in steps.items()
    ]
    aside = _beside(pull)
    toward = aside + 0.45 * np.cross(pull, aside) + 0.42 * pull
    if view is not None:
        toward = _direction(view, piece.frame)
    upright = Frame(up=(float(pull[0]), float(pull[1]), float(pull[2])))
    return _figure(painted, toward, upright, title, size_px)


def _newest(piece: Workpiece) -> list[str]:
    """The bodies that the newest stage to make any made; all, if no stage did."""
    for record in reversed(piece.records):
        names = [name for name in piece.bodies if name in record["outputs"]]
        if names:
            return names
    if not piece.bodies:
        raise BadParameter("the piece has no bodies to draw", "Run load_scan first")
    return list(piece.bodies)


def _painted(mesh: trimesh.Trimesh, name: str, colours: ArrayLike | None) -> Painted:
    if len(mesh.faces) == 0:
        raise BadParameter(f"body '{name}' has no faces to draw", "Draw another body")
    given = np.asarray(body_colour(name) if colours is None else colours)
    if given.shape not in ((3,), (len(mesh.faces), 3)):
        raise BadParameter(
            f"colours of shape {given.shape} for {len(mesh.faces)} faces",
            "Give one colour (3,) or one for each face (m, 3), 0 to 255",
        )
    return Painted(mesh, np.broadcast_to(given, (len(mesh.faces), 3)).astype(np.uint8))


def _direction(view: View, frame: Frame) -> NDArray[np.float64]:
    """From the piece toward the eye."""
    if not isinstance(view, str):
        direction = np.asarray(view, dtype=float)
        if direction.shape != (3,) or not np.linalg.norm(direction) > 0:
            raise BadParameter(f"view = {view} is no direction", "Give (x, y, z) with length")
        return direction
    if view not in _TOWARD:
        raise BadParameter(f"view = '{view}'", f"Choose one of {', '.join(_TOWARD)}")
    up, facing = np.asarray(frame.up), np.asarray(frame.facing)
    axes = np.stack([facing, np.cross(up, facing), up])
    toward: NDArray[np.float64] = np.array(_TOWARD[view], dtype=float) @ axes
    return toward


def _shifted(mesh: trimesh.Trimesh, step: NDArray[np.float64]) -> trimesh.Trimesh:
    return trimesh.Trimesh(mesh.vertices + step, mesh.faces, process=False)


def _beside(pull: NDArray[np.float64]) -> NDArray[np.float64]:
    """A unit vector across the pull, -y where it can be."""
    across = np.array([0.0, -1.0, 0.0]) if abs(pull[1]) < 0.9 else np.array([1.0, 0.0, 0.0])
    across = across - (across @ pull) * pull
    unit: NDArray[np.float64] = across / np.linalg.norm(across)
    return unit


def _figure(
    painted: Sequence[Painted],
    toward: NDArray[np.float64],
    frame: Frame,
    title: str,
    size_px: tuple[int, int],
) -> Figure:
    """The rendered bodies with a scale bar and a title, as a figure of its own."""
    try:
        from matplotlib.figure import Figure as Canvas
    except ImportError as error:
        raise MissingPackage(
            "pictures need matplotlib, which is not installed", "pip install 'moldsmith[view]'"
        ) from error
    width, height = size_px
    camera = aimed([item.mesh for item in painted], toward, np.asarray(frame.up), width, height)
    paper = tuple(value / 255 for value in PAPER)
    figure = Canvas(figsize=(width / 100, (height + 56) / 100), dpi=100, facecolor=paper)
    axes = figure.add_axes((0, 28 / (height + 56), 1, height / (height + 56)))
    axes.imshow(render(painted, camera), interpolation="none", aspect="auto")
    axes.set_axis_off()
    _scale_bar(figure, camera)
    if title:
        figure.text(14 / width, 1 - 14 / (height + 56), title, color=_INK, fontsize=10, va="center")
    return figure


def _scale_bar(figure: Figure, camera: Camera) -> None:
    """A bar of a round length, about a fifth of the width, in the lower left."""
    from matplotlib.lines import Line2D

    wanted = camera.width * camera.mm_per_pixel / 5
    decade = 10 ** np.floor(np.log10(wanted))
    length = float(max(step for step in (decade, 2 * decade, 5 * decade) if step <= wanted))
    start, level = 14 / camera.width, 14 / (camera.height + 56)
    end = start + length / camera.mm_per_pixel / camera.width
    figure.add_artist(Line2D([start, end], [level, level], color=_INK, linewidth=1.2))
    figure.text(
        end + 8 / camera.width, level, f"{length:g} mm", color=_INK, fontsize=8, va="center"
    )
