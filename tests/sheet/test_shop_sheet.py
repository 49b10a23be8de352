"""The shop sheet holds what the stages found, opens offline, and prints true to size."""

from __future__ import annotations

import json
import re
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browser import opened, printed

import moldsmith as ms
from moldsmith.sheet.blocks import Plan, Table, Ticks
from moldsmith.sheet.drawing import Label
from moldsmith.sheet.job_page import write_index
from moldsmith.sheet.print_sections import assembly, printing
from moldsmith.sheet.scene import scene_of
from moldsmith.sheet.shop_sheet import write_shop_sheet
from moldsmith.supplies.materials import material
from shapes import heightfield, patched

FOAM = material("foam-80")
SMALL = ms.Printer(volume_mm=(110, 110, 120))
MM = 72 / 25.4


def hill(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return np.asarray(14 * np.exp(-(x**2 + y**2) / 700))


@pytest.fixture(scope="module")
def piece(tmp_path_factory: pytest.TempPathFactory) -> ms.Workpiece:
    """A small pad taken through every stage of the route."""
    folder = tmp_path_factory.mktemp("belly")
    scan = patched(heightfield(hill, (90, 70), 3))
    given = ms.Workpiece("belly <1>", dict(scan.bodies), scan.frame, scan.records, folder)
    pad = ms.shell(given, thickness_mm=5, side="inward", taper_mm=12, edge_mm=1, cell_mm=2)
    mold = ms.fasten(ms.channels(ms.block(pad, style="cored")), bolts="M4", bolt_count=4)
    parts = ms.lay_out(ms.split(mold, printer=SMALL), printer=SMALL)
    planned = ms.estimate(ms.overhangs(parts, printer=SMALL), printer=SMALL)
    poured = ms.clamp(ms.mix(ms.fill(planned, material=FOAM), material=FOAM), material=FOAM)
    return ms.timeline(ms.coat(poured, printer=SMALL, material=FOAM), material=FOAM)


@pytest.fixture(scope="module")
def folder(piece: ms.Workpiece, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("job") / "belly"
    write_shop_sheet(piece, folder)
    return folder


@pytest.fixture(scope="module")
def page(folder: Path) -> str:
    return (folder / "sheet.html").read_text(encoding="utf-8")


def anchors(page: str) -> list[str]:
    return re.findall(r'<section id="([\w-]+)"', page)


def test_every_stage_has_its_section(page: str) -> None:
    assert anchors(page) == [
        "piece",
        "view-section",
        "days",
        "care",
        "print",
        "assemble",
        "coat",
        "mix",
        "pour",
        "clamp",
        "trim",
        "findings",
        "stages",
        "numbers",
    ]


def test_a_section_is_missing_where_its_stage_did_not_run(
    piece: ms.Workpiece, tmp_path: Path
) -> None:
    upto = [record["stage"] for record in piece.records].index("split") + 1
    early = ms.Workpiece("early", dict(piece.bodies), piece.frame, piece.records[:upto])
    write_shop_sheet(early, tmp_path)
    found = anchors((tmp_path / "sheet.html").read_text(encoding="utf-8"))
    assert "print" in found
    assert not {"days", "coat", "mix", "clamp"} & set(found)


def test_the_sheet_tells_the_figures_of_the_logs(piece: ms.Workpiece, page: str) -> None:
    mix = piece.record("mix")["figures"]
    for row in mix["parts"]:
        assert f">{row['name']}</td>" in page
        assert f">{row['grams']:g}</td>" in page
    for row in piece.record("fasten")["figures"]["hardware"]:
        size = row["size"].replace(" x ", " \u00d7 ")
        assert f">{size}</td>" in page
    for row in piece.record("lay_out")["figures"]["parts"]:
        assert f"parts/{row['body']}.stl" in page
    for vent, _ in enumerate(piece.record("fill")["figures"]["vents"], 1):
        assert f'font-weight="700">{vent}</text>' in page
    assert piece.record("clamp")["figures"]["assumption"][1:20] in page
    assert page.count('type="checkbox"') > 20


def test_grams_of_parts_and_needs_of_spools_add_up_to_what_is_told_of_all(
    piece: ms.Workpiece,
) -> None:
    section = printing(scene_of(piece))
    assert section is not None
    tables = {one.title: one for one in section.blocks if isinstance(one, Table)}
    total = round(piece.record("estimate")["figures"]["grams"])
    assert sum(int(row[4]) for row in tables[""].rows) == total
    assert sum(int(row[2]) for row in tables["Plates"].rows) == total
    used: dict[str, float] = {}
    for spool, on_it, _, _, needs, enough in tables["Filament, spool by spool"].rows:
        assert enough == "yes"
        left = float(on_it.replace("\u00a0", ""))
        assert left == pytest.approx(1000 - used.get(spool, 0.0), abs=2)  # in the order of use
        used[spool] = used.get(spool, 0.0) + float(needs)


def test_a_part_bears_the_number_of_the_step_that_puts_it_in_place(piece: ms.Workpiece) -> None:
    section = assembly(scene_of(piece))
    assert section is not None
    plan = next(one for one in section.blocks if isinstance(one, Plan))
    ticks = next(one for one in section.blocks if isinstance(one, Ticks))
    names = [shape.text for shape in plan.drawing.shapes if isinstance(shape, Label)]
    numbered = {name.split()[1]: name.split()[0] for name in names if name[:1].isdigit()}
    assert len(numbered) == len(ticks.items) == len(names) - 2  # the first part, and the pad
    for number, step in enumerate(ticks.items, 1):
        assert numbered[step.what.split()[0]] == str(number)


def test_names_are_escaped(page: str) -> None:
    assert "belly &lt;1&gt;" in page
    assert "belly <1>" not in page


def test_the_page_names_no_address_but_its_own(page: str) -> None:
    head = page.split("<script", 1)[0]
    assert "default-src 'none'" in head
    targets = re.findall(r'(?:src|href)="([^"]{0,40})', page)
    assert targets
    assert all(to.startswith(("data:", "#", "sheet.pdf")) for to in targets)
    outside = set(re.findall(r"https?://[\w./-]+", page))
    assert outside <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xhtml"}


def test_equal_work_gives_equal_bytes_and_is_not_drawn_twice(
    piece: ms.Workpiece, folder: Path, tmp_path: Path
) -> None:
    paths = write_shop_sheet(piece, tmp_path)
    assert [path.name for path in paths] == ["sheet.html", "sheet.pdf", "sheet.png"]
    for path in paths:
        assert path.read_bytes() == (folder / path.name).read_bytes()
    before = [path.stat().st_mtime_ns for path in paths]
    write_shop_sheet(piece, tmp_path)
    assert [path.stat().st_mtime_ns for path in paths] == before


def test_the_page_stays_small(folder: Path) -> None:
    assert (folder / "sheet.html").stat().st_size < 6e6


def test_the_view_holds_every_body_within_a_step_of_where_it_is(
    piece: ms.Workpiece, page: str
) -> None:
    import base64

    text = re.search(r'id="view-model">(.*?)</script>', page, re.S)
    assert text is not None
    model = json.loads(text.group(1))
    assert {body["name"] for body in model["bodies"]} == set(piece.bodies)
    assert [one["key"] for one in model["maps"]] == ["thickness", "undercut", "overhang", "cusp"]
    for body in model["bodies"]:
        whole = np.frombuffer(base64.b64decode(body["places"]), "<u2").reshape(-1, 3)
        bounds = np.array([whole.min(axis=0), whole.max(axis=0)]) * model["step"] + model["low"]
        assert bounds == pytest.approx(piece.body(body["name"]).bounds, abs=0.05)
        kind = "<u4" if body["wide"] else "<u2"
        corners = np.frombuffer(base64.b64decode(body["corners"]), kind)
        assert corners.max() < len(whole)
        for levels in body["maps"].values():
            assert len(base64.b64decode(levels)) == len(corners) // 3


def test_the_page_opens_without_errors_or_requests_and_the_view_draws(
    folder: Path, tmp_path: Path
) -> None:
    probe = """
    <script>
    const names = performance.getEntriesByType("resource").map((one) => one.name);
    const asked = names.filter((name) => !name.startsWith("data:"));
    document.documentElement.dataset.asked = asked.length;
    </script></body>"""
    text = (folder / "sheet.html").read_text(encoding="utf-8")
    probed = tmp_path / "probed.html"
    probed.write_text(text.replace("</body>", probe), encoding="utf-8")
    shown = opened(probed, tmp_path)
    assert shown.console == ()  # a refused request would be told here: the page's own rule
    assert shown.data("asked") == "0"
    assert shown.data("view") == "drawn"
    assert float(shown.data("view-inked")) > 0.02
    pictures = re.findall(r"<img[^>]*>", shown.document)
    assert len(pictures) >= 8
    assert all('src="data:image/png;base64,' in one for one in pictures)


def test_nothing_is_cut_where_the_page_is_printed_on_a4(folder: Path, tmp_path: Path) -> None:
    measured = tmp_path / "measured.html"
    probe = """
    <script>
    // As wide as what A4 leaves between the page's margins: whatever sticks out would be cut.
    const root = document.documentElement, width = (186 * 96) / 25.4;
    document.body.style.cssText = `width:${width}px;max-width:none;padding:0;margin:0`;
    root.style.fontSize = "10.5pt";
    document.querySelectorAll(".screen, nav").forEach((one) => one.remove());
    let worst = 0;
    document.querySelectorAll("body *").forEach((one) => {
      if (["SCRIPT", "STYLE"].includes(one.tagName)) return;
      worst = Math.max(worst, one.getBoundingClientRect().right - width);
      if (one.scrollWidth > one.clientWidth + 1 && getComputedStyle(one).overflowX !== "visible")
        worst = Math.max(worst, one.scrollWidth - one.clientWidth);
    });
    root.dataset.sticksOut = worst.toFixed(2);
    </script></body>"""
    text = (folder / "sheet.html").read_text(encoding="utf-8")
    measured.write_text(text.replace("</body>", probe), encoding="utf-8")
    assert float(opened(measured, tmp_path).data("sticks-out")) < 1.0
    pages = printed(folder / "sheet.html", tmp_path)
    assert pages.startswith(b"%PDF")
    assert len(re.findall(rb"/Type\s*/Page\b", pages)) >= 5


def streams(data: bytes) -> list[str]:
    """The drawing commands of a PDF's pages."""
    found = []
    for raw in re.findall(rb"stream\r?\n(.*?)\r?\n?endstream", data, re.S):
        try:
            found.append(zlib.decompress(raw).decode("latin-1"))
        except zlib.error:
            continue
    return found


def test_the_pdf_is_a4_and_keeps_clear_of_what_letter_would_cut(folder: Path) -> None:
    data = (folder / "sheet.pdf").read_bytes()
    boxes = re.findall(rb"/MediaBox \[ ?([\d. ]+)\]", data)
    assert boxes
    for box in boxes:
        assert [float(value) for value in box.split()][2:] == pytest.approx(
            [210 * MM, 297 * MM], abs=0.1
        )
    shorter = (297 - 279.4) * MM  # all of it may be lost at either end, as the driver puts it
    pages = [stream for stream in streams(data) if stream.startswith("1 0 0 1 0 0 cm")]
    assert len(pages) == len(boxes)
    for stream in pages:
        for x, y in placed(stream):
            assert x >= 10 * MM
            assert shorter < y < 297 * MM - shorter


def placed(stream: str) -> list[tuple[float, float]]:
    """Where the boxes of a page are put, of those not within another."""
    found, depth, begun = [], 0, False
    for text in stream.splitlines():
        depth += {"q": 1, "Q": -1}.get(text, 0)
        begun = begun and depth > 0
        at = re.match(r"(?:BT )?1 0 0 1 ([\d.-]+) ([\d.-]+) (?:cm|Tm)", text)
        if depth == 1 and at and not begun:
            found.append((float(at.group(1)), float(at.group(2))))
            begun = True
    return found


def test_the_ruler_is_100_mm_long(folder: Path) -> None:
    lengths = []
    for stream in streams((folder / "sheet.pdf").read_bytes()):
        # The ruler's base is a lone level line; all scales before it must be 1.
        for match in re.finditer(r"n ([\d.-]+) ([\d.-]+) m ([\d.-]+) ([\d.-]+) l\s+S", stream):
            x, y, end, level = (float(value) for value in match.groups())
            if y == level and abs((end - x) / MM - 100) < 5:
                lengths.append((end - x) / MM)
                scales = re.findall(r"([\d.-]+) 0 0 ([\d.-]+) [\d.-]+ [\d.-]+ cm", stream)
                assert {(float(a), float(b)) for a, b in scales} <= {(1.0, 1.0)}
    assert lengths
    assert lengths == pytest.approx([100] * len(lengths), abs=0.2)


def test_the_plan_at_full_size_has_the_molds_own_width(piece: ms.Workpiece, folder: Path) -> None:
    low_x, _, high_x, _ = piece.record("block")["figures"]["outline_mm"]
    wide = high_x - low_x
    widths: list[float] = []
    for stream in streams((folder / "sheet.pdf").read_bytes()):
        for path in re.findall(r"n ((?:[\d.-]+ [\d.-]+ [ml]\s+){3,5})h\s+S", stream):
            points = np.array(re.findall(r"([\d.-]+) ([\d.-]+) [ml]", path), dtype=float) / MM
            widths.extend(np.ptp(points, axis=0).tolist())
    assert min(abs(width - wide) for width in widths) < 0.05


def test_the_jobs_page_sums_its_pieces_up(
    piece: ms.Workpiece, folder: Path, tmp_path: Path
) -> None:
    entry: dict[str, Any] = {
        "name": "belly",
        "status": "finished",
        "error": "",
        "parts": [{}] * len(piece.record("lay_out")["figures"]["parts"]),
        "pad_volume_cm3": 20.0,
        "findings": [
            {"code": "few-keys", "severity": "warning", "message": "add some", "body": "core"}
        ],
    }
    failed = {**entry, "status": "failed", "error": "calf: heal: no scan", "parts": []}
    logs = folder.parent / "belly"
    for number, record in enumerate(piece.records, 1):
        path = logs / f"{number:02d}-{record['stage']}" / "log.json"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(record), encoding="utf-8")
    index = write_index(folder.parent, {"belly": entry, "calf": failed}, "troll")
    text = index.read_text(encoding="utf-8")
    assert "<h1>troll</h1>" in text
    assert 'href="belly/sheet.html"' in text
    assert "calf: heal: no scan" in text
    assert "Few keys" in text.title() or "few keys" in text
    mixed = piece.record("mix")["figures"]["mixed_g"]
    assert f"{mixed:.0f} <small>g</small>" in text
    assert "Spools are shared out among all plates of the job" in text
    weight = round(piece.record("estimate")["figures"]["grams"])
    assert f'PLA</td><td class="number">{weight}</td>' in text
    shown = opened(index, tmp_path)
    assert shown.console == ()
