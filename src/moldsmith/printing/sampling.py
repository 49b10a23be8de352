"""Which layers are looked at, and how the others follow from them."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

__all__ = ["Sampling", "sampled_layers"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Sampling:
    """Layers to look at (k,) and, for all n, the two neighbours among them and the share."""

    layers: Ints
    left: Ints
    right: Ints
    share: Floats

    def spread(self, values: Floats) -> Floats:
        """Values (n,) of all layers from those (k,) of the layers looked at."""
        spread: Floats = values[self.left] * (1 - self.share) + values[self.right] * self.share
        return spread


def sampled_layers(count: int, breaks: Ints, every: int) -> Sampling:
    """Sample layers 0 to `count` - 1 piece by piece between breaks.

    breaks : ascending, from 0 to `count`; a piece goes from one to just before
        the next, and nothing is carried across. In each piece the first, the
        last, and layers no more than `every` apart are looked at.
    """
    layers: list[Ints] = []
    left, right = np.empty(count, dtype=np.int64), np.empty(count, dtype=np.int64)
    share = np.zeros(count)
    known = 0
    for start, stop in pairwise(breaks.tolist()):
        size = int(np.ceil((stop - 1 - start) / every)) + 1
        chosen = np.unique(np.round(np.linspace(start, stop - 1, size)).astype(np.int64))
        rows = np.arange(start, stop)
        here = np.searchsorted(chosen, rows, side="right") - 1
        following = np.minimum(here + 1, len(chosen) - 1)
        gap = np.maximum(chosen[following] - chosen[here], 1)
        left[start:stop], right[start:stop] = known + here, known + following
        share[start:stop] = (rows - chosen[here]) / gap
        layers.append(chosen)
        known += len(chosen)
    return Sampling(np.concatenate(layers), left, right, share)
