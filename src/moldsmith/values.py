"""Values of a job file held against the types a stage's signature asks for."""

from __future__ import annotations

import math
import types
import typing
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any, Literal, Union, get_args, get_origin

import numpy as np
from numpy.typing import ArrayLike

__all__ = ["Misfit", "conform", "described", "first_misfit", "simple_hints"]

_PLAIN = {float: "a number", int: "a whole number", bool: "true or false", str: "a text"}
_ROWS = (list, Sequence, Iterable, tuple)


class Misfit(Exception):
    """A value that its key cannot take: the key, the value, and what it can take."""

    def __init__(self, key: str, value: Any, allowed: str) -> None:
        super().__init__(key, value, allowed)
        self.key = key
        self.value = value
        self.allowed = allowed


def conform(value: Any, hint: Any, key: str) -> Any:
    """The value as the type `hint` wants it.

    Whole numbers become floats and arrays tuples where that is asked for;
    nothing else is converted. Raises `Misfit`, which points into arrays as
    'planes[2][1]', counted from 1.
    """
    origin, inner = get_origin(hint), get_args(hint)
    if origin is typing.Annotated:
        return conform(value, inner[0], key)
    if hint is Any:
        return value
    if hint in _PLAIN or hint is Path:
        return _plain(value, hint, key)
    if hint == ArrayLike or origin is np.ndarray:
        return _numbers(value, hint, key)
    if origin in (Union, types.UnionType):
        return _one_of(value, [item for item in inner if item is not type(None)], hint, key)
    if origin is Literal:
        if not any(type(value) is type(item) and value == item for item in inner):
            raise Misfit(key, value, described(hint))
        return value
    if origin in _ROWS:
        return _row(value, hint, key)
    if origin in (dict, Mapping):
        if not isinstance(value, dict):
            raise Misfit(key, value, described(hint))
        return {name: conform(item, inner[1], f"{key}.{name}") for name, item in value.items()}
    if typing.is_typeddict(hint):
        return _table(value, hint, key)
    if isinstance(hint, type) and not isinstance(value, hint):
        raise Misfit(key, value, described(hint))
    return value


def first_misfit(arguments: Mapping[str, Any], hints: Mapping[str, Any]) -> Misfit | None:
    """The first of a call's arguments that is not of the type asked for.

    As `conform`, but for what Python calls with: tuples and arrays are rows too.
    """
    for key, value in arguments.items():
        if key not in hints or (value is None and type(None) in get_args(hints[key])):
            continue
        try:
            conform(_as_given(value), hints[key], key)
        except Misfit as found:
            return Misfit(key, value, found.allowed)
    return None


@cache
def simple_hints(function: Callable[..., Any]) -> Mapping[str, Any]:
    """The annotated types of a function's parameters that are no list and no table."""
    return {key: hint for key, hint in typing.get_type_hints(function).items() if _simple(hint)}


def _simple(hint: Any) -> bool:
    if get_origin(hint) is Literal:
        return True
    inner = [item for item in get_args(hint) if item is not Ellipsis]
    listed = get_origin(hint) in (list, dict, Sequence, Iterable, Mapping, np.ndarray)
    table = typing.is_typeddict(hint) or hint == ArrayLike
    return not listed and not table and all(_simple(item) for item in inner)


def _as_given(value: Any) -> Any:
    """A value of Python as a job file would give it."""
    if isinstance(value, np.generic | np.ndarray):
        return value.tolist()
    if isinstance(value, list | tuple):
        return [_as_given(item) for item in value]
    if isinstance(value, Mapping):
        return {key: _as_given(item) for key, item in value.items()}
    return str(value) if isinstance(value, Path) else value


def described(hint: Any) -> str:
    """What a value of this type looks like in a job file, in words."""
    origin, inner = get_origin(hint), get_args(hint)
    if hint in _PLAIN:
        return _PLAIN[hint]
    if hint is Path:
        return "a path"
    if hint == ArrayLike or origin is np.ndarray:
        return "an array of numbers"
    if origin is Literal:
        return " or ".join(f'"{item}"' if isinstance(item, str) else f"{item}" for item in inner)
    if origin in (Union, types.UnionType):
        named = [described(item) for item in inner if item is not type(None)]
        return ", or ".join(dict.fromkeys(word for word in named if word != "a value"))
    if origin is tuple and inner[-1] is not Ellipsis:
        if len(set(inner)) == 1:
            return f"an array of {len(inner)} ({_each(inner[0])})"
        return "an array of " + ", then ".join(described(item) for item in inner)
    if origin in _ROWS:
        return f"an array ({_each(inner[0])})"
    if origin in (dict, Mapping):
        return f"a table ({_each(inner[1])})"
    if typing.is_typeddict(hint):
        items = [
            f"{name}{'' if name in hint.__required_keys__ else ' (if wanted)'}: {described(item)}"
            for name, item in typing.get_type_hints(hint).items()
        ]
        return f"a table ({', '.join(items)})"
    return "a value"


def _each(hint: Any) -> str:
    return f"each {described(hint)}"


def _plain(value: Any, hint: type, key: str) -> Any:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if hint is float and number and math.isfinite(value):
        return float(value)
    if hint is Path and isinstance(value, str) and "\0" not in value:
        return Path(value)
    if type(value) is hint and hint is not float:
        return value
    raise Misfit(key, value, described(hint))


def _numbers(value: Any, hint: Any, key: str) -> Any:
    """An array of numbers of any depth, as it stands."""
    try:
        array = np.asarray(value, dtype=float)
    except (TypeError, ValueError):
        raise Misfit(key, value, described(hint)) from None
    if not np.isfinite(array).all() or isinstance(value, str | bool):
        raise Misfit(key, value, described(hint))
    return value


def _one_of(value: Any, choices: Sequence[Any], hint: Any, key: str) -> Any:
    if len(choices) == 1:
        return conform(value, choices[0], key)
    for choice in choices:
        try:
            return conform(value, choice, key)
        except Misfit:
            continue
    raise Misfit(key, value, described(hint))


def _table(value: Any, hint: Any, key: str) -> Any:
    """A table whose keys are known, some of which it may lack."""
    hints = typing.get_type_hints(hint)
    if not isinstance(value, dict) or not hint.__required_keys__ <= value.keys():
        raise Misfit(key, value, described(hint))
    for name in value:
        if name not in hints:
            raise Misfit(f"{key}.{name}", value[name], f"left out; there are {', '.join(hints)}")
    return {name: conform(item, hints[name], f"{key}.{name}") for name, item in value.items()}


def _row(value: Any, hint: Any, key: str) -> Any:
    origin, inner = get_origin(hint), get_args(hint)
    fixed = origin is tuple and inner[-1] is not Ellipsis
    if not isinstance(value, list) or (fixed and len(value) != len(inner)):
        raise Misfit(key, value, described(hint))
    each = inner if fixed else [inner[0]] * len(value)
    items = [
        conform(item, wanted, f"{key}[{place}]")
        for place, (item, wanted) in enumerate(zip(value, each, strict=True), start=1)
    ]
    return items if origin is list else tuple(items)
