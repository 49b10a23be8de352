"""The bodies as a page carries them: few triangles, whole numbers, base64."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping
from typing import Any

import numpy as np
import trimesh
from numpy.typing import NDArray

from ..geometry.colours import body_colour, diverging, scale
from ..geometry.topology import compact
from ..workpiece import Vector, Workpiece
from .colour_maps import ColourMap
from .explosion import apart, family_of, mold_parts
from .shots import lightened

__all__ = ["shown_bodies", "view_model"]

Floats = NDArray[np.float64]
_MOST_FACES = 40_000  # of a body
_ALL_FACES = 150_000  # of all together, so that a page stays some megabytes
_STEPS = 65_535  # of a coordinate, over the longest side of all
_NONE = 255  # a face without a value


def shown_bodies(piece: Workpiece) -> dict[str, trimesh.Trimesh]:
    """The bodies that the view shows, lightened: mold parts, pad, scan.

    A body gives up triangles only so far as it has more than its share.
    """
    names = [*(name for name in ("scan", "pad") if name in piece.bodies), *mold_parts(piece)]
    names = names or list(piece.bodies)
    sizes = np.array([len(piece.bodies[name].faces) for name in names])
    limit = float(_MOST_FACES)
    while np.minimum(sizes, limit).sum() > _ALL_FACES and limit > 2000:
        limit *= 0.9
    return {name: lightened(piece.bodies[name], int(limit)) for name in names}


def view_model(
    piece: Workpiece, meshes: Mapping[str, trimesh.Trimesh], maps: tuple[ColourMap, ...]
) -> str:
    """JSON of the bodies, how they draw apart, and their colour maps.

    Front and left are the wearer's; of a mold those of its plan, from above.
    """
    low = np.min([mesh.bounds[0] for mesh in meshes.values()], axis=0)
    high = np.max([mesh.bounds[1] for mesh in meshes.values()], axis=0)
    step = float((high - low).max()) / _STEPS or 1.0
    steps = apart(piece)
    bodies = [
        _body(piece, name, mesh, low, step, steps.get(name), maps) for name, mesh in meshes.items()
    ]
    pull = piece.frame.pull
    model: dict[str, Any] = {
        "low": np.round(low, 4).tolist(),
        "step": step,
        "up": list(piece.frame.up if pull is None else pull),
        "facing": list(piece.frame.facing if pull is None else _toward_front(pull)),
        "left": 1 if pull is None else -1,
        "bodies": bodies,
        "maps": [_scale(item) for item in maps],
    }
    return json.dumps(model, separators=(",", ":"), allow_nan=False)


def _toward_front(pull: Vector) -> Vector:
    """From a mold to its front edge, where the plan has it."""
    return (0.0, -1.0, 0.0) if abs(pull[1]) < 0.9 else (1.0, 0.0, 0.0)


def _body(
    piece: Workpiece,
    name: str,
    mesh: trimesh.Trimesh,
    low: Floats,
    step: float,
    away: Floats | None,
    maps: tuple[ColourMap, ...],
) -> dict[str, Any]:
    vertices, faces = compact(np.asarray(mesh.vertices), np.asarray(mesh.faces))
    places = np.rint((vertices - low) / step).astype("<u2")
    wide = len(vertices) > 65_535
    return {
        "name": name,
        "group": family_of(piece, name),
        "colour": list(body_colour(name)),
        "shown": name != "scan" or len(piece.bodies) == 1,
        "apart": [0.0, 0.0, 0.0] if away is None else np.round(away, 3).tolist(),
        "places": _coded(places),
        "wide": wide,
        "corners": _coded(faces.astype("<u4" if wide else "<u2")),
        "maps": {
            item.key: _coded(_levels(item, item.faces[name])) for item in maps if name in item.faces
        },
    }


def _levels(item: ColourMap, values: Floats) -> NDArray[np.uint8]:
    """Values as 0 to 254 of the scale."""
    share = np.clip((values - item.low) / (item.high - item.low), 0, 1)
    known = np.isfinite(share)
    return np.where(known, np.rint(np.where(known, share, 0) * 254), _NONE).astype(np.uint8)


def _scale(item: ColourMap) -> dict[str, Any]:
    colours = (
        diverging(np.linspace(-1, 1, 255), 1) if item.two_sided else scale(np.linspace(0, 1, 255))
    )
    return {
        "key": item.key,
        "title": item.title,
        "unit": item.unit,
        "low": item.low,
        "high": float(f"{item.high:.3g}"),
        "colours": _coded(colours),
    }


def _coded(values: NDArray[Any]) -> str:
    return base64.b64encode(np.ascontiguousarray(values).tobytes()).decode()
