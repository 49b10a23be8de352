"""Waves of known length, noise on a ball, and what stays as it is."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import trimesh

from moldsmith import BadParameter, Workpiece, relief, smooth
from moldsmith.geometry.filtering import share_kept
from moldsmith.geometry.topology import border_edges

R = 60.0


def sheet(edge_mm: float, wave_mm: float, height_mm: float = 0.3) -> Workpiece:
    """A sine ripple on an uneven triangle mesh, 200 x 100 mm."""
    rng = np.random.default_rng(1)
    x, y = np.meshgrid(np.arange(0, 200.1, edge_mm), np.arange(0, 100.1, edge_mm), indexing="ij")
    inner = np.zeros(x.shape, dtype=bool)
    inner[1:-1, 1:-1] = True
    x, y = (v + inner * rng.uniform(-0.25, 0.25, v.shape) * edge_mm for v in (x, y))
    z = height_mm * np.sin(2 * np.pi * x / wave_mm)
    number = np.arange(x.size).reshape(x.shape)
    a, b, c, d = (
        n.ravel() for n in (number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:])
    )
    faces = np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)])
    vertices = np.stack([x.ravel(), y.ravel(), z.ravel()], axis=1)
    return Workpiece("belly", {"scan": trimesh.Trimesh(vertices, faces, process=False)})


def ball(noise_mm: float, level: int = 5) -> Workpiece:
    mesh = trimesh.creation.icosphere(level, R)
    rng = np.random.default_rng(2)
    scale = 1 + noise_mm / R * rng.normal(size=(len(mesh.vertices), 1))
    return Workpiece(
        "belly", {"scan": trimesh.Trimesh(mesh.vertices * scale, mesh.faces, process=False)}
    )


def figures(piece: Workpiece, stage: str) -> dict[str, Any]:
    return dict(piece.record(stage)["figures"])


def corners(piece: Workpiece) -> Any:
    """The corners of the triangles, whose order stages keep."""
    return piece.body("scan").triangles.reshape(-1, 3)


def transfer(before: Workpiece, after: Workpiece, wave_mm: float) -> float:
    """What the ripple's height was multiplied by, away from the borders."""
    one, two = corners(before), corners(after)
    middle = (np.abs(one[:, 0] - 100) < 60) & (np.abs(one[:, 1] - 50) < 25)
    sine = np.sin(2 * np.pi * one[middle, 0] / wave_mm)
    return float(two[middle, 2] @ sine / (one[middle, 2] @ sine))


@pytest.mark.parametrize("edge_mm", [1.5, 3.0])
@pytest.mark.parametrize("wave_mm", [12.0, 20.0, 28.0, 60.0])
def test_smoothing_keeps_of_a_ripple_the_share_that_its_length_says(
    edge_mm: float, wave_mm: float
) -> None:
    piece = sheet(edge_mm, wave_mm)
    cut = 28.0 * (0.05 / 0.95) ** (1 / 8)
    kept = transfer(piece, smooth(piece, feature_mm=28.0), wave_mm)
    assert kept == pytest.approx(share_kept(wave_mm, cut), abs=0.015)


def test_a_feature_of_the_stated_size_keeps_95_percent() -> None:
    piece = sheet(2.0, 16.0)
    assert transfer(piece, smooth(piece, feature_mm=16.0), 16.0) == pytest.approx(0.95, abs=0.01)


@pytest.mark.parametrize(
    ("gain", "wave_mm"), [(2, 7), (0, 15), (0.5, 20), (2, 20), (2, 27), (0, 80), (2, 80)]
)
def test_relief_multiplies_a_ripple_by_the_gain_of_its_length(gain: float, wave_mm: float) -> None:
    """Within the band by the gain, an octave outside it by 1, both within a few percent."""
    piece = sheet(1.5, wave_mm)
    found = transfer(piece, relief(piece, gain=gain, small_mm=10.0, large_mm=40.0), wave_mm)
    band = share_kept(wave_mm, 10.0) - share_kept(wave_mm, 40.0)
    assert found == pytest.approx(1 + (gain - 1) * band, abs=0.03)
    if wave_mm == 20:  # the middle of the band
        assert found == pytest.approx(gain, abs=0.03)
    if wave_mm >= 80:
        assert found == pytest.approx(1, abs=0.01)


def test_gain_one_changes_nothing() -> None:
    piece = ball(0.2, level=4)
    same = relief(piece, gain=1.0, small_mm=10, large_mm=40)
    assert corners(same) == pytest.approx(corners(piece), abs=1e-4)
    assert figures(same, "relief")["rms_change_mm"] == 0


def test_a_smoothed_noisy_ball_keeps_its_volume_and_loses_its_noise() -> None:
    piece = ball(0.4)
    round_ = smooth(piece, feature_mm=12.0)
    radius = np.linalg.norm(round_.body("scan").vertices, axis=1)
    # White noise of one value a vertex is spread evenly over the plane of wave numbers, of
    # which the waves longer than the cut fill a disc.
    cut = 12.0 * (0.05 / 0.95) ** (1 / 8)
    share = np.pi * 4 * np.pi * R**2 / len(radius) / cut**2
    assert np.std(radius) == pytest.approx(0.4 * np.sqrt(share), rel=0.05)
    volume = 4 / 3 * np.pi * R**3
    assert abs(round_.body("scan").volume / volume - 1) < 1e-3
    found = figures(round_, "smooth")
    assert abs(found["volume_change_share"]) < 1e-3
    assert found["rms_change_mm"] == pytest.approx(0.4 * np.sqrt(1 - share), rel=0.12)


def test_large_form_does_not_shrink_however_often_it_is_smoothed() -> None:
    piece = ball(0.0, level=4)
    often = piece
    for _ in range(10):
        often = smooth(often, feature_mm=20.0)
    assert often.body("scan").volume == pytest.approx(piece.body("scan").volume, rel=1e-4)


def test_borders_stay_and_the_swept_volume_of_a_bump_is_told() -> None:
    piece = sheet(2.0, 1000.0, 0.0)
    mesh = piece.body("scan")
    v = np.array(mesh.vertices)
    away = np.linalg.norm(v[:, :2] - (100, 50), axis=1)
    v[:, 2] += 2 * np.exp(-((away / 5) ** 2))  # of volume 2 pi 5²
    bump = Workpiece("belly", {"scan": trimesh.Trimesh(v, mesh.faces, process=False)})
    higher = relief(bump, gain=2.0, small_mm=4.0, large_mm=100.0)
    rim = np.isin(mesh.faces.ravel(), border_edges(np.asarray(mesh.faces)))
    assert corners(higher)[rim] == pytest.approx(corners(bump)[rim], abs=1e-5)
    assert higher.body("scan").vertices[:, 2].max() == pytest.approx(4.0, rel=0.06)
    flat = smooth(bump, feature_mm=60.0)
    assert corners(flat)[rim] == pytest.approx(corners(bump)[rim], abs=1e-5)
    swept = figures(flat, "smooth")
    assert swept["volume_change_share"] is None
    after = flat.body("scan")
    a, b, c = after.vertices[after.faces].transpose(1, 0, 2)
    under = ((np.cross(b - a, c - a)[:, 2] / 2) * (a + b + c)[:, 2] / 3).sum()
    assert swept["volume_change_mm3"] == pytest.approx(under - 2 * np.pi * 25, abs=2.0)


def test_features_finer_than_the_triangles_are_told() -> None:
    (finding,) = smooth(ball(0.1, level=3), feature_mm=2.0).findings
    assert finding.code == "finer-than-scan"
    assert "Choose at least" in finding.message


def test_detail_that_would_run_into_itself_is_told() -> None:
    piece = sheet(1.5, 12.0, 6.0)
    mesh = piece.body("scan")
    steep = np.array(mesh.vertices)
    steep[:, 0] += 2.2 * np.sin(4 * np.pi * steep[:, 0] / 12.0)
    leaning = Workpiece("belly", {"scan": trimesh.Trimesh(steep, mesh.faces, process=False)})
    codes = [f.code for f in relief(leaning, gain=5.0, small_mm=4, large_mm=60).findings]
    assert "folded" in codes


@pytest.mark.parametrize(
    ("wrong", "problem"),
    [
        ({"gain": -0.1}, "gain = -0.1 is out of range. Give 0 to 5"),
        ({"gain": float("nan")}, "gain = nan is out of range"),
        ({"gain": 2, "small_mm": 0.1}, "small_mm = 0.1 is out of range"),
        ({"gain": 2, "large_mm": 900}, "large_mm = 900 is out of range"),
        ({"gain": 2, "small_mm": 30, "large_mm": 20}, "small_mm = 30 is not below large_mm = 20"),
    ],
)
def test_bad_sizes_of_relief_are_named(wrong: dict[str, Any], problem: str) -> None:
    with pytest.raises(BadParameter, match=problem):
        relief(ball(0.0, level=2), **wrong)


def test_a_bad_feature_size_is_named() -> None:
    with pytest.raises(BadParameter, match=r"feature_mm = 0 is out of range\. Give 0\.5 to 200"):
        smooth(ball(0.0, level=2), feature_mm=0)


def test_smoothing_a_very_rough_scan_turns_no_triangle_over() -> None:
    """Noise of a fifth of an edge's length; the filter alone turns some hundred over."""
    ball = trimesh.creation.icosphere(5, 100.0)
    noise = np.random.default_rng(0).normal(scale=1.2, size=ball.vertices.shape)
    rough = trimesh.Trimesh(ball.vertices + noise, ball.faces, process=False)
    done = smooth(Workpiece("belly", {"scan": rough}), feature_mm=15.0)
    assert "folded" not in [finding.code for finding in done.findings]
    off = np.linalg.norm(done.body("scan").vertices, axis=1) - 100
    assert off.std() < 0.8 * 1.2
