"""Waves of a surface sorted by their length.

Laplace-Beltrami of a triangle mesh by cotangents: Pinkall and Polthier, Exp.
Math. 2 (1993) 15. Its mass is the mean of the consistent and the lumped one, whose
errors of wave speed are opposite (Marfurt, Geophysics 49 (1984) 533). A sine wave
of length l is an eigenfunction of value (2 pi / l)², whatever the mesh: so a
function of the operator is a filter calibrated in mm (Taubin, Proc. SIGGRAPH
(1995) 351, reads smoothing so).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import linalg

from .topology import border_edges

__all__ = ["cut_keeping", "detail_below", "laplacian", "share_kept"]

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Ints = NDArray[np.int64]

ORDER = 4  # of the filter; the poles below are those of 1 / (1 + s^4) with positive turn
_POLES = np.exp(1j * np.pi * np.array([0.25, 0.75]))
_ACCURACY = 1e-6
_MAX_ROUNDS = 3000
_THIN = 50.0  # largest cotangent: corners below 1.2 degrees are taken as that


def share_kept(wavelength_mm: float, cut_mm: float) -> float:
    """Share of a wave's height that stays after what is shorter than `cut_mm` is taken out.

    Butterworth, Exp. Wireless 7 (1930) 536, in the eigenvalues s = (cut / length)²:
    1 / (1 + s⁴): half at the cut, 0.4 % of a wave half as long.
    """
    return float(1 / (1 + (cut_mm / wavelength_mm) ** (2 * ORDER)))


def cut_keeping(wavelength_mm: float, share: float) -> float:
    """The cut (mm) at which a wave of this length keeps `share` of its height, 0 to 1."""
    return float(wavelength_mm * (1 / share - 1) ** (1 / (2 * ORDER)))


def detail_below(vertices: Floats, faces: Ints, cut_mm: float) -> Floats:
    """What waves shorter than `cut_mm` add to the surface: (n, 3) mm, 0 on the borders.

    vertices less this is the smoothed surface; `share_kept` says how much of a
    wave stays. With L the Laplacian and s = L (cut / 2 pi)² the detail is
    s⁴ / (1 + s⁴) x, computed from the mean curvature vectors L x by the poles of
    the fraction, so that it vanishes on borders and large form is not touched by
    rounding. Needs a manifold mesh. Complexity: (cut / edge) sparse products.
    """
    stiffness, mass = laplacian(vertices, faces)
    inner = np.ones(len(vertices), dtype=bool)
    inner[border_edges(faces)] = False
    inner[np.bincount(faces.ravel(), minlength=len(vertices)) == 0] = False
    detail = np.zeros_like(vertices)
    if not inner.any():
        return detail
    curvature = (stiffness @ vertices)[inner]
    stiffness, mass = (matrix[inner][:, inner] for matrix in (stiffness, mass))
    reach = (cut_mm / (2 * np.pi)) ** 2
    for pole in _POLES:
        # s³ / (1 + s⁴) = sum over the four poles p of (1 / 4) / (s - p); they come in pairs.
        system = sparse.csr_array(reach * stiffness - pole * mass)
        detail[inner] += reach / 2 * _solved(system, curvature).real
    return detail


def laplacian(vertices: Floats, faces: Ints) -> tuple[sparse.csr_array, sparse.csr_array]:
    """Stiffness and mass, both (n, n) and symmetric; L = mass⁻¹ stiffness."""
    count = len(vertices)
    corners = vertices[faces]
    rows, columns, weights = [], [], []
    double = np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
    )
    for corner in range(3):
        one, two = (corner + 1) % 3, (corner + 2) % 3
        dot = np.einsum(
            "ij,ij->i", corners[:, one] - corners[:, corner], corners[:, two] - corners[:, corner]
        )
        rows.append(faces[:, one])
        columns.append(faces[:, two])
        weights.append(np.clip(dot / np.maximum(double, 1e-30), -_THIN, _THIN) / 2)
    a, b, w = (np.concatenate(parts) for parts in (rows, columns, weights))
    between = sparse.coo_array(
        (np.r_[w, w], (np.r_[a, b], np.r_[b, a])), shape=(count, count)
    ).tocsr()
    stiffness = sparse.diags_array(np.asarray(between.sum(axis=1)).ravel()) - between
    # A triangle's area A: A / 6 and A / 12 in the consistent mass, A / 3 and 0 in the lumped one.
    area = np.maximum(np.tile(double / 2, 3), 1e-12)
    mass = sparse.coo_array(
        (
            np.r_[area / 24, area / 24, area / 4],
            (np.r_[a, b, faces.T.ravel()], np.r_[b, a, faces.T.ravel()]),
        ),
        shape=(count, count),
    ).tocsr()
    return stiffness.tocsr(), mass


def _solved(system: sparse.csr_array, right: Floats) -> Complexes:
    """The solution (n, k) of a complex symmetric system.

    Conjugate orthogonal gradients, preconditioned by the diagonal (van der Vorst and
    Melissen, IEEE Trans. Magn. 26 (1990) 706); where they stall, a factorisation.
    """
    inverse = (1 / system.diagonal())[:, None]
    found = np.zeros(right.shape, dtype=np.complex128)
    rest = right.astype(np.complex128)
    target = _ACCURACY * np.linalg.norm(right, axis=0)
    eased = inverse * rest
    way = eased.copy()
    product = (rest * eased).sum(axis=0)
    for _ in range(_MAX_ROUNDS):
        open_ = np.linalg.norm(rest, axis=0) > target
        if not open_.any():
            return found
        turned = system @ way
        across = (way * turned).sum(axis=0)
        step = np.where(open_, product / np.where(across == 0, 1, across), 0)
        found += step * way
        rest -= step * turned
        eased = inverse * rest
        after = (rest * eased).sum(axis=0)
        way = eased + np.where(open_, after / np.where(product == 0, 1, product), 0) * way
        product = after
    return np.asarray(linalg.splu(system.tocsc()).solve(right.astype(np.complex128)))
