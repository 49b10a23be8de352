"""The mold from above: outline, trim line, sprues, numbered vents, bolts, slots."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from ..workpiece import Workpiece
from .drawing import Circle, Drawing, Label, Shape, Tone, line
from .logs import figures

__all__ = ["drilled_by", "low_points", "mold_plan", "numbered_vents", "plan_bounds"]

Floats = NDArray[np.float64]
_ROOM_MM = 9.0  # round the outline, for what stands beside it
_LONGEST_MM = (186.0, 91.0)  # of a plan on a page, beside vents and fill curve
_LETTER_MM = 4.6
_UNDER_MM = 20.0  # a place so near to a sprue is under it
_WORDS_MM = 42.0  # of the words to the arrow


def mold_plan(piece: Workpiece, *, full_size: bool = False) -> Drawing | None:
    """The plan looked down on along the pull; None before the mold is made.

    full_size : 1:1, to drill by; else as large as a page takes
    """
    bounds = plan_bounds(piece)
    if bounds is None:
        return None
    page = _Page(bounds, full_size)
    shapes: list[Shape] = []
    block = figures(piece, "block")
    if block.get("outline_plan"):
        shapes.append(page.loop(block["outline_plan"], "ink", 0.7))
    shapes += [page.loop(plan, "soft", 0.35) for plan in _pockets(piece)]
    trim = block.get("trim_plan")
    if trim:
        shapes.append(page.loop(_thinned(trim, 0.1 / page.share), "accent", 0.9, "tint"))
    shapes += _heads(page, piece)
    shapes += _bolts(page, figures(piece, "fasten"))
    shapes += _sprues(page, figures(piece, "channels").get("sprues") or ())
    for number, row in numbered_vents(piece):
        shapes += _vent(page, number, row)
    shapes += _wearer(page, piece)
    shapes += _scale(page) if not full_size else []
    return Drawing(page.width, page.height, tuple(shapes))


def drilled_by(piece: Workpiece) -> bool:
    """Whether a plan at 1:1 is of use: core or lid lies level over one trim line.

    The ends of a sleeve between side pieces are seen one over the other.
    """
    return figures(piece, "block").get("style") in ("cored", "lidded")


def numbered_vents(piece: Workpiece) -> list[tuple[int, Mapping[str, Any]]]:
    """Each vent and its number: in the order of filling once that is known."""
    told = figures(piece, "fill").get("vents")
    if told:
        return [(int(row["number"]), row) for row in told]
    return list(enumerate(figures(piece, "channels").get("vents") or (), 1))


def plan_bounds(piece: Workpiece) -> tuple[Floats, Floats] | None:
    """Lowest and highest x, y of the mold in plan."""
    block = figures(piece, "block")
    if block.get("outline_plan"):
        points = np.asarray(block["outline_plan"], dtype=float)
        return points.min(axis=0), points.max(axis=0)
    if block.get("outline_mm"):
        low_x, low_y, high_x, high_y = (float(value) for value in block["outline_mm"])
        return np.array([low_x, low_y]), np.array([high_x, high_y])
    return None


class _Page:
    """From mold x, y to places on the page."""

    def __init__(self, bounds: tuple[Floats, Floats], full_size: bool) -> None:
        low, high = bounds
        size = high - low
        fit = float(min((np.array(_LONGEST_MM) - 2 * _ROOM_MM) / np.maximum(size, 1e-6)))
        self.share = 1.0 if full_size else min(fit, 1.0)
        self.low = low
        inner = size * self.share
        self.width = float(inner[0]) + 2 * _ROOM_MM
        if not full_size:
            self.width = _LONGEST_MM[0]
        self.height = float(inner[1]) + 2 * _ROOM_MM
        self.left = (self.width - float(inner[0])) / 2
        self.inner = inner

    def at(self, x: float, y: float) -> tuple[float, float]:
        return (
            self.left + (x - float(self.low[0])) * self.share,
            _ROOM_MM + (y - float(self.low[1])) * self.share,
        )

    def loop(
        self,
        points: Sequence[Sequence[float]] | Floats,
        stroke: Tone,
        width: float,
        fill: Tone | None = None,
    ) -> Shape:
        placed = [self.at(float(point[0]), float(point[1])) for point in points]
        return line(placed, stroke, width, closed=True, fill=fill)


def _pockets(piece: Workpiece) -> list[Sequence[Sequence[float]]]:
    told = figures(piece, "fasten")
    rows = [*(told.get("pry_slots") or ()), *(told.get("finger_reliefs") or ())]
    return [row["plan"] for row in rows if row.get("plan")]


def _thinned(points: Sequence[Sequence[float]], tolerance: float) -> Floats:
    """The loop with fewer points, none farther off than the tolerance."""
    ring = shapely.LinearRing(np.asarray(points, dtype=float))
    return np.asarray(ring.simplify(tolerance).coords)[:-1]


def _bolts(page: _Page, told: Mapping[str, Any]) -> list[Shape]:
    shapes: list[Shape] = []
    rows = [*(told.get("bolts") or ()), *(told.get("jack_screws") or ())]
    for row in rows:
        x, y = page.at(float(row["x"]), float(row["y"]))
        radius = max(float(row.get("hole_mm", 6)) / 2 * page.share, 1.3)
        shapes += [
            Circle(x, y, radius, "ink", 0.4, "paper"),
            line([(x - radius - 1.4, y), (x + radius + 1.4, y)], "ink", 0.25),
            line([(x, y - radius - 1.4), (x, y + radius + 1.4)], "ink", 0.25),
        ]
    return shapes


def _sprues(page: _Page, rows: Sequence[Mapping[str, Any]]) -> list[Shape]:
    shapes: list[Shape] = []
    for row in rows:
        x, y = page.at(float(row["x"]), float(row["y"]))
        bore = float(row["void_mm"]) / 2 * page.share
        mouth = max(float(row["funnel_mm"]), float(row["outside_mm"])) / 2 * page.share
        # Toward the middle, where no outline runs through the word.
        right = x <= page.width / 2 + 1
        shapes += [
            Circle(x, y, mouth, "ink", 0.5, "paper"),
            Circle(x, y, bore, "ink", 0.4, "ink"),
            Label(
                x + (mouth + 1.8) * (1 if right else -1),
                y,
                "sprue",
                _LETTER_MM,
                "start" if right else "end",
                bold=True,
            ),
        ]
    return shapes


def _vent(page: _Page, number: int, row: Mapping[str, Any]) -> list[Shape]:
    """The bore itself, and its number in a ring beside it, toward the middle of the plan."""
    x, y = page.at(float(row["x"]), float(row["y"]))
    bore = float(row.get("bore_mm") or row.get("void_mm") or 3) / 2 * page.share
    inward = np.array([page.width / 2 - x, page.height / 2 - y])
    inward = inward / max(float(np.linalg.norm(inward)), 1e-6)
    at = np.array([x, y]) + inward * 9.5
    return [
        line([(x, y), (float(at[0]), float(at[1]))], "ink", 0.3),
        Circle(x, y, max(bore, 0.9), "ink", 0.4, "accent"),
        Circle(float(at[0]), float(at[1]), 4.1, "ink", 0.6, "paper"),
        Label(float(at[0]), float(at[1]), str(number), 4.8, "middle", bold=True),
    ]


def low_points(piece: Workpiece) -> list[Sequence[float]]:
    """Where an open cavity is poured first, but for what lies under a sprue."""
    if not drilled_by(piece):
        return []
    sprues = figures(piece, "channels").get("sprues") or ()
    places: Sequence[Sequence[float]] = figures(piece, "fill").get("pour_first") or ()
    return [
        place
        for place in places[:4]
        if all(
            np.hypot(place[0] - float(row["x"]), place[1] - float(row["y"]))
            > max(float(row["funnel_mm"]) / 2, _UNDER_MM)
            for row in sprues
        )
    ]


def _heads(page: _Page, piece: Workpiece) -> list[Shape]:
    """Triangles where an open cavity is poured first."""
    shapes: list[Shape] = []
    for place in low_points(piece):
        x, y = page.at(float(place[0]), float(place[1]))
        tip = [(x - 3, y + 2.6), (x + 3, y + 2.6), (x, y - 3)]
        shapes.append(line(tip, "ink", 0.4, closed=True, fill="paper"))
    return shapes


def _wearer(page: _Page, piece: Workpiece) -> list[Shape]:
    """An arrow to the wearer's head, where the plan shows it."""
    if piece.frame.pull is None:
        return []
    up = np.asarray(piece.frame.up[:2])
    if float(np.linalg.norm(up)) < 0.3:
        return []
    way = up / np.linalg.norm(up)
    foot = _free_place(page, piece) - 6 * way
    tip = foot + 12 * way
    side = np.array([-way[1], way[0]])
    head = [tip, tip - 4 * way + 1.8 * side, tip - 4 * way - 1.8 * side]
    beside = foot + 6 * way + [5.0, 0.0]
    return [
        line(np.array([foot, tip - 3 * way]), "ink", 0.5),
        line(np.array(head), "ink", 0.2, closed=True, fill="ink"),
        Label(float(beside[0]), float(beside[1]), "to the wearer's head", 3.4),
    ]


def _free_place(page: _Page, piece: Workpiece) -> Floats:
    """Beside the plan, or where in it arrow and words lie on no line, far from every opening."""
    if page.left > _WORDS_MM + 4:
        return np.array([6.0, page.height / 2])
    low, inner = np.array([page.left, _ROOM_MM]), page.inner
    shares = np.array([[x, y] for y in np.linspace(0.1, 0.9, 17) for x in (0.3, 0.2, 0.1, 0.4)])
    places: Floats = low + inner * shares
    boxes = shapely.box(
        places[:, 0] - 7, places[:, 1] - 7, places[:, 0] + _WORDS_MM, places[:, 1] + 7
    )
    trim = figures(piece, "block").get("trim_plan") or ()
    if len(trim) > 2:
        clear = ~shapely.intersects(
            boxes, shapely.LinearRing([page.at(float(x), float(y)) for x, y, *_ in trim])
        )
        boxes, places = (boxes[clear], places[clear]) if clear.any() else (boxes, places)
    rows = [row for _, row in numbered_vents(piece)]
    rows += figures(piece, "channels").get("sprues") or ()
    if not rows:
        return np.asarray(places[0])
    taken = shapely.points([page.at(float(row["x"]), float(row["y"])) for row in rows])
    away = shapely.distance(boxes[:, None], taken).min(axis=1)
    return np.asarray(places[np.argmax(away)])


def _scale(page: _Page) -> list[Shape]:
    """A bar of a round length below the plan."""
    wanted = 45 / page.share
    decade = 10 ** np.floor(np.log10(wanted))
    length = float(max(k * decade for k in (1, 2, 5) if k * decade <= wanted))
    x, y = page.left, 2.6
    end = x + length * page.share
    return [
        line([(x, y), (end, y)], "ink", 0.6),
        Label(end + 2, y, f"{length:g} mm", 3.4),
        Label(page.left + float(page.inner[0]), y, "front edge", 3.4, "end", "soft"),
    ]
