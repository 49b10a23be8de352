"""A sheet set as one HTML page that needs nothing beside it."""

from __future__ import annotations

import base64
import json
from functools import cache
from html import escape
from importlib.resources import files
from string import Template

from .blocks import (
    MOST_KEPT_ROWS,
    MOST_KEPT_STEPS,
    Block,
    Figures,
    Picture,
    Pictures,
    Plan,
    Remark,
    Section,
    Sheet,
    Table,
    Text,
    Ticks,
)
from .drawing import TONES, Circle, Drawing, Label, Line, Raster, Shape, Tone

__all__ = ["page", "svg"]

_WORDS = {"note": "Note", "warning": "Warning", "stop": "Stop"}
_MAPS = {
    "thickness": "Thickness",
    "undercut": "Undercut",
    "overhang": "Overhang",
    "cusp": "Layer steps",
}
_SIDES = {
    "Three-quarter": "0.8,0.6,0.55",
    "Front": "1,0,0",
    "Left": "0,$left,0",
    "Back": "-1,0,0",
    "Top": "0.001,0,1",
    "Bottom": "0.001,0,-1",
}


def page(sheet: Sheet, view: str = "") -> str:
    """The page. It carries its style, pictures and programs, and may ask nothing of a network.

    view : JSON of the bodies for the 3-D view (`view_model`), which is left out without; it has
        the page to itself where the sheet has no sections
    """
    sections = [_section(number, one) for number, one in enumerate(sheet.sections, 1)]
    shown = _view(view) if view else ""
    alone = bool(view) and not sections
    parts = [_header(sheet, bool(view)), *sections[:1], shown, *sections[1:], _footer()]
    scripts = ""
    if view:
        scripts = "\n".join(
            (
                f'<script type="application/json" id="view-model">{_inert(view)}</script>',
                f"<!--\nThe 3-D view draws with this library:\n{_asset('vendor/LICENSE')}-->",
                f"<script>{_asset('vendor/three.min.js')}</script>",
                f"<script>\n{_asset('view.js')}</script>",
            )
        )
    return Template(_asset("page.html")).substitute(
        title=escape(f"{sheet.name}: {sheet.kind}"),
        mark=escape(sheet.mark),
        style=_asset("page.css"),
        kind=' class="alone"' if alone else "",
        body="\n".join(part for part in parts if part),
        scripts=scripts,
    )


def svg(drawing: Drawing, title: str = "") -> str:
    """A drawing as an inline SVG element, y turned to run down."""
    size = f"{_number(drawing.width_mm)} {_number(drawing.height_mm)}"
    shapes = "".join(_shape(shape, drawing.height_mm) for shape in drawing.shapes)
    name = f"<title>{escape(title)}</title>" if title else ""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size}" role="img">'
        f"{name}{shapes}</svg>"
    )


@cache
def _asset(name: str) -> str:
    text = files(__package__).joinpath(name).read_text(encoding="utf-8")
    if name.endswith(".js") and "</script" in text:
        raise ValueError(f"{name} would end the page's script early")
    return text


def _inert(text: str) -> str:
    """JSON that cannot end the script element that it stands in."""
    return text.replace("<", "\\u003c")


def _header(sheet: Sheet, has_view: bool) -> str:
    anchors = [(one.title, f"#{one.key}") for one in sheet.sections]
    if has_view:
        anchors.insert(1, ("3-D view", "#view-section"))
    anchors += sheet.links
    links = "".join(f'<a href="{escape(to)}">{escape(text)}</a>' for text, to in anchors)
    return (
        f'<header><p class="kind">{escape(sheet.kind)}</p><h1>{escape(sheet.name)}</h1>'
        f'<p class="lead">{escape(sheet.lead)}</p></header><nav>{links}</nav>'
    )


def _footer() -> str:
    return (
        "<footer>Prints on A4 and Letter. The product's safety data sheet, local codes and "
        "licensed practice come before this sheet.</footer>"
    )


def _section(number: int, section: Section) -> str:
    first = next(
        (k for k, one in enumerate(section.blocks) if not isinstance(one, Figures | Text)),
        len(section.blocks) - 1,
    )
    head = (
        f'<h2><span class="number">{number}</span><span>{escape(section.title)}</span></h2>'
        + "".join(_block(block) for block in section.blocks[: first + 1])
    )
    rest = "".join(_block(block) for block in section.blocks[first + 1 :])
    kind = ' class="whole"' if section.whole else ""
    led = _kept(head) if first < 0 or _short(section.blocks[first]) else head
    return f'<section id="{escape(section.key)}"{kind}>{led}{rest}</section>'


def _kept(inside: str) -> str:
    """What is not broken over two pages where it is printed."""
    return f'<div class="kept">{inside}</div>'


def _short(block: Block) -> bool:
    match block:
        case Table(rows=rows):
            return len(rows) <= MOST_KEPT_ROWS
        case Ticks(items=items):
            return len(items) <= MOST_KEPT_STEPS
        case Pictures(items=items, columns=columns):
            return len(items) <= 2 * columns
    return True


def _block(block: Block) -> str:
    match block:
        case Figures(items):
            return (
                '<div class="figures">'
                + "".join(
                    f"<div><b>{escape(one.value)} <small>{escape(one.unit)}</small></b>"
                    f"<span>{escape(one.what)}</span></div>"
                    for one in items
                )
                + "</div>"
            )
        case Text(text, small):
            return f'<p class="small">{escape(text)}</p>' if small else f"<p>{escape(text)}</p>"
        case Table():
            return _table(block)
        case Ticks():
            return _ticks(block)
        case Remark():
            return _remark(block)
        case Pictures(items, columns, caption):
            inside = "".join(_picture(one) for one in items)
            said = f'<p class="small">{escape(caption)}</p>' if caption else ""
            return f'<div class="pictures of-{columns}">{inside}</div>{said}'
        case Plan(drawing, caption):
            return f"<figure>{svg(drawing, caption)}{_caption(caption)}</figure>"


def _remark(remark: Remark) -> str:
    word = _WORDS[remark.severity] if remark.named and remark.severity != "note" else ""
    of = f'<span class="of">{word}</span>' if word else ""
    place = f" ({escape(remark.where)})" if remark.where else ""
    source = f'<p class="small">Source: {escape(remark.source)}</p>' if remark.source else ""
    return (
        f'<div class="remark {remark.severity}"><b>{of}{escape(remark.heading)}{place}</b>'
        f"<p>{escape(remark.text)}</p>{source}</div>"
    )


def _table(table: Table) -> str:
    box = '<th class="box"></th>' if table.tick else ""
    heads = "".join(
        f"<th{_class(column.number)}>{escape(column.title)}</th>" for column in table.columns
    )
    rows = "".join(
        "<tr>"
        + ('<td class="box"><input type="checkbox" aria-label="done"></td>' if table.tick else "")
        + "".join(
            f"<td{_class(column.number, place == 0)}>{escape(cell)}</td>"
            for place, (column, cell) in enumerate(zip(table.columns, row, strict=True))
        )
        + "</tr>"
        for row in table.rows
    )
    title = f"<h3>{escape(table.title)}</h3>" if table.title else ""
    text = (
        f'{title}<div class="wide"><table>{_widths(table)}'
        f"<thead><tr>{box}{heads}</tr></thead><tbody>{rows}</tbody></table></div>"
    )
    return _kept(text) if _short(table) else text


def _widths(table: Table) -> str:
    total = sum(column.share for column in table.columns)
    columns = "".join(
        f'<col style="width:{100 * column.share / total:.1f}%">' for column in table.columns
    )
    box = '<col class="box">' if table.tick else ""
    return f"<colgroup>{box}{columns}</colgroup>"


def _class(number: bool, lead: bool = False) -> str:
    words = [*(["number"] if number else []), *(["lead"] if lead else [])]
    return f' class="{" ".join(words)}"' if words else ""


def _ticks(ticks: Ticks) -> str:
    title = f"<h3>{escape(ticks.title)}</h3>" if ticks.title else ""
    items = "".join(
        '<li><input type="checkbox" aria-label="done">'
        + (f'<span class="order">{number}</span>' if ticks.numbered else "")
        + f"<div><b>{escape(one.what)}</b>"
        + (f'<span class="aside">{escape(one.note)}</span>' if one.note else "")
        + "</div></li>"
        for number, one in enumerate(ticks.items, 1)
    )
    text = f'{title}<ul class="ticks">{items}</ul>'
    return _kept(text) if _short(ticks) else text


def _picture(picture: Picture) -> str:
    image = (
        f'<img src="{_data_url(picture.png)}" alt="{escape(picture.caption)}" '
        f'width="{picture.width_px}" height="{picture.height_px}">'
    )
    if picture.link:
        image = f'<a href="{escape(picture.link)}">{image}</a>'
    return f"<figure>{image}{_caption(picture.caption)}</figure>"


def _caption(text: str) -> str:
    return f"<figcaption>{escape(text)}</figcaption>" if text else ""


def _data_url(png: bytes) -> str:
    return "data:image/png;base64," + base64.b64encode(png).decode()


def _view(view: str) -> str:
    model = json.loads(view)
    bodies = "".join(
        f'<button type="button" data-body="{k}" aria-pressed="{str(body["shown"]).lower()}">'
        f'<i style="background:rgb({",".join(map(str, body["colour"]))})"></i>'
        f"{escape(body['name'])}</button>"
        for k, body in enumerate(model["bodies"])
    )
    maps = "".join(
        f'<button type="button" data-map="{escape(key)}" '
        f'aria-pressed="{str(not key).lower()}">{escape(title)}</button>'
        for key, title in (
            ("", "Bodies"),
            *((one["key"], _MAPS.get(one["key"], one["key"])) for one in model["maps"]),
        )
    )
    sides = "".join(
        f'<button type="button" data-side="{to.replace("$left", str(model["left"]))}">'
        f"{name}</button>"
        for name, to in _SIDES.items()
    )
    slider = ""
    if any(any(body["apart"]) for body in model["bodies"]):
        slider = (
            '<div><label class="label" for="view-apart">Apart</label>'
            '<input id="view-apart" type="range" min="0" max="1" step="0.01" value="1"></div>'
        )
    return (
        '<section id="view-section" class="screen"><h2><span>3-D view</span></h2>'
        '<p id="view-missing" hidden>This browser shows no 3-D (WebGL is off). '
        "The pictures below show the same bodies.</p>"
        '<div id="view-box"><canvas id="view"></canvas><div class="panel">'
        f'{slider}<div><span class="label">Colour</span>{maps}</div>'
        '<div id="view-scale"><span class="of"></span><span class="low"></span>'
        '<canvas width="255" height="1"></canvas><span class="high"></span></div>'
        f'<div><span class="label">Show</span>{bodies}</div>'
        f'<div><span class="label">From</span>{sides}</div></div></div>'
        '<p class="small">Drag to turn, wheel or two fingers to come nearer, right button or two '
        "fingers to move. The bodies are shown with fewer triangles than their files have.</p>"
        "</section>"
    )


def _shape(shape: Shape, height: float) -> str:
    match shape:
        case Line(points, stroke, width, closed, fill, dash):
            path = " ".join(f"{_number(x)},{_number(height - y)}" for x, y in points)
            dashed = f' stroke-dasharray="{_number(dash)}"' if dash else ""
            tag = "polygon" if closed else "polyline"
            ink = _tones(stroke, width, fill)
            return f'<{tag} points="{path}" {ink} stroke-linejoin="round"{dashed}/>'
        case Circle(x, y, radius, stroke, width, fill):
            at = f'cx="{_number(x)}" cy="{_number(height - y)}" r="{_number(radius)}"'
            return f"<circle {at} {_tones(stroke, width, fill)}/>"
        case Label(x, y, text, size, anchor, tone, bold):
            at = f'x="{_number(x)}" y="{_number(height - y + 0.36 * size)}"'
            weight = ' font-weight="700"' if bold else ""
            return (
                f'<text {at} font-size="{_number(size)}" text-anchor="{anchor}" '
                f'fill="{TONES[tone]}"{weight}>{escape(text)}</text>'
            )
        case Raster(x, y, wide, tall, png):
            at = f'x="{_number(x)}" y="{_number(height - y - tall)}"'
            box = f'width="{_number(wide)}" height="{_number(tall)}"'
            return f'<image {at} {box} preserveAspectRatio="none" href="{_data_url(png)}"/>'


def _tones(stroke: Tone | None, width: float, fill: Tone | None) -> str:
    line = f'stroke="{TONES[stroke]}" stroke-width="{_number(width)}"' if stroke else ""
    return f'fill="{TONES[fill] if fill else "none"}" {line}'.rstrip()


def _number(value: float) -> str:
    return f"{value:.3f}".rstrip("0").rstrip(".")
