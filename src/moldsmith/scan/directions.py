"""Directions as makers say them: axis names, and views of the wearer."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal, TypeAlias, get_args

import numpy as np
from numpy.typing import NDArray

from ..errors import BadParameter
from ..workpiece import Frame, Vector

__all__ = ["Direction", "View", "axes_of_view", "stated_plane", "unit_vector", "upright_frame"]

Floats = NDArray[np.float64]
Direction: TypeAlias = str | Sequence[float]
View: TypeAlias = Literal["front", "back", "left", "right", "top"]

_AXES = {"x": (1.0, 0.0, 0.0), "y": (0.0, 1.0, 0.0), "z": (0.0, 0.0, 1.0)}


def unit_vector(direction: Direction, parameter: str) -> Floats:
    """The unit vector of an axis name ('x', '+x', '-y') or of three numbers.

    Raises
    ------
    BadParameter : it is neither; names `parameter`
    """
    if isinstance(direction, str):
        if direction.lstrip("+-") not in _AXES or len(direction) > 2:
            raise BadParameter(
                f"{parameter} = {direction!r} is no axis",
                "Give 'x', 'y' or 'z', with + or - before it, or three numbers",
            )
        return np.array(_AXES[direction[-1]]) * (-1.0 if direction[0] == "-" else 1.0) + 0.0
    try:
        vector = np.asarray(direction, dtype=float)
    except (TypeError, ValueError):
        vector = np.empty(0)
    if vector.shape != (3,) or not np.isfinite(vector).all():
        raise BadParameter(f"{parameter} = {direction!r} is no direction", "Give three numbers")
    length = float(np.linalg.norm(vector))
    if length < 1e-9:
        raise BadParameter(f"{parameter} has no length", "Give three numbers that are not all 0")
    return vector / length + 0.0


def stated_plane(plane: Any, parameter: str, remedy: str) -> tuple[Floats, Floats]:
    """Point (3,), mm, and unit normal (3,) of a plane stated as (point, normal).

    Raises
    ------
    BadParameter : it is none, with the remedy; or the normal has no length
    """
    try:
        point, normal = plane
        at = np.asarray(point, dtype=float)
    except (TypeError, ValueError):
        at, normal = np.empty(0), ()
    if at.shape != (3,) or not np.isfinite(at).all():
        raise BadParameter(f"{parameter} = {plane!r} is no plane", remedy)
    return at, unit_vector(normal, f"the normal of {parameter}")


def upright_frame(up: Direction, facing: Direction) -> Frame:
    """The wearer's frame; `facing` is made square to `up`.

    Raises
    ------
    BadParameter : the two are less than 45 degrees from parallel
    """
    upward, forward = unit_vector(up, "up"), unit_vector(facing, "facing")
    share = float(upward @ forward)
    if abs(share) > np.sqrt(0.5):
        raise BadParameter(
            f"up = {up!r} and facing = {facing!r} are all but parallel",
            "Give the wearer's upward and forward directions, which are square to each other",
        )
    forward = forward - share * upward
    return Frame(_triple(upward), _triple(forward / np.linalg.norm(forward)))


def axes_of_view(view: View | Direction, frame: Frame) -> tuple[Floats, Floats, Floats]:
    """Unit vectors (right, upright, along) of a view of the wearer.

    right : to the viewer's right; upright : up on the page; along : the
    direction looked along. From the front the viewer's right is the wearer's
    left. From the top the wearer faces down the page.
    """
    up, facing = np.asarray(frame.up, dtype=float), np.asarray(frame.facing, dtype=float)
    left = np.cross(up, facing)
    named = {"front": -facing, "back": facing, "left": -left, "right": left, "top": -up}
    if isinstance(view, str) and view not in named and view.lstrip("+-") not in _AXES:
        views = ", ".join(get_args(View))
        raise BadParameter(
            f"view = {view!r} is not known", f"Give one of {views}, or the direction looked along"
        )
    along = named[view] if isinstance(view, str) and view in named else unit_vector(view, "view")
    upright = up - (up @ along) * along
    if np.linalg.norm(upright) < 0.05:
        upright = -facing + (facing @ along) * along
    upright /= np.linalg.norm(upright)
    return np.cross(along, upright), upright, along


def _triple(vector: Floats) -> Vector:
    x, y, z = (np.round(vector, 12) + 0.0).tolist()
    return (x, y, z)
