"""The offset beside two general-purpose ways to the same level, and a large scan's memory.

    pip install libigl scikit-image
    python benchmarks/references.py [--cells 2 1] [--three-million]

libigl (MPL-2) and scikit-image (BSD-3) are for this comparison alone; the package does not
need them. Every case runs in a process of its own, once, on the same patch: the front of the
torso of `run.py`, 8 mm inward. Prints tables and writes them to `references.md` beside this
file. With `--three-million` a scan of 3,000,000 triangles is also healed and shelled at 1 mm,
which takes some minutes; without, the table of its last run is kept.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import trimesh
from numpy.typing import NDArray

import moldsmith as ms
from moldsmith.geometry.distance import SurfaceIndex
from moldsmith.geometry.offset import offset_sheet
from moldsmith.metering import Meter
from moldsmith.pad import shelling
from moldsmith.pad.thickness import rim_distance, tapered_thickness

HERE = Path(__file__).resolve().parent
REPORT = HERE / "references.md"
LARGE_TITLE = "## A scan of 3,000,000 triangles"
THICKNESS_MM, TAPER_MM, EDGE_MM = 8.0, 25.0, 1.0
INSIDE_MM = 35.0  # from the rim: past the taper, and past what a reference makes of the rim
LIMIT_S = 3600.0
STATURE_MM = 1680.0  # that the healed body is made

Floats = NDArray[np.float64]
Row = dict[str, Any]


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cells", type=float, nargs="+", default=[2.0, 1.0], metavar="MM")
    parser.add_argument("--three-million", action="store_true", help="only the large scan")
    parser.add_argument("--case", nargs=3, help=argparse.SUPPRESS)  # in a process of its own
    wanted = parser.parse_args(arguments)
    if wanted.case:
        case, cell, path = wanted.case
        print(json.dumps(CASES[case](Path(path), float(cell))))
        return
    fresh = _large() if wanted.three_million else _offsets(wanted.cells)
    offsets, large = _kept()
    text = offsets + fresh if wanted.three_million else fresh + large
    REPORT.write_text(text, encoding="utf-8")
    print(text)


def _kept() -> tuple[str, str]:
    """The two parts of the last report."""
    text = REPORT.read_text(encoding="utf-8") if REPORT.is_file() else ""
    before, title, after = text.partition(LARGE_TITLE)
    return before, title + after


def _in_process(case: str, cell: float, path: Path) -> Row:
    command = [sys.executable, __file__, "--case", case, str(cell), str(path)]
    try:
        done = subprocess.run(
            command, check=True, stdout=subprocess.PIPE, text=True, timeout=LIMIT_S
        )
    except (subprocess.CalledProcessError, subprocess.TimeoutExpired) as error:
        return {"failed": str(error)}
    row: Row = json.loads(done.stdout.splitlines()[-1])
    return row


# The offset and its references


def _offsets(cells: Sequence[float]) -> str:
    from run import _cropped  # the patch of the other benchmark, beside this file

    patch = _cropped().body("scan")
    lines = _heading(patch)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "patch.npz"
        np.savez(path, vertices=patch.vertices, faces=patch.faces)
        for cell in cells:
            rows = {}
            for case in LEVELS:
                rows[case] = _in_process(case, cell, path)
                print(cell, case, rows[case], file=sys.stderr, flush=True)
            lines += _lines(cell, rows)
    return "\n".join([*lines, "", ""])


def _heading(patch: trimesh.Trimesh) -> list[str]:
    low, high = patch.bounds
    return [
        "# Figures of the last run of `benchmarks/references.py`",
        "",
        f"## The offset, {THICKNESS_MM:g} mm inward, against dense grids",
        "",
        f"Patch: {patch.area / 100:.0f} cm², {len(patch.faces):,} triangles, bounding box "
        + " x ".join(f"{side:.0f}" for side in high - low)
        + " mm.",
        "Each case ran once, in its own process. Ratios are of CPU seconds, of all cores, which a",
        "busy machine lengthens less than wall seconds, yet by up to a half. Peak",
        "is what the process grew by above imports and patch. Errors are of vertices at least",
        f"{INSIDE_MM:g} mm inside the rim, by libigl's exact distance to the patch. Left out",
        "are vertices two cells and more off the level, which are no part of the face: where a",
        "reference's sign turns over in the open; their share is given.",
        "",
        "- offset: as `shell` makes it: refining, distances from the rim, samples and their tree,",
        "  the offset, tapered;",
        "- winding: libigl's distance, signed by its fast winding number, at every node of a grid",
        "  over the box, then scikit-image's marching cubes;",
        "- transform: trimesh's voxels of the patch, scipy's Euclidean distance transform over",
        "  the box, then the same marching cubes; it does not tell the two sides apart, and is",
        "  spared the time for it.",
        "",
        "| cell mm | case | nodes | wall s | CPU s | CPU ratio | peak MB | memory ratio "
        "| error mm median | 99 % | greatest | left out % |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|",
    ]


def _lines(cell: float, rows: dict[str, Row]) -> list[str]:
    return [_line(cell, case, row, rows["offset"]) for case, row in rows.items()]


def _line(cell: float, case: str, row: Row, own: Row) -> str:
    if "failed" in row or "failed" in own:
        return f"| {cell:g} | {case} | failed: {row.get('failed', own.get('failed'))} |" + " |" * 9
    return (
        f"| {cell:g} | {case} | {row['nodes']:,} | {row['wall_s']:.1f} | {row['cpu_s']:.1f} "
        f"| {row['cpu_s'] / own['cpu_s']:.1f} | {row['peak_mb']:.0f} "
        f"| {row['peak_mb'] / own['peak_mb']:.1f} | {row['median_mm']:.4f} "
        f"| {row['p99_mm']:.4f} | {row['greatest_mm']:.4f} | {row['left_out_percent']:.2f} |"
    )


def _offset(patch: trimesh.Trimesh, cell: float) -> tuple[Floats, int]:
    fine, rim = shelling._refined(patch, shelling._FINE_CELLS * cell, TAPER_MM)
    index = SurfaceIndex(fine.vertices, fine.faces, cell)
    wanted = tapered_thickness(rim, THICKNESS_MM, TAPER_MM, EDGE_MM)
    sheet = offset_sheet(index, wanted, side=-1.0, cell_mm=cell)
    return sheet.vertices, sheet.cells


def _winding(patch: trimesh.Trimesh, cell: float) -> tuple[Floats, int]:
    import igl
    from skimage.measure import marching_cubes

    low, shape = _grid(patch, cell)
    axes = [low[k] + cell * np.arange(shape[k]) for k in range(3)]
    points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    corners, faces = np.asarray(patch.vertices), np.asarray(patch.faces, dtype=np.int64)
    kind = igl.SignedDistanceType.SIGNED_DISTANCE_TYPE_UNSIGNED
    value = igl.signed_distance(points, corners, faces, kind)[0]
    # libigl's own sign is 1 - 2 |w|: that of a closed surface, where w is 1 or 0. Over an open
    # one w jumps by 1 as well, but from below 0 in front to above 0 behind.
    value[igl.fast_winding_number(corners, faces, points) > 0] *= -1
    vertices = marching_cubes(value.reshape(shape), -THICKNESS_MM)[0]
    return low + cell * vertices, len(points)


def _transform(patch: trimesh.Trimesh, cell: float) -> tuple[Floats, int]:
    from scipy.ndimage import distance_transform_edt
    from skimage.measure import marching_cubes

    low, shape = _grid(patch, cell)
    empty = np.ones(shape, dtype=bool)
    marked = np.rint((patch.voxelized(cell).points - low) / cell).astype(np.int64)
    empty[tuple(marked.T)] = False
    distance = distance_transform_edt(empty, sampling=cell)
    vertices = marching_cubes(distance, THICKNESS_MM)[0]
    return low + cell * vertices, empty.size


LEVELS: dict[str, Callable[[trimesh.Trimesh, float], tuple[Floats, int]]] = {
    "offset": _offset,
    "winding": _winding,
    "transform": _transform,
}


def _grid(patch: trimesh.Trimesh, cell: float) -> tuple[Floats, tuple[int, int, int]]:
    """First node, on a multiple of the cell, and shape of a grid that holds the whole level."""
    low = np.floor((patch.bounds[0] - THICKNESS_MM) / cell - 2) * cell
    x, y, z = np.ceil((patch.bounds[1] + THICKNESS_MM - low) / cell + 3).astype(int)
    return low, (int(x), int(y), int(z))


def _measured(case: str) -> Callable[[Path, float], Row]:
    """The case on a patch from a file, in this very process: what it took and how far it is off."""

    def run(path: Path, cell: float) -> Row:
        import igl  # noqa: F401 - all cases start with the same imports
        import skimage.measure  # noqa: F401 - as above

        with np.load(path) as stored:
            patch = trimesh.Trimesh(stored["vertices"], stored["faces"], process=False)
        meter, before, cpu = Meter(), _resident_mb(), time.process_time()
        vertices, nodes = LEVELS[case](patch, cell)
        spent = {
            "cpu_s": time.process_time() - cpu,
            "wall_s": meter.seconds,
            "peak_mb": (meter.peak_memory_mb or float("nan")) - before,
            "nodes": nodes,
        }
        return {**spent, **_errors(patch, vertices, cell)}

    return run


def _resident_mb() -> float:
    import psutil

    return float(psutil.Process().memory_info().rss) / 2**20


def _errors(patch: trimesh.Trimesh, vertices: Floats, cell: float) -> Row:
    """How far vertices well inside the patch and behind it lie off the level."""
    import igl

    faces = np.asarray(patch.faces, dtype=np.int64)
    square, face, foot = igl.point_mesh_squared_distance(
        np.ascontiguousarray(vertices, dtype=float), np.asarray(patch.vertices), faces
    )
    rim = rim_distance(patch, INSIDE_MM + 1)[faces[face]].min(axis=1)
    behind = np.einsum("ij,ij->i", vertices - foot, patch.face_normals[face]) < 0
    error = np.abs(np.sqrt(square) - THICKNESS_MM)[(rim > INSIDE_MM) & behind]
    on_face = error < 2 * cell
    kept = error[on_face]
    return {
        "median_mm": float(np.median(kept)),
        "p99_mm": float(np.quantile(kept, 0.99)),
        "greatest_mm": float(kept.max()),
        "left_out_percent": 100 * float(1 - on_face.mean()),
    }


# The large scan


def _large() -> str:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "scan.stl"
        made = _in_process("large-scan", 1.0, path)
        row = made if "failed" in made else _in_process("large-shell", 1.0, path)
    lines = [LARGE_TITLE, ""]
    if "failed" in row:
        return "\n".join([*lines, f"failed: {row['failed']}", ""])
    lines += [
        f"A body of {made['triangles']:,} triangles, densest on the torso, noisy, holed and",
        "littered; the torso's",
        "front shelled 8 mm inward at 1 mm cells; the whole body then stood up and made another",
        "size. One process; peaks are of the whole process, imports and bodies so far included.",
        "Aim: under 3000 MB.",
        "",
        "| stage | wall s | CPU s | peak MB | triangles made |",
        "|---|---|---|---|---|",
    ]
    lines += [
        f"| {part['stage']} | {part['wall_s']:.1f} | {part['cpu_s']:.1f} | {part['peak_mb']:.0f} "
        f"| {part['triangles']:,} |"
        for part in row["parts"]
    ]
    return "\n".join([*lines, ""])


def _large_scan(path: Path, _: float) -> Row:
    """Write the scan; the planes to crop it by go beside it."""
    bodies = _bodies()
    body = bodies.human()
    planes = bodies.torso_planes(body)
    scan = bodies.spoiled(
        body.subdivide_loop(1), noise_mm=0.15, fragments=12, dense=planes, dense_mm=1.6
    )
    scan = scan.subdivide()
    rng = np.random.default_rng(3)
    vertices = np.array(scan.vertices) + rng.normal(scale=0.05, size=scan.vertices.shape)
    scan = trimesh.Trimesh(vertices, scan.faces, process=False)
    scan.export(path)
    path.with_suffix(".json").write_text(json.dumps(planes), encoding="utf-8")
    return {"triangles": len(scan.faces)}


def _large_shell(path: Path, cell: float) -> Row:
    planes = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    parts: list[Row] = []

    def measured(name: str, work: Callable[[], ms.Workpiece], body: str) -> ms.Workpiece:
        meter, cpu = Meter(), time.process_time()
        piece = work()
        parts.append(
            {
                "stage": name,
                "wall_s": meter.seconds,
                "cpu_s": time.process_time() - cpu,
                "peak_mb": piece.records[-1]["peak_memory_mb"],
                "triangles": len(piece.body(body).faces),
            }
        )
        print(parts[-1], file=sys.stderr, flush=True)
        return piece

    piece = measured("load_scan", lambda: ms.load_scan(path, unit="mm"), "scan")
    piece = measured("heal", lambda: piece.pipe(ms.heal), "scan")
    patch = measured("crop", lambda: piece.pipe(ms.crop, planes=planes), "scan")
    measured(
        "shell",
        lambda: patch.pipe(
            ms.shell,
            thickness_mm=THICKNESS_MM,
            taper_mm=TAPER_MM,
            edge_mm=EDGE_MM,
            cell_mm=cell,
        ),
        "pad",
    )
    measured("stand", lambda: piece.pipe(ms.stand), "scan")
    measured("fit, one factor", lambda: piece.pipe(ms.fit, stature_mm=STATURE_MM), "scan")
    return {"parts": parts}


def _bodies() -> Any:
    sys.path.insert(0, str(HERE.parent / "tests"))
    import bodies

    return bodies


CASES: dict[str, Callable[[Path, float], Row]] = {
    **{case: _measured(case) for case in LEVELS},
    "large-scan": _large_scan,
    "large-shell": _large_shell,
}


if __name__ == "__main__":
    main()
