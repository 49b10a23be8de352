"""Scan files of every kind, good and bad."""

from __future__ import annotations

import json
import struct
import zipfile
from pathlib import Path

import numpy as np
import pytest
import trimesh

from moldsmith import BadParameter, BadScan, load_scan
from moldsmith.geometry import stl


def ball(size: float = 300.0) -> trimesh.Trimesh:
    return trimesh.creation.icosphere(2, size / 2)


def saved(mesh: trimesh.Trimesh | trimesh.Scene, path: Path) -> Path:
    data = mesh.export(file_type=path.suffix[1:])
    path.write_bytes(data.encode() if isinstance(data, str) else data)
    return path


@pytest.mark.parametrize("suffix", [".stl", ".obj", ".ply"])
def test_every_unitless_kind_is_read_in_the_unit_given(tmp_path: Path, suffix: str) -> None:
    path = saved(ball(30), tmp_path / f"belly{suffix}")
    piece = load_scan(path, unit="cm")
    assert piece.name == "belly"
    assert np.ptp(piece.body("scan").vertices, axis=0) == pytest.approx([300] * 3, rel=1e-6)
    assert len(piece.body("scan").faces) == 320
    assert piece.findings == ()


def test_glb_is_metres_by_its_standard(tmp_path: Path) -> None:
    """Source: glTF 2.0 specification, coordinate system and units."""
    piece = load_scan(saved(ball(0.3), tmp_path / "a.glb"))
    assert np.ptp(piece.body("scan").vertices, axis=0) == pytest.approx([300] * 3, rel=1e-5)
    assert piece.record("load_scan")["figures"]["unit_source"] == "file"


@pytest.mark.parametrize(
    ("stated", "factor"), [("millimeter", 1.0), ("inch", 25.4), ("centimeter", 10.0)]
)
def test_3mf_is_in_the_unit_it_states(tmp_path: Path, stated: str, factor: float) -> None:
    """Source: 3MF core specification, model element, unit attribute."""
    plain = saved(ball(300 / factor), tmp_path / "plain.3mf")
    path = tmp_path / "stated.3mf"
    with zipfile.ZipFile(plain) as source, zipfile.ZipFile(path, "w") as target:
        for name in source.namelist():
            data = source.read(name)
            if name.endswith(".model"):
                data = data.replace(b'unit="millimeter"', f'unit="{stated}"'.encode())
            target.writestr(name, data)
    piece = load_scan(path)
    assert np.ptp(piece.body("scan").vertices, axis=0) == pytest.approx([300] * 3, rel=1e-5)


def test_parts_of_a_scene_stand_where_it_puts_them(tmp_path: Path) -> None:
    scene = trimesh.Scene()
    scene.add_geometry(ball(0.2))
    scene.add_geometry(ball(0.2), transform=trimesh.transformations.translation_matrix((1, 0, 0)))
    mesh = load_scan(saved(scene, tmp_path / "two.glb")).body("scan")
    assert np.ptp(mesh.vertices, axis=0) == pytest.approx([1200, 200, 200], rel=1e-5)


def test_a_mirrored_part_of_a_scene_still_faces_outward(tmp_path: Path) -> None:
    scene = trimesh.Scene()
    scene.add_geometry(ball(0.3), transform=np.diag([-1.0, 1, 1, 1]))
    assert load_scan(saved(scene, tmp_path / "mirrored.glb")).body("scan").volume > 0


def test_text_and_binary_stl_are_told_apart(tmp_path: Path) -> None:
    mesh = ball()
    (tmp_path / "text.stl").write_text(trimesh.exchange.stl.export_stl_ascii(mesh))
    data = b"solid said by a binary file".ljust(80) + stl.encode(mesh.vertices, mesh.faces)[80:]
    (tmp_path / "binary.stl").write_bytes(data)
    for name in ("text.stl", "binary.stl"):
        piece = load_scan(tmp_path / name, unit="mm")
        assert len(piece.body("scan").faces) == 320


@pytest.mark.parametrize(("size", "unit"), [(1750.0, "mm"), (1.75, "m"), (12.0, "inch")])
def test_the_only_plausible_unit_is_guessed_and_said(
    tmp_path: Path, size: float, unit: str
) -> None:
    piece = load_scan(saved(ball(size), tmp_path / "a.stl"))
    (finding,) = piece.findings
    assert finding.code == "unit-guessed"
    assert f"read as {unit}" in finding.message


def test_two_plausible_units_are_refused_and_named(tmp_path: Path) -> None:
    path = saved(ball(60), tmp_path / "a.stl")
    with pytest.raises(BadScan, match="could be 600 mm in cm or 1524 mm in inch"):
        load_scan(path)


def test_no_plausible_unit_is_refused(tmp_path: Path) -> None:
    path = saved(ball(4000), tmp_path / "a.stl")
    with pytest.raises(BadScan, match="none within 150 to 2300 mm"):
        load_scan(path)


def test_a_wrong_unit_is_named_with_the_likely_one(tmp_path: Path) -> None:
    path = saved(ball(1.7), tmp_path / "a.stl")
    with pytest.raises(BadScan, match=r"1\.7 mm with unit = 'mm'.*1700 mm in m"):
        load_scan(path, unit="mm")
    (finding,) = load_scan(saved(ball(60), tmp_path / "b.stl"), unit="mm").findings
    assert finding.code == "unit-unlikely"
    assert "600 mm in cm" in finding.message


def test_a_unit_against_the_files_own_is_warned_of(tmp_path: Path) -> None:
    piece = load_scan(saved(ball(300), tmp_path / "a.glb"), unit="mm")
    assert [finding.code for finding in piece.findings] == ["unit-contradicted"]


def test_missing_and_unknown_files_are_named(tmp_path: Path) -> None:
    with pytest.raises(BadScan, match=r"belly: load_scan: there is no file .*belly\.stl"):
        load_scan(tmp_path / "belly.stl")
    (tmp_path / "belly.docx").write_bytes(b"x")
    with pytest.raises(BadScan, match=r"unknown kind \(\.docx\).*\.stl, \.obj"):
        load_scan(tmp_path / "belly.docx")
    (tmp_path / "folder.stl").mkdir()
    with pytest.raises(BadScan, match="cannot be read"):
        load_scan(tmp_path / "folder.stl")


@pytest.mark.parametrize("suffix", [".stl", ".obj", ".ply", ".glb", ".3mf"])
def test_an_empty_file_is_named(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"empty{suffix}"
    path.write_bytes(b"")
    with pytest.raises(BadScan, match=f"empty{suffix} is empty"):
        load_scan(path)


@pytest.mark.parametrize("suffix", [".obj", ".ply", ".glb", ".3mf"])
def test_rubbish_is_named(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"rubbish{suffix}"
    path.write_bytes(b"this is no mesh at all\n" * 20)
    with pytest.raises(BadScan, match=rf"rubbish{suffix} (cannot be read|has no triangles)"):
        load_scan(path)


@pytest.mark.parametrize("suffix", [".ply", ".glb", ".3mf"])
def test_a_file_cut_short_is_refused(tmp_path: Path, suffix: str) -> None:
    path = saved(ball(0.3), tmp_path / f"short{suffix}")
    path.write_bytes(path.read_bytes()[:-700])
    with pytest.raises(BadScan, match="cannot be read"):
        load_scan(path, unit="m")


def test_a_binary_stl_cut_short_says_how_short(tmp_path: Path) -> None:
    path = saved(ball(), tmp_path / "short.stl")
    path.write_bytes(path.read_bytes()[:-60])
    with pytest.raises(BadScan, match="cut short: 16024 bytes; 320 triangles need 16084"):
        load_scan(path, unit="mm")


def test_a_text_stl_cut_short_is_refused(tmp_path: Path) -> None:
    text = trimesh.exchange.stl.export_stl_ascii(ball())
    (tmp_path / "a.stl").write_text(text[: len(text) // 2])
    with pytest.raises(BadScan, match="last line is not 'endsolid'"):
        load_scan(tmp_path / "a.stl", unit="mm")


def test_vertices_that_are_no_numbers_are_counted_and_placed(tmp_path: Path) -> None:
    mesh = ball()
    data = bytearray(stl.encode(mesh.vertices, mesh.faces))
    struct.pack_into("<f", data, 84 + 50 * 7 + 12, float("nan"))
    (tmp_path / "a.stl").write_bytes(bytes(data))
    with pytest.raises(BadScan, match=r"1 of \d+ vertices are not numbers.*in triangle 7"):
        load_scan(tmp_path / "a.stl", unit="mm")


def test_points_and_flat_triangles_are_no_surface(tmp_path: Path) -> None:
    (tmp_path / "points.obj").write_text("v 0 0 0\nv 1 0 0\nv 0 1 0\n")
    with pytest.raises(BadScan, match="has no triangles"):
        load_scan(tmp_path / "points.obj")
    (tmp_path / "line.obj").write_text("v 0 0 0\nv 500 0 0\nv 900 0 0\nf 1 2 3\n")
    with pytest.raises(BadScan, match="have no area"):
        load_scan(tmp_path / "line.obj")


def test_directions_are_taken_by_name_and_by_number(tmp_path: Path) -> None:
    path = saved(ball(), tmp_path / "a.stl")
    frame = load_scan(path, up="y", facing=(0, 0.1, 2)).frame
    assert frame.up == (0, 1, 0)
    assert frame.facing == pytest.approx((0, 0, 1))
    for up, facing, problem in (
        ("w", "-y", "up = 'w' is no axis"),
        ("z", "z", "all but parallel"),
        ((0, 0, 0), "-y", "up has no length"),
        ("z", (1, 2), "facing = .* is no direction"),
    ):
        with pytest.raises(BadParameter, match=problem):
            load_scan(path, up=up, facing=facing)
    with pytest.raises(BadParameter, match="unit = 'feet' is not known"):
        load_scan(path, unit="feet")  # type: ignore[arg-type]


def test_a_finished_reading_is_read_back_and_logs_no_path(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = saved(ball(), tmp_path / "a.stl")
    first = load_scan(path, unit="mm", folder=tmp_path / "out")
    log = (tmp_path / "out/01-load_scan/log.json").read_text()
    assert str(tmp_path) not in log
    assert json.loads(log)["parameters"]["file"] == "a.stl"

    def forbidden(*_: object) -> None:
        raise AssertionError("parsed again")

    monkeypatch.setattr("moldsmith.scan.reading.parse", forbidden)
    again = load_scan(path, unit="mm", folder=tmp_path / "out")
    assert again.digests == first.digests
    assert again.frame == first.frame
