"""What unit the numbers of a scan file are in.

Sources: 3MF core specification 1.4.0 (3MF Consortium): `unit` is one of
micron, millimeter (the default), centimeter, inch, foot, meter; indices are
0-based; only the model part is required of the 3MF parts. Binary STL has no
unit (kaitai ``media/stl.ksy``). 1 inch is 25.4 mm, 1 foot 304.8 mm
(International Yard and Pound Agreement, 1959).
"""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest
import trimesh

import moldsmith as ms
from moldsmith.geometry import stl

MM = {"micron": 0.001, "millimeter": 1, "centimeter": 10, "inch": 25.4, "foot": 304.8, "meter": 1e3}


def written_3mf(path: Path, mesh: trimesh.Trimesh, unit: str | None) -> Path:
    """A package of the least a reader needs, written by hand from the specification."""
    core = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
    package = "http://schemas.openxmlformats.org/package/2006"
    start = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
    vertices = "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in mesh.vertices.tolist())
    triangles = "".join(
        f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in mesh.faces.tolist()
    )
    model = (
        f'<model xmlns="{core}"{f" unit={unit!r}" if unit else ""}><resources>'
        f'<object id="1" type="model"><mesh><vertices>{vertices}</vertices>'
        f"<triangles>{triangles}</triangles></mesh></object></resources>"
        '<build><item objectid="1"/></build></model>'
    )
    kinds = (
        f'<Types xmlns="{package}/content-types"><Default Extension="model" '
        'ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/><Default '
        'Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        "</Types>"
    )
    links = (
        f'<Relationships xmlns="{package}/relationships"><Relationship Id="a" Type="{start}" '
        'Target="/3D/3dmodel.model"/></Relationships>'
    )
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("[Content_Types].xml", kinds)
        archive.writestr("_rels/.rels", links)
        archive.writestr("3D/3dmodel.model", model)
    return path


def body_of(size_mm: float, unit_mm: float) -> trimesh.Trimesh:
    """A lump of that height, in numbers of a unit."""
    lump = trimesh.creation.icosphere(subdivisions=2, radius=0.5)
    lump.apply_scale(size_mm / lump.extents.max() / unit_mm)
    return lump


@pytest.mark.parametrize("unit", sorted(MM))
def test_3mf_is_read_in_the_unit_it_states(tmp_path: Path, unit: str) -> None:
    path = written_3mf(tmp_path / "belly.3mf", body_of(400, MM[unit]), unit)
    piece = ms.load_scan(path)
    assert piece.body("scan").extents.max() == pytest.approx(400, rel=1e-6)


def test_3mf_without_a_unit_is_in_millimetres(tmp_path: Path) -> None:
    path = written_3mf(tmp_path / "belly.3mf", body_of(400, 1), None)
    assert ms.load_scan(path).body("scan").extents.max() == pytest.approx(400, rel=1e-6)


@pytest.mark.parametrize(("unit", "mm"), [("mm", 1), ("cm", 10), ("inch", 25.4), ("m", 1000)])
def test_stl_has_no_unit_and_takes_the_one_given(tmp_path: Path, unit: str, mm: float) -> None:
    mesh = body_of(400, mm)
    path = tmp_path / "belly.stl"
    path.write_bytes(stl.encode(mesh.vertices, mesh.faces))
    piece = ms.load_scan(path, unit=unit)
    assert piece.body("scan").extents.max() == pytest.approx(400, rel=1e-6)


def test_stl_without_a_unit_given_says_that_it_was_guessed(tmp_path: Path) -> None:
    mesh = body_of(1700, 1)
    path = tmp_path / "body.stl"
    path.write_bytes(stl.encode(mesh.vertices, mesh.faces))
    piece = ms.load_scan(path)
    assert piece.body("scan").extents.max() == pytest.approx(1700, rel=1e-6)
    assert piece.record("load_scan")["figures"]["unit_source"] == "guessed"
    assert piece.findings
