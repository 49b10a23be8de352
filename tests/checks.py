"""Measures of a finished run, taken on its files as they were read back from disk.

Nothing here uses the kernels that made the run: only numpy, scipy, shapely,
trimesh and the boolean engine itself.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from pathlib import Path
from typing import Any

import manifold3d
import numpy as np
import shapely
import trimesh
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components, dijkstra
from scipy.spatial import cKDTree

from crossings import crossing_pairs

__all__ = [
    "Pocket",
    "Run",
    "air_pockets",
    "blocked_channels",
    "clearances",
    "directed_edge_faults",
    "distance_to",
    "extruded",
    "frustum",
    "gap_errors",
    "loose_or_tight_pegs",
    "mesh_of",
    "narrow_margins",
    "needless_pocket_findings",
    "overlap_depth_mm",
    "overlaps",
    "piece_count",
    "pinched_vertices",
    "read",
    "rim_plan",
    "silhouette",
    "socket",
    "socket_gap_mm3",
    "solid",
    "stuck_parts",
    "sums_that_differ",
    "swept_overlap_mm",
    "union",
    "unnamed_undercut_mm",
    "unvented",
    "wanted_thickness",
]

Floats = NDArray[np.float64]
Solid = Any
PEG_TAPER = np.tan(np.radians(10.0))  # of the pegs' flanks, as the keys' documentation states
ROOF = np.tan(np.radians(44.0))  # of the sockets' points, from the axis, as stated there
COVERS = ("core", "lid")
STOP_MM = 5.0
WALL_MM = 1.2
FILM_MM3 = 1.0
ROUGH_MM = 0.05  # what a depth may change by when the void is made simpler
OPEN_MM = 0.01
TALL_MM = 1000.0  # more than any mold's height
ROUND_KEY_MM = 3.0  # of full material that a jacket gets round a flange's key


@dataclass(frozen=True)
class Run:
    """The folder of one finished piece."""

    folder: Path

    def log(self, stage: str) -> Mapping[str, Any]:
        (path,) = self.folder.glob(f"*-{stage}/log.json")
        found: Mapping[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        return found

    def figures(self, stage: str) -> Mapping[str, Any]:
        found: Mapping[str, Any] = self.log(stage)["figures"]
        return found

    @cached_property
    def findings(self) -> list[Mapping[str, Any]]:
        logs = sorted(self.folder.glob("*/log.json"))
        return [item for path in logs for item in json.loads(path.read_text())["findings"]]

    def body(self, name: str, stage: str) -> trimesh.Trimesh:
        """The body as that stage wrote it, or the newest earlier stage that did."""
        last = self.log(stage)["sequence"]
        for number in range(last, 0, -1):
            for path in self.folder.glob(f"{number:02d}-*/{name}.stl"):
                return read(path)
        raise FileNotFoundError(f"{self.folder}: no {name}.stl up to stage {stage}")

    @cached_property
    def parts(self) -> dict[str, trimesh.Trimesh]:
        """The parts as they lie on the bed."""
        return {path.stem: read(path) for path in sorted(self.folder.glob("parts/*.stl"))}

    @cached_property
    def assembled_meshes(self) -> dict[str, trimesh.Trimesh]:
        """The parts where they belong in the closed mold."""
        names = [row["body"] for row in self.figures("split")["parts"]]
        return {name: self.body(name, "split") for name in names}

    @cached_property
    def assembled(self) -> dict[str, Solid]:
        return {name: solid(mesh) for name, mesh in self.assembled_meshes.items()}

    def parts_of(self, body: str) -> dict[str, Solid]:
        rows = self.figures("split")["parts"]
        return {row["body"]: self.assembled[row["body"]] for row in rows if row["of"] == body}

    @cached_property
    def cover_name(self) -> str:
        (name,) = {row["of"] for row in self.figures("split")["parts"]} & set(COVERS)
        return str(name)

    @cached_property
    def whole(self) -> dict[str, Solid]:
        """Cavity and cover, each put together again from its parts."""
        return {name: union(*self.parts_of(name).values()) for name in ("cavity", self.cover_name)}

    @cached_property
    def unsplit(self) -> dict[str, Solid]:
        """Cavity and drilled cover, with their hardware's holes, before they were cut and keyed."""
        return {name: solid(self.body(name, "fasten")) for name in ("cavity", self.cover_name)}

    @cached_property
    def void(self) -> Solid:
        """What the closed mold leaves empty for the casting: a box less the bodies.

        The cover is taken before it was drilled, so that the bores do not
        count. Beyond the middle of the land the relief is left out, and so are
        the rooms that open to the bed or to the top: they are outside, as a
        jacket's hollows.
        """
        figures = self.figures("block")
        cavity = self.unsplit["cavity"]
        cover = solid(self.body(self.cover_name, "block"))
        shadow = silhouette(solid(self.body("pad", "block")))
        plan = shadow.buffer(figures["land_mm"] / 2)
        low, high = cavity.bounding_box()[2] + 0.5, cover.bounding_box()[5] - 0.5
        room = extruded(plan, low, high)
        left = manifold3d.Manifold.batch_boolean([room, cavity, cover], manifold3d.OpType.Subtract)
        enclosed = [
            room
            for room in left.decompose()
            if room.bounding_box()[2] > low + OPEN_MM and room.bounding_box()[5] < high - OPEN_MM
        ]
        return manifold3d.Manifold.compose(enclosed)

    @cached_property
    def hollows(self) -> dict[str, Solid]:
        """What `block` hollowed out of each body inside its outline: nothing but of jackets."""
        block = self.figures("block")
        inside = extruded(shapely.Polygon(block["outline_plan"]), -TALL_MM, TALL_MM)
        cells = block.get("jacket", {}).get("cells", {})
        hulls = {
            name: [manifold3d.Manifold.hull_points(np.array(cell)) for cell in cells.get(name, ())]
            for name in ("cavity", self.cover_name)
        }
        return {name: union(*found) ^ inside for name, found in hulls.items()}

    @cached_property
    def keyed(self) -> dict[str, Solid]:
        """The unsplit bodies with the flange's pegs and sockets, as the figures describe them.

        Pegs do not reach into a jacket's hollows, which are full again round their sockets.
        """
        clearance = self.figures("split")["clearance_mm"]
        pegs = [peg for joint in self.joints("flange") for peg in joint["pegs"]]
        added = [frustum(peg, -min(30.0, peg["base"][2] - 0.5), peg["length_mm"]) for peg in pegs]
        rooms = [frustum(peg, -30, peg["length_mm"] + clearance, clearance) for peg in pegs]
        full = union(*(_column(peg) for peg in pegs)) ^ self.hollows[self.cover_name]
        cavity, cover = self._refilled("cavity"), self._refilled(self.cover_name)
        return {
            "cavity": cavity + (union(*added) - self.hollows["cavity"]),
            self.cover_name: (cover + full) - union(*rooms),
        }

    def _refilled(self, name: str) -> Solid:
        """The unsplit body, a jacket's hollow full where its cuts wanted room for keys."""
        boxes = self.figures("split")["filled"].get(name, [])
        columns = [
            manifold3d.Manifold.cube((x1 - x0, y1 - y0, 2000.0)).translate((x0, y0, -1000.0))
            for x0, y0, x1, y1 in boxes
        ]
        return self.unsplit[name] + (union(*columns) ^ self.hollows[name])

    @cached_property
    def pockets(self) -> list[Pocket]:
        """The void's air pockets, also those that only just miss the limit."""
        limit = self.log("channels")["parameters"]["pocket_mm"]
        # Where flanges meet, float32 leaves lone films of no volume between them.
        rooms = [room for room in self.void.decompose() if room.volume() > FILM_MM3]
        return [pocket for room in rooms for pocket in air_pockets(room, limit - ROUGH_MM)]

    @property
    def channels(self) -> list[Mapping[str, float]]:
        figures = self.figures("channels")
        return [*figures["sprues"], *figures["vents"]]

    def joints(self, kind: str) -> list[Mapping[str, Any]]:
        return [joint for joint in self.figures("split")["joints"] if joint["kind"] == kind]


def read(path: Path) -> trimesh.Trimesh:
    mesh = trimesh.load_mesh(path)
    assert isinstance(mesh, trimesh.Trimesh)
    return mesh


def solid(mesh: trimesh.Trimesh) -> Solid:
    made = manifold3d.Manifold(
        manifold3d.Mesh64(np.array(mesh.vertices), np.array(mesh.faces, dtype=np.uint64))
    )
    assert made.status() == manifold3d.Error.NoError, made.status()
    return made


def union(*solids: Solid) -> Solid:
    return manifold3d.Manifold.batch_boolean(list(solids), manifold3d.OpType.Add)


def silhouette(body: Solid) -> shapely.Geometry:
    rings = [shapely.Polygon(ring) for ring in body.project().to_polygons()]
    # Holes run the other way round.
    outer = shapely.union_all([ring.buffer(0) for ring in rings if ring.exterior.is_ccw])
    inner = shapely.union_all([ring.buffer(0) for ring in rings if not ring.exterior.is_ccw])
    return outer.difference(inner)


def extruded(plan: shapely.Geometry, low: float, high: float) -> Solid:
    (outer,) = shapely.get_parts(plan)
    ring = np.asarray(shapely.Polygon(outer.exterior).exterior.coords)[:-1]
    section = manifold3d.CrossSection([ring], manifold3d.FillRule.NonZero)
    return manifold3d.Manifold.extrude(section, high - low).translate((0, 0, low))


# --- closed surfaces


def directed_edge_faults(mesh: trimesh.Trimesh) -> int:
    """How many directed edges do not occur exactly once with exactly one opposite."""
    edges = mesh.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2).astype(np.int64)
    size = len(mesh.vertices)
    key, count = np.unique(edges[:, 0] * size + edges[:, 1], return_counts=True)
    opposite = np.unique(edges[:, 1] * size + edges[:, 0])
    return int((count != 1).sum() + len(np.setxor1d(key, opposite)))


def pinched_vertices(mesh: trimesh.Trimesh) -> int:
    """How many more fans of faces there are than vertices: 0 where no two fans share one."""
    faces = mesh.faces.astype(np.int64)
    corner = np.arange(faces.size).reshape(-1, 3)
    start, end = faces, np.roll(faces, -1, axis=1)
    at_start, at_end = corner, np.roll(corner, -1, axis=1)
    low, high = np.minimum(start, end).ravel(), np.maximum(start, end).ravel()
    forward = (start < end).ravel()
    at_low = np.where(forward, at_start.ravel(), at_end.ravel())
    at_high = np.where(forward, at_end.ravel(), at_start.ravel())
    order = np.lexsort((high, low))
    same = (np.diff(low[order]) == 0) & (np.diff(high[order]) == 0)
    first, second = order[:-1][same], order[1:][same]
    rows = np.concatenate([at_low[first], at_high[first]])
    columns = np.concatenate([at_low[second], at_high[second]])
    graph = coo_matrix((np.ones(len(rows), dtype=bool), (rows, columns)), (faces.size,) * 2)
    fans = connected_components(graph, directed=False)[0]
    return int(fans - len(np.unique(faces)))


def piece_count(mesh: trimesh.Trimesh) -> int:
    labels = trimesh.graph.connected_component_labels(mesh.face_adjacency, len(mesh.faces))
    return int(labels.max() + 1)


# --- distances


def distance_to(mesh: trimesh.Trimesh, points: Floats) -> tuple[Floats, Floats]:
    """Distance of each point from a surface, and the closest point on it.

    Exact on the thirty-two triangles with the nearest samples, 1.5 mm apart.
    """
    fine, triangles, source = trimesh.remesh.subdivide_to_size(
        mesh.vertices, mesh.faces, 1.5, max_iter=20, return_index=True
    )
    tree = cKDTree(fine[triangles].mean(axis=1))
    near = source[tree.query(points, k=min(32, len(triangles)))[1]]
    repeated = np.repeat(points, near.shape[1], axis=0)
    foot = trimesh.triangles.closest_point(mesh.triangles[near.ravel()], repeated)
    away = np.linalg.norm(foot - repeated, axis=1).reshape(near.shape)
    best = np.argmin(away, axis=1)
    rows = np.arange(len(points))
    return away[rows, best], foot.reshape(*near.shape, 3)[rows, best]


def _rim(patch: trimesh.Trimesh) -> NDArray[np.int64]:
    """The edges (n, 2) that only one face has."""
    edges = np.sort(patch.edges, axis=1)
    _, first, count = np.unique(edges, axis=0, return_index=True, return_counts=True)
    return np.asarray(patch.edges[first[count == 1]])


def rim_plan(patch: trimesh.Trimesh) -> shapely.Polygon:
    """The region inside the trim line, seen along z."""
    lines = shapely.linestrings(patch.vertices[_rim(patch)][:, :, :2])
    cells = shapely.get_parts(shapely.polygonize([shapely.union_all(lines)]))
    plan = max(shapely.get_parts(shapely.union_all(cells)), key=lambda part: part.area)
    return shapely.Polygon(plan.exterior)


def wanted_thickness(
    patch: trimesh.Trimesh, points: Floats, asked: Mapping[str, float]
) -> tuple[Floats, Floats, Floats]:
    """Least and greatest thickness asked for at points on the patch, and how far the rim is.

    The way to the rim along the surface lies between the straight line and the
    shortest path over points set along the edges, so the thickness does too.
    """
    taper = asked["taper_mm"]
    rim = patch.vertices[_rim(patch)]
    steps = np.linspace(0, 1, 16)[:, None, None]
    samples = (rim[None, :, 0] * (1 - steps) + rim[None, :, 1] * steps).reshape(-1, 3)
    straight = cKDTree(samples).query(points)[0]
    nodes, travelled = _paths(patch, samples, taper + 5)
    step, nearest = cKDTree(nodes).query(points, k=4)
    along = np.maximum((step + travelled[nearest]).min(axis=1), straight)
    return _profile(straight, asked), _profile(along, asked), straight


def _profile(rim_mm: Floats, asked: Mapping[str, float]) -> Floats:
    """The documented profile: 3 u² − 2 u³ from the edge up to the thickness."""
    u = np.clip(rim_mm / asked["taper_mm"], 0, 1)
    return asked["edge_mm"] + (asked["thickness_mm"] - asked["edge_mm"]) * u**2 * (3 - 2 * u)


def _paths(patch: trimesh.Trimesh, rim: Floats, reach: float) -> tuple[Floats, Floats]:
    """Vertices and quarter points of the edges, and the shortest path from the rim to each."""
    edge_of = patch.faces_unique_edges
    ends = patch.vertices[patch.edges_unique]
    shares = np.array([0.25, 0.5, 0.75])[None, :, None]
    between = (ends[:, :1] * (1 - shares) + ends[:, 1:] * shares).reshape(-1, 3)
    nodes = np.concatenate([patch.vertices, between])
    inner = len(patch.vertices) + 3 * edge_of[:, :, None] + np.arange(3)
    ring = np.concatenate([patch.faces, inner.reshape(-1, 9)], axis=1)
    start = cKDTree(rim).query(nodes, distance_upper_bound=reach)[0]
    ring = ring[np.isfinite(start[ring]).any(axis=1)]
    a, b = np.triu_indices(12, 1)
    rows, columns = ring[:, a].ravel(), ring[:, b].ravel()
    length = np.linalg.norm(nodes[rows] - nodes[columns], axis=1)
    _, once = np.unique(rows * len(nodes) + columns, return_index=True)
    rows, columns, length = rows[once], columns[once], np.maximum(length[once], 1e-9)
    graph = coo_matrix((length, (rows, columns)), (len(nodes),) * 2).tocsr()
    on_rim = np.flatnonzero(start < 1e-3)
    found = dijkstra(graph, directed=False, indices=on_rim, min_only=True, limit=reach + 5)
    return nodes, np.where(np.isfinite(found), found, reach + 5)


def gap_errors(run: Run, count: int = 20_000) -> tuple[Floats, Floats]:
    """How far the gap between cavity and core is from what was asked; and the rim distance.

    Sampled on the face that is not the scan's, inside the trim line's plan.
    """
    asked = run.log("shell")["parameters"]
    cavity, core = run.body("cavity", "block"), run.body("core", "block")
    scanned, other = (cavity, core) if asked["side"] == "inward" else (core, cavity)
    patch = run.body("scan", "block")
    plan = rim_plan(patch)
    faces_it = -1 if other is core else 1
    inside = _over(other, plan.buffer(-1.0)) & (faces_it * other.face_normals[:, 2] > 0)
    outer_z = other.bounds[1 if other is core else 0, 2]
    inside &= np.abs(other.triangles_center[:, 2] - outer_z) > 1
    face = other.submesh([np.flatnonzero(inside)], append=True)
    points = np.asarray(trimesh.sample.sample_surface(face, count, seed=1)[0])
    near = _over(scanned, plan.buffer(15)) & (
        np.abs(scanned.triangles_center[:, 2] - scanned.bounds[0 if scanned is cavity else 1, 2])
        > 1
    )
    gap, foot = distance_to(scanned.submesh([np.flatnonzero(near)], append=True), points)
    least, most, rim = wanted_thickness(patch, foot, asked)
    return np.where(gap < least, gap - least, np.maximum(gap - most, 0)), rim


def _over(mesh: trimesh.Trimesh, plan: shapely.Geometry) -> NDArray[np.bool_]:
    """Which triangles have their middle over a plan region."""
    shapely.prepare(plan)
    x, y = mesh.triangles_center[:, :2].T
    return np.asarray(shapely.contains_xy(plan, x, y))


# --- pegs and sockets


def frustum(peg: Mapping[str, Any], low: float, high: float, off_mm: float = 0.0) -> Solid:
    """A peg's shape between two heights over its joint, its flanks moved out by `off_mm`."""
    axis, base = np.asarray(peg["axis"], dtype=float), np.asarray(peg["base"], dtype=float)
    upright = np.array([0.0, 0.0, 1.0]) if abs(axis[2]) < 0.5 else np.array([1.0, 0.0, 0.0])
    side = np.cross(axis, upright)
    angle = np.arange(peg["sides"]) * 2 * np.pi / peg["sides"]
    rings = []
    for height in (low, high):
        reach = _flat_radius(peg, height, off_mm) / np.cos(np.pi / peg["sides"])
        around = np.cos(angle)[:, None] * upright + np.sin(angle)[:, None] * side
        rings.append(base + height * axis + reach * around)
    return manifold3d.Manifold.hull_points(np.concatenate(rings))


def _flat_radius(peg: Mapping[str, Any], height: float, off_mm: float = 0.0) -> float:
    slant = np.hypot(1, PEG_TAPER)
    return float(peg["base_mm"] / 2 - height * PEG_TAPER + off_mm * slant)


def socket(peg: Mapping[str, Any], start: float, clearance_mm: float) -> Solid:
    """A peg's socket from a height over its joint on, with the point or blunt it runs out to."""
    end = peg["length_mm"] + clearance_mm
    straight = frustum(peg, start, end, clearance_mm)
    wide = _flat_radius(peg, end, clearance_mm)
    high = min(peg["roof_mm"], wide / ROOF)
    if high == 0:
        return straight
    narrow = {**peg, "base_mm": 2 * (wide - high * ROOF + (end + high) * PEG_TAPER)}
    tip = frustum(narrow, end + high - 1e-6, end + high)
    return manifold3d.Manifold.batch_hull([straight, tip])


def socket_gap_mm3(peg: Mapping[str, Any], clearance_mm: float) -> float:
    """The room that a joint's socket leaves round its peg."""
    peg_mm3 = frustum(peg, 0, peg["length_mm"]).volume()
    return float(socket(peg, 0, clearance_mm).volume() - peg_mm3)


def clearances(
    low: trimesh.Trimesh, high: trimesh.Trimesh, peg: Mapping[str, Any], start_mm: float
) -> Floats:
    """Distances from points on a peg's flanks, from `start_mm` over its joint up, to its socket."""
    axis, base = np.asarray(peg["axis"]), np.asarray(peg["base"])
    flank = _about(low, peg, start_mm) & (np.abs(low.face_normals @ axis) < 0.5)
    face = low.submesh([np.flatnonzero(flank)], append=True)
    points = np.asarray(trimesh.sample.sample_surface(face, 1500, seed=1)[0])
    height = (points - base) @ axis
    points = points[(height > start_mm) & (height < peg["length_mm"])]
    assert len(points) > 100
    near = _about(high, peg, -5, 5.0)
    return distance_to(high.submesh([np.flatnonzero(near)], append=True), points)[0]


def _about(
    mesh: trimesh.Trimesh, peg: Mapping[str, Any], start: float, spare: float = 0.05
) -> NDArray[np.bool_]:
    """Which triangles touch the round room about a peg, from `start` over its joint up."""
    corners = mesh.triangles - np.asarray(peg["base"])
    height = corners @ np.asarray(peg["axis"])
    beside = np.linalg.norm(corners - height[..., None] * np.asarray(peg["axis"]), axis=2)
    reach = _flat_radius(peg, 0) / np.cos(np.pi / peg["sides"]) + spare
    tall = (height.max(axis=1) > start) & (height.min(axis=1) < peg["length_mm"] + spare)
    return np.asarray(tall & (beside.min(axis=1) < reach))


# --- pulling apart


def overlap_depth_mm(one: Solid, other: Solid) -> float:
    """How thick the thickest lump is in which two bodies overlap: twice its volume by its area."""
    lumps = (one ^ other).decompose()
    depths = [2 * lump.volume() / lump.surface_area() for lump in lumps if lump.volume() > 0.1]
    return float(max(depths, default=0.0))


def swept_overlap_mm(
    mover: Solid, fixed: Solid, direction: ArrayLike, steps: Sequence[float] = (0.3, 3, 15)
) -> float:
    """The deepest overlap on the way out."""
    way = np.asarray(direction, dtype=float)
    moved = (mover.translate(tuple((step * way).tolist())) for step in steps)
    return max(overlap_depth_mm(body, fixed) for body in moved)


# --- air


@dataclass(frozen=True)
class Pocket:
    """A high place of a ceiling: its summit, its depth to the saddle, and points near its top."""

    summit: Floats
    depth_mm: float
    top: Floats


def air_pockets(void: Solid, least_mm: float) -> list[Pocket]:
    """The high places of the void's ceiling that hold air deeper than `least_mm`.

    The void is drained from the top: vertices join in the order of their height,
    and where two basins meet the lower summit's depth is settled. `top` are the
    points from which air rises to the summit with less than `least_mm` left under it.
    """
    surface = mesh_of(void.simplify(0.02))
    height = surface.vertices[:, 2]
    ends = np.concatenate([surface.edges_unique, surface.edges_unique[:, ::-1]])
    ends = ends[np.argsort(ends[:, 0], kind="stable")]
    start = np.searchsorted(ends[:, 0], np.arange(len(height) + 1))
    label = np.full(len(height), -1)
    basins: dict[int, list[int]] = {}  # members, the summit first
    found: list[Pocket] = []

    def settle(basin: list[int], level: float) -> None:
        summit = basin[0]
        depth = float(height[summit] - level)
        # A hill of the void's floor is a summit of its surface too, but holds no air.
        if depth > least_mm and surface.vertex_normals[summit, 2] > 0:
            near = surface.vertices[basin]
            near = near[near[:, 2] >= height[summit] - least_mm]
            found.append(Pocket(surface.vertices[summit], depth, near))

    for vertex in np.argsort(-height, kind="stable").tolist():
        around = ends[start[vertex] : start[vertex + 1], 1]
        met = [basins[k] for k in sorted(set(label[around].tolist()) - {-1})]
        met.sort(key=lambda basin: -height[basin[0]])
        for basin in met[1:]:
            settle(basin, float(height[vertex]))
        grown = max(met, key=len) if met else []
        number = int(label[grown[0]]) if met else vertex
        merged = [item for basin in met for item in basin] if len(met) > 1 else grown
        for basin in met:
            if basin is not grown:
                del basins[int(label[basin[0]])]
                label[basin] = number
        merged.append(vertex)
        basins[number] = merged
        label[vertex] = number
    for basin in basins.values():
        settle(basin, float(height[basin].min()))
    return found


def mesh_of(body: Solid) -> trimesh.Trimesh:
    arrays = body.to_mesh64()
    faces = np.asarray(arrays.tri_verts).astype(np.int64)
    points = np.asarray(arrays.vert_properties)[:, :3]
    return trimesh.Trimesh(points, faces, process=False)


# --- claims that are counted: each gives what contradicts it, so that none is the good answer


def sums_that_differ(run: Run) -> list[str]:
    """Bodies that differ from their parts by more than the sockets' clearances and labels."""
    clearance = run.figures("split")["clearance_mm"]
    found = []
    for name, body in run.keyed.items():
        joints = [joint for joint in run.joints("cut") if joint["low"].split("-")[0] == name]
        gaps = sum(socket_gap_mm3(peg, clearance) for joint in joints for peg in joint["pegs"])
        gaps -= sum(row["label"]["volume_mm3"] for row in rows_of(run, name) if row.get("label"))
        wanted = body.volume() - gaps
        parts = sum(part.volume() for part in run.parts_of(name).values())
        whole, missing = run.whole[name], (body - run.whole[name]).volume()
        beyond, lost = missing + whole.volume() - body.volume(), missing - gaps
        if max(abs(parts - wanted), abs(beyond), abs(lost)) > 1e-3 * wanted:
            found.append(f"{name}: {parts - wanted:+.0f}, {beyond:+.0f}, {lost:+.0f} mm³")
    return found


def rows_of(run: Run, body: str) -> list[dict[str, Any]]:
    """The parts that split made of a body, as its log lists them."""
    return [row for row in run.figures("split")["parts"] if row["of"] == body]


def _column(peg: Mapping[str, Any]) -> Solid:
    """The upright room in which a jacket is full round a key of its flange."""
    x, y, _ = peg["base"]
    return _rod(x, y, peg["base_mm"] / 2 + ROUND_KEY_MM, -TALL_MM, TALL_MM)


def overlaps(run: Run) -> list[str]:
    """Pairs of parts that share more than 0.1 mm³ when assembled."""
    shared = {
        (one, other): (run.assembled[one] ^ run.assembled[other]).volume()
        for one, other in combinations(run.assembled, 2)
    }
    return [f"{pair}: {value:.2f} mm³" for pair, value in shared.items() if value > 0.1]


def unvented(run: Run) -> list[str]:
    """Air pockets deeper than the limit that no channel drains and no finding names."""
    limit = run.log("channels")["parameters"]["pocket_mm"]
    named = [f["where"] for f in run.findings if f["code"] == "pocket-without-vent"]
    found = []
    for pocket in run.pockets:
        if pocket.depth_mm <= limit + ROUGH_MM:
            continue
        plan = pocket.top[:, :2]
        drained = any(_nearest(plan, (c["x"], c["y"])) < c["void_mm"] / 2 for c in run.channels)
        if not drained and not any(_nearest(pocket.top, where) < 1 for where in named):
            found.append(f"{pocket.depth_mm:.2f} mm deep at {np.round(pocket.summit, 1).tolist()}")
    return found


def needless_pocket_findings(run: Run) -> list[str]:
    """Findings of an unvented pocket at a place where the void's ceiling has none.

    Where a rough scan crosses itself, the pad's skin is not where the void ends: a summit of
    the one need be none of the other.
    """
    tops = [pocket.top for pocket in run.pockets]
    named = [f["where"] for f in run.findings if f["code"] == "pocket-without-vent"]
    needless = [where for where in named if not any(_nearest(top, where) < 1 for top in tops)]
    pad = run.body("pad", "channels")
    return [f"{where}" for where in needless if not _crosses_itself(pad, where)]


def _crosses_itself(mesh: trimesh.Trimesh, place: ArrayLike, within_mm: float = 1.0) -> bool:
    """Whether a mesh passes through itself near a place."""
    near = np.linalg.norm(mesh.triangles_center - np.asarray(place), axis=1) < 3 * within_mm
    pairs = crossing_pairs(mesh.vertices, mesh.faces[near])
    crossed = mesh.triangles_center[near][np.unique(pairs)]
    return len(crossed) > 0 and _nearest(crossed, place) < within_mm


def _nearest(points: Floats, place: ArrayLike) -> float:
    return float(np.linalg.norm(points - np.asarray(place), axis=1).min())


def blocked_channels(run: Run) -> list[str]:
    """Channels that are not free above the void, or through which no air gets from it outside."""
    found = []
    top = max(part.bounding_box()[5] for part in run.assembled.values())
    for channel in run.channels:
        x, y, outside = channel["x"], channel["y"], channel["outside_z"]
        radius = channel["void_mm"] / 2 - 0.05
        # The ceiling is known from upright rays, so its very edge may lie a little higher.
        above = _rod(x, y, radius, channel["ceiling_z"] + 0.5, outside + 2)
        bore = _rod(x, y, radius, channel["void_z"], outside + 2)
        # What of the parts stands in the bore: little, so that what is cut with it costs little.
        within = union(*(bore ^ part for part in run.assembled.values() if _meet(bore, part)))
        touched = (above ^ within).volume()
        way_out = [
            lump for lump in (bore - within).decompose() if lump.bounding_box()[5] > outside + 1
        ]
        opened = (union(*way_out) ^ run.void).volume()
        if touched > 0.01 or opened < 1.0 or top > outside + 0.01:
            found.append(f"at {x:.1f}, {y:.1f}: touches {touched:.2f}, opens by {opened:.2f} mm³")
    return found


def _meet(one: Solid, other: Solid) -> bool:
    """Whether the boxes of two solids overlap."""
    (low, high), (start, end) = (np.reshape(each.bounding_box(), (2, 3)) for each in (one, other))
    return bool((low < end).all() and (start < high).all())


def _rod(x: float, y: float, radius: float, low: float, high: float) -> Solid:
    return manifold3d.Manifold.cylinder(high - low, radius, radius, 32).translate((x, y, low))


def narrow_margins(run: Run) -> list[str]:
    """Channels, keys and stops nearer to each other, to the void or to the outside than stated.

    Stated are 3 mm, for a stop the land's width from the void, and for the keys
    of a cut a wall of 1.2 mm all round their sockets.
    """
    block, split = run.figures("block"), run.figures("split")
    clearance = split["clearance_mm"]
    shadow = silhouette(solid(run.body("pad", "block")))
    outline = shapely.Polygon(block["outline_plan"])
    mouths = [
        shapely.Point(c["x"], c["y"]).buffer(max(c["outside_mm"], c["funnel_mm"]) / 2)
        for c in run.channels
    ]
    pegs = [peg for joint in run.joints("flange") for peg in joint["pegs"]]
    keys = [shapely.Point(peg["base"][:2]).buffer(peg["base_mm"] / 2) for peg in pegs]
    stops = [shapely.Point(place).buffer(STOP_MM) for place in block["stops"]]
    gaps = {
        "channel to channel": (3.0, [a.distance(b) for a, b in combinations(mouths, 2)]),
        "key to key": (3.0, [a.distance(b) for a, b in combinations(keys, 2)]),
        "key to channel": (3.0, [a.distance(b) for a in keys for b in mouths]),
        "key to stop": (3.0, [a.distance(b) for a in keys for b in stops]),
        "key to void": (3.0, [key.distance(shadow) for key in keys]),
        "key to outside": (3.0, [key.distance(outline.exterior) for key in keys]),
        "stop to void": (block["land_mm"], [stop.distance(shadow) for stop in stops]),
        "stop to channel": (3.0, [a.distance(b) for a in stops for b in mouths]),
    }
    found = [
        f"{what}: {min(values):.2f} mm"
        for what, (least, values) in gaps.items()
        if values and min(values) < least - 0.05
    ]
    for joint in run.joints("cut"):
        for peg in joint["pegs"]:
            ball = manifold3d.Manifold.sphere(WALL_MM - 0.1, 16)
            around = socket(peg, 0.2, clearance).minkowski_sum(ball)
            level = float(np.dot(peg["axis"], peg["base"])) + 0.2
            around = around.trim_by_plane(tuple(peg["axis"]), level)
            bare = (around - run.keyed[joint["low"].split("-")[0]]).volume()
            if bare > 0.1:
                found.append(f"wall of the socket at {peg['base']}: {bare:.2f} mm³ missing")
    return found


def loose_or_tight_pegs(run: Run) -> list[str]:
    """Pegs that are not the clearance away from their sockets, to 0.02 mm."""
    found = []
    for joint in run.figures("split")["joints"]:
        low, high = (_named(run, joint[side]) for side in ("low", "high"))
        clearance = joint.get("clearance_mm", run.figures("split")["clearance_mm"])
        for peg in joint["pegs"]:
            # Over a sloping joint the mouth of a socket lies uphill of its peg's foot.
            start = 0.5 if joint["kind"] == "cut" else 0.6 * peg["length_mm"]
            error = clearances(low, high, peg, start) - clearance
            if np.abs(error).max() > 0.02:
                found.append(f"{joint['low']} to {joint['high']} at {peg['base']}: "
                             f"{error.min():+.3f} to {error.max():+.3f} mm")  # fmt: skip
    return found


def _named(run: Run, name: str) -> trimesh.Trimesh:
    """The part of that name, or all parts of the body of that name."""
    names = [part for part in run.assembled if part == name or part.rsplit("-", 1)[0] == name]
    return trimesh.util.concatenate([run.assembled_meshes[part] for part in names])


def stuck_parts(run: Run) -> list[str]:
    """Joints that do not come apart along their pegs, the parts beyond the cut moved as one."""
    found = []
    of = {row["body"]: row["of"] for row in run.figures("split")["parts"]}
    cuts = {(of[j["low"]], j["axis"], j["at_mm"]) for j in run.joints("cut")}
    for body, axis, at in sorted(cuts):
        row = "xyz".index(axis)
        parts = run.parts_of(body).values()
        beyond = [part for part in parts if part.bounding_box()[row] > at - 0.5]
        rest = [part for part in parts if part.bounding_box()[row] <= at - 0.5]
        depth = swept_overlap_mm(union(*beyond), union(*rest), np.eye(3)[row], (0.5, 4.0))
        if depth > 0.01:
            found.append(f"{body} at {axis} = {at:.1f}: {depth:.3f} mm")
    return found


def unnamed_undercut_mm(run: Run, mover: str) -> float:
    """How deep the cover or the pad meets the cavity on its way out, 0 where a finding names it."""
    code = "undercut-casting" if mover == "pad" else "undercut-rigid"
    if any(finding["code"] == code for finding in run.findings):
        return 0.0
    body = solid(run.body("pad", "block")) if mover == "pad" else run.whole[run.cover_name]
    return swept_overlap_mm(body, run.whole["cavity"], (0, 0, 1))
