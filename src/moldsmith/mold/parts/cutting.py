"""Where to cut a body so that its parts fit the printer and what is asked of them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from ...errors import BadParameter
from ...geometry import solid
from ...geometry.occupancy import occupancy_of
from ...printing.pose import fits_flat
from ...supplies.printer import Printer
from .cut_costs import WEIGHTS, Costs, FineFace, Objective
from .cut_places import places_along
from .cut_planes import Cut
from .keep_outs import KeepOut, spans
from .pegging import PEG_LENGTH_MM

__all__ = ["Objective", "least_part_mm3", "place_cuts"]

Floats = NDArray[np.float64]
Counts = tuple[int, int, int]
_MOST_PARTS = 64
_MORE_PARTS = 4  # that an objective may spend over the fewest, or as many again
_SPARE = 0.95  # of a limit: the volumes are known to the grid's resolution


def place_cuts(
    body: solid.Solid,
    printer: Printer,
    keep_out: Sequence[KeepOut],
    objective: Objective = "parts",
    *,
    fine: FineFace | None = None,
    most_mm3: float = np.inf,
    upside_down: bool = False,
) -> list[Cut] | None:
    """The cuts (without keys yet) of the grid whose cells fit and that costs least.

    Of grids with as many parts the first whose cuts pass nothing that they should keep off.

    fine : the face that seams should keep off; most_mm3 : the largest part allowed;
    upside_down : how the body lies in print: pegs of level cuts point away from the bed

    None where no grid of up to 64 parts keeps to `most_mm3`.

    Raises
    ------
    BadParameter : the printer is smaller than a key, or more than 64 parts would be needed
    """
    _check_printer(printer)
    low, high = np.reshape(body.bounding_box(), (2, 3))
    options = _options(high - low, printer)
    first = next(options, None)
    if first is None:
        raise _too_many(high - low, printer)
    if first == (1, 1, 1) and objective == "parts" and most_mm3 == np.inf:
        return []
    inside = spans(body, keep_out)
    costs = Costs(WEIGHTS[objective], occupancy_of(body), fine, inside, upside_down)
    best: list[Cut] | None = None
    parts, least = _MOST_PARTS, np.inf
    for counts in _ranked((first, *options), low, high, costs, most_mm3):
        if np.prod(counts) > parts:
            continue
        cuts = _placed(body, printer, counts, costs)
        if costs.largest_mm3(_marks(low, high, cuts)) > _SPARE * most_mm3:
            continue
        harm = sum(float(costs.harm(cut.axis, np.array([cut.at]))[0]) for cut in cuts)
        if best is None or harm < least:
            best, least, parts = cuts, harm, int(np.prod(counts))
        if least == 0:
            break
    return best


def least_part_mm3(body: solid.Solid, printer: Printer) -> float:
    """The least that the largest of up to 64 parts can hold, to the grid's resolution."""
    low, high = np.reshape(body.bounding_box(), (2, 3))
    bulk = occupancy_of(body)
    grids = (_even_marks(low, high, counts) for counts in _options(high - low, printer))
    return min(float(bulk.cells_mm3(marks).max()) for marks in grids)


def _ranked(
    options: Iterable[Counts], low: Floats, high: Floats, costs: Costs, most_mm3: float
) -> list[Counts]:
    """Numbers of cells worth trying, cheapest first; none far over the fewest parts possible."""
    rated: list[tuple[float, Counts]] = []
    spared: list[Counts] = []  # only for a limit that the others do not keep
    most = _MOST_PARTS
    for counts in options:
        parts = int(np.prod(counts))
        if parts > most and most_mm3 == np.inf:
            break
        marks = _even_marks(low, high, counts)
        if costs.largest_mm3(marks) > 1.25 * most_mm3:
            continue
        if not rated:
            most = parts + (max(_MORE_PARTS, parts) if costs.weights.part < 10 else 0)
        if parts > most:
            spared.append(counts)
        else:
            rated.append((costs.of_grid(marks), counts))
    return [counts for _, counts in sorted(rated)] + spared


def _check_printer(printer: Printer) -> None:
    if min(printer.volume_mm) < 3 * PEG_LENGTH_MM:
        raise BadParameter(
            f"printer.volume_mm = {list(printer.volume_mm)}: a part must hold a key of "
            f"{PEG_LENGTH_MM:g} mm and its socket",
            f"Each side must be at least {3 * PEG_LENGTH_MM:g} mm",
        )


def _too_many(size: Floats, printer: Printer) -> BadParameter:
    return BadParameter(
        f"printer.volume_mm = {list(printer.volume_mm)}: a body of {size[0]:.0f} x {size[1]:.0f} "
        f"x {size[2]:.0f} mm needs more than {_MOST_PARTS} parts",
        "Use a larger printer, or crop the piece smaller",
    )


def _options(size: Floats, printer: Printer) -> Iterator[Counts]:
    """Numbers of cells along x, y and z that fit: fewest parts first, then least cut area."""
    area = [size[1] * size[2], size[0] * size[2], size[0] * size[1]]
    # A cell stays long enough for a key and its socket.
    x, y, z = (max(int(length // (2 * PEG_LENGTH_MM)), 1) for length in size)
    few: list[Counts] = [
        (i, j, k)
        for i in range(1, min(x, _MOST_PARTS) + 1)
        for j in range(1, min(y, _MOST_PARTS // i) + 1)
        for k in range(1, min(z, _MOST_PARTS // (i * j)) + 1)
    ]
    few.sort(
        key=lambda n: (n[0] * n[1] * n[2], sum((k - 1) * a for k, a in zip(n, area, strict=True)))
    )
    yield from (counts for counts in few if _cells_fit(size, counts, printer))


def _cells_fit(size: Floats, counts: tuple[int, ...], printer: Printer) -> bool:
    """Whether equal cells, with the pegs that stand out of them, fit."""
    cell = [
        length / count + (PEG_LENGTH_MM if count > 1 else 0)
        for length, count in zip(size, counts, strict=True)
    ]
    width, depth, height = printer.volume_mm
    if min(cell[:2]) > min(width, depth) or max(cell[:2]) > np.hypot(width, depth):
        return False  # no turn about z could help
    return fits_flat(cell[0], cell[1], printer) and cell[2] <= height


def _cell_limits(size: Floats, counts: tuple[int, ...], printer: Printer) -> list[float]:
    """The longest cell along each axis, less its pegs, while the other axes keep equal cells."""
    limits = []
    for axis in range(3):
        even = size[axis] / counts[axis]
        best = even
        for stretch in np.linspace(1.0, 2.0, 41):
            trial = np.array(size, dtype=float)
            trial[axis] *= stretch
            if not _cells_fit(trial, counts, printer):
                break
            best = even * stretch
        limits.append(best)
    return limits


def _even_marks(low: Floats, high: Floats, counts: Counts) -> list[list[float]]:
    return [np.linspace(low[k], high[k], counts[k] + 1).tolist() for k in range(3)]


def _marks(low: Floats, high: Floats, cuts: list[Cut]) -> list[list[float]]:
    return [
        [float(low[k]), *sorted(cut.at for cut in cuts if cut.axis == k), float(high[k])]
        for k in range(3)
    ]


def _placed(body: solid.Solid, printer: Printer, counts: Counts, costs: Costs) -> list[Cut]:
    low, high = np.reshape(body.bounding_box(), (2, 3))
    limits = _cell_limits(high - low, counts, printer)
    cuts: list[Cut] = []
    for axis, count in enumerate(counts):
        if count > 1:
            ends = float(low[axis]), float(high[axis])
            cuts += places_along(body, axis, count, limits[axis], ends, costs)
    return cuts
