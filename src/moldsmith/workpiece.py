"""The one object that every stage takes and gives back."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any, Concatenate, Literal, ParamSpec

import numpy as np
import trimesh
from numpy.typing import NDArray

from .errors import BadParameter
from .geometry import stl

__all__ = ["Draft", "Finding", "Frame", "Severity", "Vector", "Workpiece", "settled"]

P = ParamSpec("P")
Vector = tuple[float, float, float]
Severity = Literal["note", "warning", "stop"]


@dataclass(frozen=True, slots=True)
class Finding:
    """What a stage noticed about the work, and what to do about it.

    `where` is a point in mm in the coordinates of the stage's bodies.
    """

    code: str
    severity: Severity
    message: str
    body: str = ""
    where: Vector | None = None


@dataclass(frozen=True, slots=True)
class Frame:
    """Directions of the piece, unit vectors in the coordinates of its bodies.

    up, facing : of the wearer; pull : the way the casting leaves the cavity,
    None until `block` chose it; moved : the 4 x 4 matrix (mm) that took the
    scan as loaded to where the bodies are now.
    """

    up: Vector = (0.0, 0.0, 1.0)
    facing: Vector = (0.0, -1.0, 0.0)
    pull: Vector | None = None
    moved: tuple[tuple[float, ...], ...] = tuple(tuple(row) for row in np.eye(4).tolist())

    def turned(self, matrix: NDArray[np.float64]) -> Frame:
        """The frame after its bodies were moved by the rigid 4 x 4 `matrix`."""

        def turn(vector: Vector) -> Vector:
            x, y, z = (np.round(matrix[:3, :3] @ np.asarray(vector), 12) + 0.0).tolist()
            return (x, y, z)

        moved = matrix @ np.asarray(self.moved)
        return Frame(
            turn(self.up),
            turn(self.facing),
            None if self.pull is None else turn(self.pull),
            tuple(tuple(row) for row in moved.tolist()),
        )


@dataclass(frozen=True, slots=True)
class Draft:
    """What the running stage has to say; the stage log takes it over."""

    figures: Mapping[str, Any] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
    attachments: Mapping[str, bytes] = field(default_factory=dict)


def settled(mesh: trimesh.Trimesh) -> trimesh.Trimesh:
    """The mesh exactly as its STL will be read back, its arrays read-only.

    Stages hand on this, so that a run that reads finished stages back goes on
    from the very same numbers as one that made them.
    """
    vertices, faces = stl.decode(stl.encode(mesh.vertices, mesh.faces))
    return frozen_mesh(vertices, faces)


def frozen_mesh(vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> trimesh.Trimesh:
    """A mesh whose vertices and faces cannot be written to."""
    mesh = trimesh.Trimesh(vertices, faces, process=False, validate=False)
    mesh.vertices.setflags(write=False)
    mesh.faces.setflags(write=False)
    return mesh


def digest(mesh: trimesh.Trimesh) -> str:
    """sha256 of the mesh's STL."""
    return hashlib.sha256(stl.encode(mesh.vertices, mesh.faces)).hexdigest()


@dataclass(frozen=True)
class Workpiece:
    """A piece on its way from scan to mold: named bodies and what was done to them.

    Parameters
    ----------
    name : of the piece; also the name of its folder in a job
    bodies : trade name -> mesh in mm ('scan', 'pad', 'cavity', 'core', 'lid', 'cavity-1', ...)
    frame : directions of wearer and mold
    records : the logs of the finished stages, oldest first, as JSON has them
    folder : where stages write; None keeps everything in memory
    digests : sha256 of each body's STL, kept by the stages

    Frozen: a stage gives back a new one.
    """

    name: str
    bodies: Mapping[str, trimesh.Trimesh] = field(default_factory=dict)
    frame: Frame = field(default_factory=Frame)
    records: tuple[Mapping[str, Any], ...] = ()
    folder: Path | None = None
    digests: Mapping[str, str] = field(default_factory=dict)
    draft: Draft = field(default_factory=Draft)

    def __post_init__(self) -> None:
        object.__setattr__(self, "bodies", MappingProxyType(dict(self.bodies)))
        object.__setattr__(self, "digests", MappingProxyType(dict(self.digests)))

    def __reduce__(self) -> tuple[Any, ...]:
        return _revive, (
            self.name,
            {name: (np.array(m.vertices), np.array(m.faces)) for name, m in self.bodies.items()},
            self.frame,
            self.records,
            self.folder,
            dict(self.digests),
            self.draft,
        )

    def pipe(
        self,
        stage: Callable[Concatenate[Workpiece, P], Workpiece],
        /,
        *args: P.args,
        **kwargs: P.kwargs,
    ) -> Workpiece:
        """`stage(self, ...)`, so that stages read in the order they happen."""
        return stage(self, *args, **kwargs)

    def body(self, name: str) -> trimesh.Trimesh:
        """The body of that name; `BadParameter` says which there are and what makes it."""
        if name not in self.bodies:
            have = ", ".join(self.bodies) or "none"
            maker = {"scan": "load_scan", "pad": "shell", "cavity": "block"}.get(name, "")
            remedy = f"Run {maker} first" if maker else "Name one of these"
            raise BadParameter(f"the piece has no body '{name}' (it has: {have})", remedy)
        return self.bodies[name]

    def with_bodies(self, **bodies: trimesh.Trimesh) -> Workpiece:
        """A piece with these bodies added or put in place of those of the same name."""
        return self.with_named(bodies)

    def with_named(self, bodies: Mapping[str, trimesh.Trimesh]) -> Workpiece:
        """`with_bodies` for names that are no Python words, as 'cavity-1'."""
        kept = {name: value for name, value in self.digests.items() if name not in bodies}
        return replace(self, bodies={**self.bodies, **bodies}, digests=kept)

    def without(self, *names: str) -> Workpiece:
        """A piece without these bodies."""
        return replace(
            self,
            bodies={name: mesh for name, mesh in self.bodies.items() if name not in names},
            digests={name: value for name, value in self.digests.items() if name not in names},
        )

    def moved(self, matrix: NDArray[np.float64]) -> Workpiece:
        """The piece with all bodies and its frame moved by the rigid 4 x 4 `matrix`."""
        bodies = {}
        for name, mesh in self.bodies.items():
            vertices = mesh.vertices @ matrix[:3, :3].T + matrix[:3, 3]
            bodies[name] = trimesh.Trimesh(vertices, mesh.faces, process=False)
        return replace(self, bodies=bodies, digests={}, frame=self.frame.turned(matrix))

    def note(
        self,
        figures: Mapping[str, Any] | None = None,
        findings: tuple[Finding, ...] | list[Finding] = (),
        attachments: Mapping[str, bytes] | None = None,
    ) -> Workpiece:
        """A piece that also carries these figures, findings and extra files of the stage.

        attachments : file name -> bytes, written beside the stage's STL files
        """
        return replace(
            self,
            draft=Draft(
                {**self.draft.figures, **(figures or {})},
                (*self.draft.findings, *findings),
                {**self.draft.attachments, **(attachments or {})},
            ),
        )

    def record(self, stage: str) -> Mapping[str, Any]:
        """The newest log of the stage of that name; `BadParameter` if it has not run."""
        found = self.newest(stage)
        if found is None:
            raise BadParameter(f"stage {stage} has not run on this piece", f"Run {stage} first")
        return found

    def newest(self, stage: str) -> Mapping[str, Any] | None:
        """The newest log of the stage of that name; None if it has not run."""
        return next((log for log in reversed(self.records) if log["stage"] == stage), None)

    def figures_of(self, stage: str) -> Mapping[str, Any]:
        """The figures of the stage's newest log; empty if it has not run."""
        found = self.newest(stage)
        figures: Mapping[str, Any] = {} if found is None else found["figures"]
        return figures

    @property
    def findings(self) -> tuple[Finding, ...]:
        """All findings of all stages, oldest first."""
        return tuple(
            Finding(
                item["code"],
                item["severity"],
                item["message"],
                item["body"],
                None if item["where"] is None else tuple(item["where"]),
            )
            for record in self.records
            for item in record["findings"]
        )


def _revive(
    name: str,
    bodies: Mapping[str, tuple[NDArray[np.float64], NDArray[np.int64]]],
    *rest: Any,
) -> Workpiece:
    return Workpiece(name, {key: frozen_mesh(*arrays) for key, arrays in bodies.items()}, *rest)
