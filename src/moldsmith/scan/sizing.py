"""The stretch that gives a scan the wearer's sizes, or the reason why none does.

Each method sets the spline factors of a `Stretch` by fewer numbers: one; one
an axis; all of them. They are found by Gauss-Newton steps on the sizes, held
to the smoothest of all answers by a little tension, and corrected against
what the stretched scan really measures, since its triangles stay flat.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

import numpy as np
import trimesh
from numpy.typing import NDArray

from ..errors import BadParameter
from ..geometry.stretch import Stretch, centre_line, roughness
from ..geometry.topology import compact
from .targets import Target, measured_mm

__all__ = ["CLOSE_MM", "Fitted", "Method", "Sized", "fitted"]

Floats = NDArray[np.float64]
Method: TypeAlias = Literal["auto", "uniform", "axes", "warp"]

CLOSE_MM = 0.5  # a method meets its sizes when none is farther off
SAME_HEIGHT_MM = 5.0  # girths of one outline closer than this are one girth
_FINE_MM = 0.05
_ROUNDS = 6
_STEPS = 30
_STRAIN_POINTS = 100_000
_OUTLINE_POINTS = 300
_REST = np.array([1e-3, 1e-3, 0.05])  # how strongly side, depth and up hold their size


@dataclass(frozen=True)
class Sized:
    """A target, what the scan measured there before, and what the fitted one does.

    part : what of the scan a stretch can bring to a girth's plane, None for a length
    """

    target: Target
    before_mm: float
    after_mm: float
    part: trimesh.Trimesh | None = None

    @property
    def residual_mm(self) -> float:
        return self.after_mm - self.target.wanted_mm

    @property
    def ratio(self) -> float:
        return self.target.wanted_mm / self.before_mm


@dataclass(frozen=True)
class Fitted:
    """What was found: the method, the stretch, its largest strain and place, and the sizes."""

    method: Method
    stretch: Stretch
    strain: float
    place: Floats
    sizes: tuple[Sized, ...]

    @property
    def off_mm(self) -> float:
        return max(abs(sized.residual_mm) for sized in self.sizes)


def fitted(
    scan: trimesh.Trimesh,
    targets: Sequence[Target],
    method: Method,
    max_strain: float,
    blend_mm: float,
) -> Fitted:
    """The stretch of the scan (in axes side, depth, up) that meets the targets.

    'auto' takes the first of one factor, one an axis, and the warp that meets
    every target within 0.5 mm.

    Raises
    ------
    BadParameter : the targets contradict each other under the method
    """
    sizes = [_as_it_is(scan, target) for target in targets]
    _refuse_other_unit(sizes)
    _refuse_same_place(sizes)
    if method in ("auto", "uniform"):
        found = _solved(scan, sizes, "uniform", blend_mm)
        if found.off_mm <= CLOSE_MM:
            return found
        if method == "uniform":
            _refuse_apart(found)
            return found
    if method == "axes" or (method == "auto" and _tells_axes(targets)):
        found = _solved(scan, sizes, "axes", blend_mm)
        if method == "axes":
            _refuse_missed(found, "three factors", blend_mm)
            _refuse_strain(found, max_strain, blend_mm)
            return found
        if found.off_mm <= CLOSE_MM and found.strain <= max_strain:
            return found
    found = _solved(scan, sizes, "warp", blend_mm)
    _refuse_strain(found, max_strain, blend_mm)
    _refuse_missed(found, f"a warp of at most {max_strain:g} strain", blend_mm)
    return found


def _as_it_is(scan: trimesh.Trimesh, target: Target) -> Sized:
    before = measured_mm(target, scan)[0]
    part = None if target.normal is None else _near_plane(scan, target)
    return Sized(target, before, before, part)


def _tells_axes(targets: Sequence[Target]) -> bool:
    """Whether one factor an axis is a fair reading: two girths would trade depth for breadth."""
    return sum(target.kind == "girth" for target in targets) < 2


def _solved(
    scan: trimesh.Trimesh, sizes: Sequence[Sized], method: Method, blend_mm: float
) -> Fitted:
    """The method's best answer, whether or not it meets the targets."""
    stretch = _unstretched(scan, sizes, blend_mm)
    spread, rules, aims = _method(method, stretch, blend_mm)
    wanted = np.array([sized.target.wanted_mm for sized in sizes])
    start = _start(method, sizes, spread)
    aimed = wanted.copy()
    best: tuple[float, Stretch, Floats] | None = None
    for _ in range(_ROUNDS):
        start = _descended(start, stretch, spread, sizes, aimed, rules, aims)
        trial = stretch.with_factors((spread @ start).reshape(3, -1).T)
        after = np.array([_after(sized, trial) for sized in sizes])
        off = float(np.abs(after - wanted).max())
        if best is not None and off > best[0] - 1e-4:
            break
        best = (off, trial, after)
        if off < _FINE_MM or method == "uniform":
            break
        aimed += wanted - after
    assert best is not None
    _, found, after = best
    if method == "uniform":
        found, after = _within_limits(found, sizes)
    every = max(1, len(scan.vertices) // _STRAIN_POINTS)
    points = np.asarray(scan.vertices)[::every]
    strain = found.strain(points)
    worst = int(np.argmax(strain))
    done = tuple(replace(s, after_mm=float(a)) for s, a in zip(sizes, after, strict=True))
    return Fitted(method, found, float(strain[worst]), points[worst], done)


def _unstretched(scan: trimesh.Trimesh, sizes: Sequence[Sized], blend_mm: float) -> Stretch:
    """Splines over the scan's height, fine enough for the targets, round its centre line."""
    low, high = (float(f(scan.vertices[:, 2])) for f in (np.min, np.max))
    heights = np.unique(np.round([sized.target.height_mm for sized in sizes], 3))
    gaps = np.diff(heights)[np.diff(heights) > SAME_HEIGHT_MM]
    step = min(blend_mm / 2, float(gaps.min()) / 2 if len(gaps) else np.inf)
    stretch = Stretch.between(low, high, int(np.clip(np.ceil((high - low) / step), 8, 80)))
    return centre_line(stretch, scan.triangles_center, scan.area_faces, 4 * blend_mm)


def _method(method: Method, stretch: Stretch, blend_mm: float) -> tuple[Floats, Floats, Floats]:
    """How the method's unknowns set all factors, and what it prefers: rules @ unknowns = aims.

    The preferences weigh so little that only what the targets leave open follows
    them: an axis that no target speaks about keeps its size; side and depth
    change alike.
    """
    count = len(stretch.factors)
    if method == "uniform":
        return np.ones((3 * count, 1)), np.zeros((0, 1)), np.zeros(0)
    if method == "axes":
        rules = np.vstack([[[1.0, -1.0, 0.0]], np.diag(_REST)])
        return np.repeat(np.eye(3), count, axis=0), rules, np.concatenate([[0], _REST])
    smooth = np.vstack(roughness(count, stretch.step_mm, blend_mm / 2))
    alike = np.eye(count) * (stretch.step_mm**0.5 / (blend_mm / 10))
    rest = np.repeat(_REST, count) / blend_mm
    zero = np.zeros_like(alike)
    rules = np.vstack([np.kron(np.eye(3), smooth), np.hstack([alike, -alike, zero]), np.diag(rest)])
    aims = np.concatenate([np.zeros(len(rules) - 3 * count), rest])
    return np.eye(3 * count), np.asarray(rules, dtype=np.float64), aims


def _start(method: Method, sizes: Sequence[Sized], spread: Floats) -> Floats:
    """All factors at the mean ratio of the girths, or of all sizes where there is no girth."""
    ratios = [s.ratio for s in sizes if s.target.kind == "girth"] or [s.ratio for s in sizes]
    start = np.full(spread.shape[1], float(np.exp(np.log(ratios).mean())))
    if method != "uniform":
        start[2 * len(start) // 3 :] = 1.0
    return start


def _descended(
    unknowns: Floats,
    stretch: Stretch,
    spread: Floats,
    sizes: Sequence[Sized],
    aimed: Floats,
    rules: Floats,
    aims: Floats,
) -> Floats:
    """Gauss-Newton steps to the unknowns whose stretch gives the outlines the aimed sizes."""
    rows = [stretch.rows(_thinned(sized.target)) for sized in sizes]
    weight = np.array([400 / sized.target.limit_mm for sized in sizes])
    for _ in range(_STEPS):
        factors = (spread @ unknowns).reshape(3, -1)
        misses, slopes = [], []
        for sized, matrices, wanted in zip(sizes, rows, aimed, strict=True):
            moved = np.column_stack([m @ f for m, f in zip(matrices, factors, strict=True)])
            size, gradient = sized.target.size(moved)
            if sized.target.is_level and spread.shape[1] > 1:
                gradient[:, 2] = 0  # a girth never asks for height, however slanting its tape
            misses.append(wanted - size)
            slopes.append(np.concatenate([m.T @ gradient[:, a] for a, m in enumerate(matrices)]))
        data = weight[:, None] * (np.array(slopes) @ spread)
        system = np.vstack([data, rules])
        missing = np.concatenate([weight * misses, aims - rules @ unknowns])
        step = np.linalg.lstsq(system, missing, rcond=None)[0]
        step *= min(1.0, 0.3 / max(float(np.abs(step).max()), 1e-12))
        unknowns = unknowns + step
        if float(np.abs(step).max()) < 1e-9:
            break
    return unknowns


def _thinned(target: Target) -> Floats:
    """A girth's outline with no more points than it takes to see how it changes."""
    return target.points[:: max(1, len(target.points) // _OUTLINE_POINTS)]


def _after(sized: Sized, stretch: Stretch) -> float:
    """What the stretched scan measures at the target's place, by a section of its own."""
    target, part = sized.target, sized.part
    moved = replace(target, points=stretch(target.points))
    if target.normal is None or part is None:
        return moved.size(moved.points)[0]
    (gradient,) = stretch.gradients(target.centre[None])
    normal = np.linalg.solve(gradient.T, target.normal)
    moved = replace(moved, normal=normal / np.linalg.norm(normal))
    stretched = trimesh.Trimesh(stretch(part.vertices), part.faces, process=False)
    return measured_mm(moved, stretched)[0]


def _near_plane(scan: trimesh.Trimesh, target: Target) -> trimesh.Trimesh:
    """The faces near a girth's plane, far enough for it to tilt in a stretch."""
    faces = np.asarray(scan.faces)
    off = ((scan.vertices - target.centre) @ target.normal)[faces]
    reach = 0.02 * float(scan.scale)
    if not target.is_level or target.normal is None or abs(target.normal[2]) < 1 - 1e-9:
        reach += 0.25 * float(np.linalg.norm(np.ptp(target.points, axis=0)))
    near = (off.min(axis=1) <= reach) & (off.max(axis=1) >= -reach)
    return trimesh.Trimesh(*compact(np.asarray(scan.vertices), faces[near]), process=False)


def _within_limits(stretch: Stretch, sizes: Sequence[Sized]) -> tuple[Stretch, Floats]:
    """One factor, moved to where all targets are within their limits if there is such a place."""
    least, most = _bounds(sizes)
    factor = float(stretch.factors[0, 0])
    if least.max() <= most.min():
        factor = float(np.clip(factor, least.max(), most.min()))
    after = np.array([sized.before_mm * factor for sized in sizes])
    return stretch.with_factors(np.full_like(stretch.factors, factor)), after


def _bounds(sizes: Sequence[Sized]) -> tuple[Floats, Floats]:
    """The least and greatest factor that keeps each size within its limit."""
    limit = np.array([sized.target.limit_mm for sized in sizes])
    wanted = np.array([sized.target.wanted_mm for sized in sizes])
    before = np.array([sized.before_mm for sized in sizes])
    return (wanted - limit) / before, (wanted + limit) / before


def _refuse_other_unit(sizes: Sequence[Sized]) -> None:
    for sized in sizes:
        if not 0.2 <= sized.ratio <= 5:
            raise BadParameter(
                f"{_told(sized)} is {sized.ratio:.3g} times what the scan measures there",
                "Choose 0.2 to 5 times; check the scan's unit and the size",
            )


def _refuse_same_place(sizes: Sequence[Sized]) -> None:
    """`BadParameter` where two targets want two sizes of one place."""
    for k, one in enumerate(sizes):
        for two in sizes[k + 1 :]:
            if not _same_place(one.target, two.target):
                continue
            least, most = _bounds([one, two])
            if least.max() > most.min():
                raise BadParameter(
                    f"{_told(one)} and {_told(two)} contradict each other: both are taken at "
                    "the same place of the scan",
                    "Keep one of the two, or correct its height",
                )


def _same_place(one: Target, two: Target) -> bool:
    if one.kind != two.kind or len(one.points) < 2:
        return False
    if one.kind == "girth":
        assert one.normal is not None
        apart = np.abs((two.points - one.centre) @ one.normal).max()
        return bool(apart < SAME_HEIGHT_MM and _overlap(one.points, two.points))
    gap = min(np.abs(one.points - ends).max() for ends in (two.points, two.points[::-1]))
    return bool(gap < SAME_HEIGHT_MM)


def _overlap(one: Floats, two: Floats) -> bool:
    """Whether two outlines go round the same part of the body."""
    size = min(np.ptp(one, axis=0).max(), np.ptp(two, axis=0).max())
    return float(np.linalg.norm(one.mean(axis=0) - two.mean(axis=0))) < 0.25 * float(size)


def _refuse_apart(found: Fitted) -> None:
    """`BadParameter` where no single factor keeps all targets within their limits."""
    least, most = _bounds(found.sizes)
    high, low = int(np.argmax(least)), int(np.argmin(most))
    if least[high] > most[low]:
        one, two = found.sizes[high], found.sizes[low]
        raise BadParameter(
            f"{_told(one)} and {_told(two)} contradict each other under one factor: "
            f"they ask for {one.ratio:.4f} and {two.ratio:.4f}",
            "Choose method 'axes' or 'warp', or correct one of the two",
        )


def _refuse_missed(found: Fitted, means: str, blend_mm: float) -> None:
    """`BadParameter` where a target is not met within its limit."""
    shares = [abs(s.residual_mm) / s.target.limit_mm for s in found.sizes]
    worst = int(np.argmax(shares))
    if shares[worst] <= 1:
        return
    one = found.sizes[worst]
    other = _adversary(found.sizes, worst, lambda s: -s.residual_mm * np.sign(one.residual_mm))
    raise BadParameter(
        f"{_told(one)} and {_told(other)} contradict each other: {means} cannot give both "
        f"({one.residual_mm:+.1f} and {other.residual_mm:+.1f} mm off at best)",
        "Correct one of the two, or leave it out",
    )


def _refuse_strain(found: Fitted, max_strain: float, blend_mm: float) -> None:
    """`BadParameter` where the form would be changed more than allowed."""
    if found.strain <= max_strain:
        return
    tension = [
        max((_steepness(one, two, blend_mm) for two in found.sizes if two is not one), default=0)
        for one in found.sizes
    ]
    worst = int(np.argmax(tension))
    one = found.sizes[worst]
    need = f"would need a strain of {found.strain:.2f}"
    if not np.isfinite(found.strain):
        need = "would be turned inside out"
    if len(found.sizes) == 1:
        names = f"{_told(one)} and the sizes that stay"
    else:
        other = _adversary(found.sizes, worst, lambda s: _steepness(one, s, blend_mm))
        names = f"{_told(one)} and {_told(other)}"
    raise BadParameter(
        f"{names} contradict each other: the scan {need} at height "
        f"{found.place[2]:.0f} mm, more than max_strain = {max_strain:g}",
        "Correct one of the two, crop away parts far from the trunk, start from a scan nearer "
        "the wearer's form, or allow more strain",
    )


def _steepness(one: Sized, two: Sized, blend_mm: float) -> float:
    apart = abs(one.target.height_mm - two.target.height_mm)
    return abs(float(np.log(one.ratio / two.ratio))) / (apart + blend_mm)


def _adversary(sizes: Sequence[Sized], worst: int, rank: Callable[[Sized], float]) -> Sized:
    """The other target that stands against the worst one most."""
    others = [sized for k, sized in enumerate(sizes) if k != worst]
    return max(others, key=rank) if others else sizes[worst]


def _told(sized: Sized) -> str:
    """The target with its value, its place and what the scan has."""
    target = sized.target
    return (
        f"{target.label} ({target.kind} {target.wanted_mm:g} mm at height "
        f"{target.height_mm:.0f} mm, the scan has {sized.before_mm:.1f} mm)"
    )
