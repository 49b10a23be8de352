"""Stretching a body by smooth factors along its height, without creases.

At height z a point keeps its place in its section, which is scaled about the
section's centre c(z) by two factors and moved up or down by a third:

    x' = m c(z) + s(z) (x − c(z)),   dz'/dz = s_up(z),

m the mean of s. The factors and the centre line are cubic B-splines over
equal steps of height, so the stretch is twice continuously differentiable in
height, and where all factors are above 0 no two points meet and no face
turns over. Source of the splines: de Boor, A Practical Guide to Splines
(1978); of equal steps with a penalty on differences: Eilers and Marx, Stat.
Sci. 11 (1996) 89.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.interpolate import BSpline

__all__ = ["Stretch", "centre_line", "roughness"]

Floats = NDArray[np.float64]
_DEGREE = 3


@dataclass(frozen=True)
class Stretch:
    """A stretch of points whose axes are side, depth, up.

    knots : (n + 4,) heights, mm; factors : (n, 3) coefficients of side, depth
    and up; centre : (n, 2) coefficients of the centre line, mm
    """

    knots: Floats
    factors: Floats
    centre: Floats

    @classmethod
    def between(cls, low: float, high: float, steps: int) -> Stretch:
        """No stretch, over heights `low` to `high` in so many steps, about the up axis."""
        step = (high - low) / steps
        knots: Floats = low + step * np.arange(-_DEGREE, steps + _DEGREE + 1, dtype=np.float64)
        count = steps + _DEGREE
        return cls(knots, np.ones((count, 3)), np.zeros((count, 2)))

    @property
    def step_mm(self) -> float:
        """Height between two knots."""
        return float(self.knots[1] - self.knots[0])

    def with_factors(self, factors: Floats) -> Stretch:
        """The same stretch with other factors, (n, 3)."""
        return replace(self, factors=np.asarray(factors, dtype=float))

    def clipped(self, heights: Floats) -> Floats:
        """Heights within the splines' range: beyond it the factors go on as they end."""
        return np.clip(heights, self.knots[_DEGREE], self.knots[-_DEGREE - 1])

    def factors_at(self, heights: Floats, derivative: int = 0) -> Floats:
        """Factors (k, 3), or their derivatives by height, at heights (k,)."""
        return _values(self.knots, self.factors, self.clipped(heights), derivative)

    def centre_at(self, heights: Floats, derivative: int = 0) -> Floats:
        """The centre line (k, 2), or its derivatives by height, at heights (k,)."""
        return _values(self.knots, self.centre, self.clipped(heights), derivative)

    def __call__(self, points: Floats) -> Floats:
        """The stretched points (k, 3)."""
        inside = self.clipped(points[:, 2])
        scale, centre = self.factors_at(inside), self.centre_at(inside)
        low = self.knots[_DEGREE]
        up = BSpline(self.knots, self.factors[:, 2], _DEGREE)
        whole = up.antiderivative()
        height = up(low) * low + whole(inside) - whole(low)
        height += scale[:, 2] * (points[:, 2] - inside)
        level = self.factors[:, :2].mean(axis=0) * centre
        level += scale[:, :2] * (points[:, :2] - centre)
        return np.column_stack([level, height])

    def rows(self, points: Floats) -> tuple[Floats, Floats, Floats]:
        """Matrices (k, n): stretched coordinate a of the points is rows[a] @ factors[:, a]."""
        count = len(self.factors)
        inside, low = self.clipped(points[:, 2]), self.knots[_DEGREE]
        basis = BSpline(self.knots, np.eye(count), _DEGREE)
        here, centre = basis(inside), self.centre_at(inside)
        whole = basis.antiderivative()
        up = basis(low) * low + whole(inside) - whole(low)
        up += here * (points[:, 2] - inside)[:, None]
        side, depth = (
            centre[:, [axis]] / count + here * (points[:, axis] - centre[:, axis])[:, None]
            for axis in (0, 1)
        )
        return side, depth, up

    def gradients(self, points: Floats) -> Floats:
        """The deformation gradients (k, 3, 3) at the points."""
        height = points[:, 2]
        scale, change = self.factors_at(height), self.factors_at(height, 1)
        centre, lean = self.centre_at(height), self.centre_at(height, 1)
        beyond = self.clipped(height) != height
        change[beyond], lean[beyond] = 0, 0
        result = np.zeros((len(points), 3, 3))
        result[:, [0, 1, 2], [0, 1, 2]] = scale
        mean = self.factors[:, :2].mean(axis=0)
        result[:, :2, 2] = (mean - scale[:, :2]) * lean
        result[:, :2, 2] += change[:, :2] * (points[:, :2] - centre)
        return result

    def strain(self, points: Floats) -> Floats:
        """Strain (k,) at the points: how far the body's form, not its size, is changed.

        The principal stretches over the cube root of the mean change of
        volume; of the largest, and of the inverse of the least, the greater, less 1.
        Infinite where a factor is not above 0.
        """
        gradient = self.gradients(points)
        volume = np.linalg.det(gradient)
        least = self.factors_at(points[:, 2]).min(axis=1)
        if (least <= 0).any():
            return np.where(least <= 0, np.inf, 0.0)
        squares = np.linalg.eigvalsh(np.swapaxes(gradient, 1, 2) @ gradient)
        stretches = np.sqrt(np.maximum(squares, 1e-12)) / np.cbrt(volume.mean())
        return np.asarray(np.maximum(stretches[:, 2], 1 / stretches[:, 0]) - 1)


def centre_line(stretch: Stretch, points: Floats, weights: Floats, stiffness_mm: float) -> Stretch:
    """The stretch with its centre line led smoothly through weighted points (k, 3)."""
    basis = BSpline.design_matrix(stretch.clipped(points[:, 2]), stretch.knots, _DEGREE)
    bending, slope = roughness(len(stretch.factors), stretch.step_mm, stiffness_mm)
    share = weights / weights.sum()
    pull = 1e-3 * stiffness_mm**2 / np.ptp(stretch.knots)
    system = (basis.T @ sparse.diags_array(share) @ basis).toarray()
    system += pull * (bending.T @ bending + slope.T @ slope)
    centre = np.linalg.solve(system, basis.T @ (share[:, None] * points[:, :2]))
    return replace(stretch, centre=centre)


def roughness(count: int, step_mm: float, blend_mm: float) -> tuple[Floats, Floats]:
    """Matrices B, S: |B a|² + |S a|² = ∫ (blend² a''² + a'²) dz of spline coefficients a (n,).

    The second part, a tension, brings a to rest beyond the outermost points it
    is led through, past them by at most about `blend_mm` times its slope there.
    The integrals are sums over the steps.
    """
    bending = np.diff(np.eye(count), 2, axis=0) * (blend_mm / step_mm**1.5)
    slope = np.diff(np.eye(count), 1, axis=0) / step_mm**0.5
    return bending, slope


def _values(knots: Floats, coefficients: Floats, heights: Floats, derivative: int) -> Floats:
    return np.asarray(BSpline(knots, coefficients, _DEGREE)(heights, nu=derivative), dtype=float)
