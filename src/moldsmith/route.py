"""The order in which a job's stages work on a piece."""

from __future__ import annotations

import inspect
import typing
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from typing import Any

from .supplies.filament import Filament
from .supplies.materials import Material
from .supplies.printer import Printer
from .workpiece import Workpiece

__all__ = [
    "LOADING",
    "ONLY_WHEN_NAMED",
    "ROUTE",
    "Parameter",
    "needs_material",
    "parameters",
    "supplied",
    "worker",
]

# Loading stands apart: it has no piece yet, and its keys stand in [[piece]] itself.
LOADING = "load_scan"

# Stage -> module:function, in working order. A stage is put into every job by its line here.
ROUTE: Mapping[str, str] = {
    LOADING: ".scan.reading:load_scan",
    "heal": ".scan.healing:heal",
    "stand": ".scan.standing:stand",
    "fit": ".scan.fitting:fit",
    "symmetrise": ".scan.mirroring:symmetrise",
    "crop": ".scan.cropping:crop",
    "smooth": ".scan.relief:smooth",
    "relief": ".scan.relief:relief",
    "mirror": ".scan.mirroring:mirror",
    "shell": ".pad.shelling:shell",
    "fit_check": ".pad.pressing:fit_check",
    "block": ".mold.blocks:block",
    "channels": ".mold.channelling:channels",
    "fasten": ".mold.flange.fastening:fasten",
    "split": ".mold.parts.splitting:split",
    "lay_out": ".printing.posing:lay_out",
    "overhangs": ".printing.flagging:overhangs",
    "estimate": ".printing.estimating:estimate",
    "fill": ".pouring.filling:fill",
    "mix": ".pouring.mixing:mix",
    "clamp": ".pouring.clamping:clamp",
    "coat": ".pouring.coating:coat",
    "timeline": ".pouring.scheduling:timeline",
}

# Stages that a piece goes through only if the job has a table for them: a scan may come cropped.
ONLY_WHEN_NAMED = frozenset(
    {"stand", "fit", "symmetrise", "crop", "smooth", "relief", "mirror", "fit_check"}
)

# What the job itself gives to a stage, so that it is no key of the stage's table.
_GIVEN = {LOADING: frozenset({"path", "name", "folder"})}

# Values that the job has for all stages: they get them by the types of their parameters.
_SUPPLIES = {Printer: "printer", Filament: "filament", Material: "material"}


@dataclass(frozen=True, slots=True)
class Parameter:
    """One key of a stage's table: its type as annotated, and whether it may be left out."""

    hint: Any
    required: bool


def worker(stage: str) -> Callable[..., Workpiece]:
    """The function that does the stage."""
    module, function = ROUTE[stage].split(":")
    found: Callable[..., Workpiece] = getattr(import_module(module, __package__), function)
    return found


def parameters(stage: str) -> dict[str, Parameter]:
    """The keys a job may set for the stage, read off the function's signature."""
    return {
        name: Parameter(hint, required)
        for name, hint, required in _signature(worker(stage))
        if _supply(hint) is None and name not in _GIVEN.get(stage, ())
    }


def supplied(stage: str) -> dict[str, str]:
    """Of the stage's parameters those that the job's supplies fill: name -> supply."""
    asked = {name: _supply(hint) for name, hint, _ in _signature(worker(stage))}
    return {name: supply for name, supply in asked.items() if supply is not None}


def needs_material(stage: str) -> bool:
    """Whether the stage cannot do without knowing what is cast."""
    return any(required and hint is Material for _, hint, required in _signature(worker(stage)))


def _supply(hint: Any) -> str | None:
    """Which supply a parameter of this type takes: 'printer', 'filament' or 'material'."""
    asked = {hint, *typing.get_args(hint)} - {type(None)}
    return next((name for kind, name in _SUPPLIES.items() if asked == {hint, kind}), None)


@cache
def _signature(function: Callable[..., Workpiece]) -> tuple[tuple[str, Any, bool], ...]:
    """Name, type and need of each parameter but the piece itself."""
    hints = typing.get_type_hints(function)
    return tuple(
        (item.name, hints.get(item.name, Any), item.default is inspect.Parameter.empty)
        for item in inspect.signature(function).parameters.values()
        if hints.get(item.name) is not Workpiece
    )
