"""What the pictures of one sheet share: lightened bodies, and how they stand apart."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import trimesh
from numpy.typing import NDArray
from trimesh.exchange.stl import HeaderError, load_stl_binary

from ..geometry.colours import body_colour
from ..printing.flagging import face_angles_deg
from ..printing.parts import listed_parts
from ..printing.pose import laid
from ..workpiece import Workpiece
from .blocks import Picture
from .colour_maps import ColourMap, colour_maps
from .drawing import Circle, Drawing, Label, Raster, Shape, line
from .explosion import apart, family_of, mold_parts
from .logs import figures, ran
from .shots import Shot, shot, shrunk
from .spacing import spaced
from .view_model import shown_bodies
from .wording import listed

__all__ = [
    "Scene",
    "cover_picture",
    "exploded_drawing",
    "part_pictures",
    "piece_pictures",
    "scene_of",
    "stage_pictures",
]

Floats = NDArray[np.float64]
_SMALL_PX = (400, 330)
_STAGE_PX = (320, 264)
_LARGE_PX = (760, 845)
_COVER_PX = (400, 400)
_WIDE_MM, _LESS_WIDE_MM, _FEW = 102.0, 80.0, 7
# What `fasten` lists in its figures, as the picture of its work tells it.
_FITTED = {
    "bolts": "bolt holes",
    "jack_screws": "jack-screws",
    "pry_slots": "slots to pry",
    "finger_reliefs": "finger reliefs",
    "straps": "strap grooves",
}
_FLAG = np.array([179, 54, 27], dtype=np.uint8)
_STAGE_TITLES = {
    "load_scan": "The scan as loaded",
    "heal": "Healed",
    "stand": "Stood up",
    "fit": "Fitted to the wearer",
    "symmetrise": "Made symmetric",
    "crop": "Cropped along the trim line",
    "smooth": "Smoothed",
    "relief": "With relief",
    "mirror": "Mirrored",
    "shell": "The pad",
    "block": "The mold",
    "channels": "Sprue and vents drilled",
    "fasten": "Flange fitted out",
    "split": "Split into parts",
}


@dataclass(frozen=True)
class Scene:
    """A piece, its bodies as shown, and the steps that draw them apart."""

    piece: Workpiece
    meshes: Mapping[str, trimesh.Trimesh]
    steps: Mapping[str, Floats]

    @property
    def pull(self) -> Floats:
        return np.array(self.piece.frame.pull or self.piece.frame.up)

    @property
    def aside(self) -> Floats:
        """From the mold toward the eye: its front side, a little from the left and above."""
        across = np.array([0.0, -1.0, 0.0]) if abs(self.pull[1]) < 0.9 else np.array([1.0, 0, 0])
        across = across - (across @ self.pull) * self.pull
        across /= np.linalg.norm(across)
        return across + 0.45 * np.cross(self.pull, across) + 0.5 * self.pull

    @property
    def apart_names(self) -> list[str]:
        """What is drawn apart: the mold's parts and the pad."""
        return [name for name in (*mold_parts(self.piece), "pad") if name in self.meshes]

    @cached_property
    def maps(self) -> tuple[ColourMap, ...]:
        """The colour maps: the view shows them all, and the sheet the layers' steps."""
        return colour_maps(self.piece, self.meshes)

    @cached_property
    def exploded(self) -> Shot:
        """The mold drawn apart, large: the sheet shows it in more than one place."""
        meshes = {name: self.meshes[name] for name in self.apart_names}
        return shot(meshes, self.aside, self.pull, _LARGE_PX, steps=self.steps)


def scene_of(piece: Workpiece) -> Scene:
    return Scene(piece, shown_bodies(piece), apart(piece))


def piece_pictures(scene: Scene) -> tuple[Picture, ...]:
    """The cast piece from its two sides, and the mold closed."""
    found = []
    if "pad" in scene.meshes:
        pad = {"pad": scene.meshes["pad"]}
        aside, pull = scene.aside, scene.pull
        told = figures(scene.piece, "block").get("style")
        faces = ("from below", "from above")
        if told in ("cored", "lidded"):
            faces = ("the face made in the cavity", "its back")
        for toward, caption in (
            (aside - 2.6 * (aside @ pull) * pull, f"The cast piece, {faces[0]}"),
            (aside, f"The cast piece, {faces[1]}"),
        ):
            taken = shot(pad, toward, pull, _SMALL_PX)
            found.append(Picture(taken.png, *_SMALL_PX, caption))
    if parts := [name for name in mold_parts(scene.piece) if name in scene.meshes]:
        taken = shot(
            {name: scene.meshes[name] for name in parts}, scene.aside, scene.pull, _SMALL_PX
        )
        found.append(Picture(taken.png, *_SMALL_PX, "The mold, closed"))
    return tuple(found)


def cover_picture(scene: Scene) -> Picture:
    """The piece in one picture: the mold apart, or what bodies there are."""
    if mold_parts(scene.piece):
        return Picture(shrunk(scene.exploded, _COVER_PX), *_COVER_PX, scene.piece.name)
    taken = shot(scene.meshes, scene.aside, scene.pull, _COVER_PX, steps=scene.steps)
    return Picture(taken.png, *_COVER_PX, scene.piece.name)


def exploded_drawing(scene: Scene, labels: Mapping[str, str]) -> Drawing | None:
    """The mold drawn apart, each part named beside it with a line to it.

    labels : body -> what stands beside it
    """
    if not mold_parts(scene.piece):
        return None
    names, taken = scene.apart_names, scene.exploded
    # Where many steps stand under it, smaller, so that they find room on its page.
    width = _WIDE_MM if len(names) <= _FEW else _LESS_WIDE_MM
    height = width * _LARGE_PX[1] / _LARGE_PX[0]
    left = (186.0 - width) / 2
    shapes: list[Shape] = [Raster(left, 0, width, height, taken.png)]
    shapes += _named(scene, taken, names, labels, left, width, height)
    return Drawing(186.0, height, tuple(shapes))


def _named(
    scene: Scene,
    taken: Shot,
    names: list[str],
    labels: Mapping[str, str],
    left: float,
    width: float,
    height: float,
) -> list[Shape]:
    middles = np.array(
        [scene.meshes[n].bounds.mean(axis=0) + scene.steps.get(n, np.zeros(3)) for n in names]
    )
    seen = taken.at(middles) * [width, height] + [left, 0]
    order = np.argsort(seen[:, 0], kind="stable")
    half = (len(names) + 1) // 2
    shapes: list[Shape] = []
    for column, rows in (("end", order[:half]), ("start", order[half:])):
        ranked = rows[np.argsort(seen[rows, 1], kind="stable")]
        levels = spaced(seen[ranked, 1], 11.0, 6.0, height - 6.0)
        edge = left - 3 if column == "end" else left + width + 3
        for row, level in zip(ranked.tolist(), levels.tolist(), strict=True):
            x, y = seen[row].tolist()
            shapes += [
                line([(x, y), (edge, level)], "paper", 1.1),
                line([(x, y), (edge, level)], "ink", 0.3),
                Circle(x, y, 1.1, "paper", 0.5, "ink"),
                Label(
                    edge + (-1 if column == "end" else 1),
                    level,
                    labels.get(names[row], names[row]),
                    4.2,
                    "end" if column == "end" else "start",
                    bold=True,
                ),
            ]
    return shapes


def part_pictures(scene: Scene, overhang_deg: float) -> tuple[Picture, ...]:
    """Each part in its print pose; what hangs over air by more than the limit in the accent."""
    if not ran(scene.piece, "split"):
        return ()
    found = []
    for row in listed_parts(scene.piece):
        name = str(row["body"])
        if name not in scene.meshes:
            continue
        mesh = scene.meshes[name]
        turned = laid(mesh, row["pose"])
        angle, _ = face_angles_deg(turned)
        top = turned.vertices[:, 2][turned.faces].max(axis=1)
        flagged = (angle > overhang_deg + 0.5) & (top > turned.bounds[0, 2] + 0.5)
        colours = np.empty((len(mesh.faces), 3), dtype=np.uint8)
        colours[:] = body_colour(name)
        colours[flagged] = _FLAG
        taken = shot(
            {name: turned}, (0.55, -0.8, 0.62), (0, 0, 1), _SMALL_PX, colours={name: colours}
        )
        found.append(Picture(taken.png, *_SMALL_PX, f"{name}, as it stands on the bed"))
    return tuple(found)


def stage_pictures(scene: Scene) -> tuple[Picture, ...]:
    """One picture for each stage that made a body, in working order."""
    found = []
    for number, record in enumerate(scene.piece.records, 1):
        meshes = _made(scene, number, record)
        if not meshes:
            continue
        stage = str(record["stage"])
        caption = f"{_title(stage, record['figures'])} ({stage})"
        if set(meshes) == set(mold_parts(scene.piece)) == set(_now(scene, meshes)):
            picture = shrunk(scene.exploded, _STAGE_PX)
            found.append(Picture(picture, *_STAGE_PX, caption))
            continue
        frame = record["frame"]
        steps: Mapping[str, Floats] = {}
        if frame["pull"] is None:
            facing, up = np.asarray(frame["facing"]), np.asarray(frame["up"])
            toward = 0.8 * facing + 0.6 * np.cross(up, facing) + 0.45 * up
        else:
            toward, up = scene.aside, scene.pull
            steps = _apart_as_now(scene, meshes)
            if not steps and len(meshes) > 1:
                steps = _lifted(meshes, scene.pull)
        taken = shot(meshes, toward, up, _STAGE_PX, steps=steps)
        found.append(Picture(taken.png, *_STAGE_PX, caption))
    return tuple(found)


def _title(stage: str, told: Mapping[str, object]) -> str:
    if stage == "fasten" and (fitted := [said for key, said in _FITTED.items() if told.get(key)]):
        return listed(fitted).capitalize()
    return _STAGE_TITLES.get(stage, stage.replace("_", " ").capitalize())


def _apart_as_now(scene: Scene, meshes: Mapping[str, trimesh.Trimesh]) -> dict[str, Floats]:
    """Steps of bodies that were split since: as far as their parts are on the mean.

    None at all where a body is not known, or stands alone.
    """
    families: dict[str, list[Floats]] = {}
    for name, step in scene.steps.items():
        families.setdefault(family_of(scene.piece, name), []).append(step)
    known = {name: np.mean(families[name], axis=0) for name in meshes if name in families}
    known |= {name: scene.steps[name] for name in meshes if name in scene.steps}
    return known if len(known) == len(meshes) > 1 else {}


def _now(scene: Scene, meshes: Mapping[str, trimesh.Trimesh]) -> list[str]:
    """Of the bodies those that the piece still has as they are."""
    return [name for name, mesh in meshes.items() if scene.meshes.get(name) is mesh]


def _made(scene: Scene, number: int, record: Mapping[str, object]) -> dict[str, trimesh.Trimesh]:
    """The bodies that a stage made, read from its folder or from the piece as it is now."""
    piece = scene.piece
    outputs = record["outputs"]
    assert isinstance(outputs, dict)
    names = list(outputs)
    if len(names) > 1:  # bodies that were only moved along are not what the stage made
        names = [name for name in names if name not in ("scan", "pad")] or names
    meshes = {}
    for name in names:
        if piece.digests.get(name) == outputs[name]["sha256"] and name in scene.meshes:
            meshes[name] = scene.meshes[name]
        elif piece.folder is not None:
            path = piece.folder / f"{number:02d}-{record['stage']}" / str(outputs[name]["file"])
            try:
                with path.open("rb") as file:
                    loose = load_stl_binary(file)  # corners need not be welded to be looked at
                meshes[name] = trimesh.Trimesh(loose["vertices"], loose["faces"], process=False)
            except (OSError, ValueError, HeaderError):
                continue
    return meshes


def _lifted(meshes: Mapping[str, trimesh.Trimesh], pull: Floats) -> dict[str, Floats]:
    """Bodies one over the other along the pull, in the order given."""
    level: float | None = None
    steps = {}
    for name, mesh in meshes.items():
        heights = mesh.vertices @ pull
        low, high = float(heights.min()), float(heights.max())
        rise = 0.0 if level is None else level + 0.1 * (high - low) + 10 - low
        steps[name] = rise * pull
        level = high + rise
    return steps
