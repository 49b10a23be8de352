"""The one door to the boolean engine: closed in, closed out.

All in float64. The engine reports a failure as an empty solid with a status,
which later booleans would hide: every result is checked here at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, TypeAlias

import manifold3d
import numpy as np
import shapely
import trimesh
from numpy.typing import ArrayLike, NDArray

from ..errors import CannotBuild
from . import stl
from .topology import compact, pinched, pulled_apart
from .topology import components as components_of

if TYPE_CHECKING:
    Solid: TypeAlias = Any
else:
    Solid = manifold3d.Manifold

_APART_MM = 0.004
_FLAKE_MM3 = 1e-3

__all__ = [
    "Solid",
    "area_mm2",
    "box",
    "components",
    "difference",
    "difference_or_empty",
    "extrude",
    "from_arrays",
    "from_mesh",
    "frustum",
    "hull",
    "intersection",
    "min_gap",
    "moved",
    "part_volumes",
    "printable",
    "section",
    "shadow",
    "silhouette",
    "simplified",
    "split_by_plane",
    "to_mesh",
    "triangulate",
    "trim_by_plane",
    "union",
    "volume_mm3",
]


def from_mesh(mesh: trimesh.Trimesh) -> Solid:
    """The solid that a closed mesh encloses; `CannotBuild` if it is not closed."""
    return from_arrays(mesh.vertices, mesh.faces)


def from_arrays(vertices: ArrayLike, faces: ArrayLike) -> Solid:
    """The solid of vertices (n, 3) and faces (m, 3)."""
    mesh = manifold3d.Mesh64(
        np.array(vertices, dtype=np.float64),  # copies: the engine takes no read-only arrays
        np.array(faces, dtype=np.uint64),
    )
    return _checked(manifold3d.Manifold(mesh), "reading a closed mesh")


def to_mesh(solid: Solid) -> trimesh.Trimesh:
    """The solid's surface."""
    mesh = solid.to_mesh64()
    faces = np.asarray(mesh.tri_verts).astype(np.int64)
    return trimesh.Trimesh(np.asarray(mesh.vert_properties)[:, :3], faces, process=False)


def printable(solid: Solid) -> trimesh.Trimesh:
    """The solid's surface, closed also after the rounding of an STL.

    Float32 makes vertices that lie closer than about 3e-5 mm one; where that
    would leave an edge with more or fewer than two faces, or faces that meet in a
    corner alone, corners in which the solid touches itself are moved apart, and
    short edges collapsed, 1 micrometre first.
    """
    for tolerance in (0.0, 0.001, 0.003, 0.01, 0.02):
        candidate = to_mesh(solid.simplify(tolerance) if tolerance else solid)
        for apart in (0.0, _APART_MM):
            mesh = _without_flakes(_rounded(candidate, apart))
            closed = mesh.is_watertight and mesh.is_winding_consistent
            # Where no vertices were made one none is pinched: the engine's solids have no such.
            merged = len(mesh.vertices) < len(candidate.vertices)
            if closed and not (merged and pinched(mesh.faces)):
                return mesh
    raise CannotBuild(
        "a solid does not stay closed in an STL file",
        "Its walls touch themselves: change the sizes by a little",
    )


def _rounded(mesh: trimesh.Trimesh, apart_mm: float) -> trimesh.Trimesh:
    vertices = np.asarray(mesh.vertices)
    if apart_mm:
        vertices, _ = pulled_apart(vertices, mesh.faces, apart_mm)
    vertices, faces = stl.decode(stl.encode(vertices, mesh.faces))
    flat = (
        (faces[:, 0] == faces[:, 1]) | (faces[:, 1] == faces[:, 2]) | (faces[:, 2] == faces[:, 0])
    )
    return trimesh.Trimesh(vertices, faces[~flat], process=False)


def _without_flakes(mesh: trimesh.Trimesh) -> trimesh.Trimesh:
    """The mesh without closed parts of next to no volume, which rounding may turn inside out."""
    part, volumes = part_volumes(mesh)
    kept = np.abs(volumes) > _FLAKE_MM3
    if len(volumes) == 1 or kept.all():
        return mesh
    vertices, faces = compact(np.asarray(mesh.vertices), mesh.faces[kept[part]])
    return trimesh.Trimesh(vertices, faces, process=False)


def part_volumes(mesh: trimesh.Trimesh) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """The connected part that each face (m,) of a closed mesh belongs to; the parts' volumes (k,).

    A part that bounds a hollow within another has a volume below 0. Cost grows with the faces,
    however many parts there are.
    """
    count, part = components_of(mesh.faces)
    a, b, c = (np.asarray(mesh.vertices)[mesh.faces[:, corner]] for corner in range(3))
    first = np.zeros((count, 3))
    first[part] = a  # from a corner of its own, a small part far out keeps its digits
    volume = np.einsum("ij,ij->i", a - first[part], np.cross(b - a, c - a)) / 6
    return part, np.bincount(part, volume, count).astype(np.float64)


def union(*solids: Solid) -> Solid:
    """All solids as one."""
    return _batch(solids, manifold3d.OpType.Add, "union")


def difference(solid: Solid, *others: Solid) -> Solid:
    """What of `solid` lies in none of the others."""
    if not others:
        return solid
    return _batch([solid, *others], manifold3d.OpType.Subtract, "difference")


def difference_or_empty(solid: Solid, *others: Solid) -> Solid:
    """`difference` that may leave nothing."""
    return _batch([solid, *others], manifold3d.OpType.Subtract, "difference", may_be_empty=True)


def intersection(*solids: Solid) -> Solid:
    """What lies in all solids; may be empty."""
    return _batch(solids, manifold3d.OpType.Intersect, "intersection", may_be_empty=True)


def trim_by_plane(solid: Solid, normal: ArrayLike, offset: float) -> Solid:
    """The part of the solid where normal . x >= offset; may be empty."""
    trimmed = solid.trim_by_plane(_triple(normal), float(offset))
    return _checked(trimmed, "plane trim", may_be_empty=True)


def split_by_plane(solid: Solid, normal: ArrayLike, offset: float) -> tuple[Solid, Solid]:
    """The parts in front of and behind the plane normal . x = offset; either may be empty."""
    front, back = solid.split_by_plane(_triple(normal), float(offset))
    return (
        _checked(front, "plane split", may_be_empty=True),
        _checked(back, "plane split", may_be_empty=True),
    )


def moved(solid: Solid, matrix: ArrayLike) -> Solid:
    """The solid moved by a 3 x 4 or 4 x 4 matrix."""
    return _checked(solid.transform(np.asarray(matrix, dtype=np.float64)[:3]), "move")


def simplified(solid: Solid, tolerance_mm: float) -> Solid:
    """The solid with short edges and flat vertices collapsed, within a tolerance."""
    return _checked(solid.simplify(tolerance_mm), "simplification")


def components(solid: Solid) -> list[Solid]:
    """The solid's connected pieces, largest volume first."""
    return sorted(solid.decompose(), key=lambda piece: -float(piece.volume()))


def box(low: ArrayLike, high: ArrayLike) -> Solid:
    """The axis-parallel box between two corners."""
    low, high = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
    return _checked(manifold3d.Manifold.cube(_triple(high - low)).translate(_triple(low)), "box")


def frustum(
    base: ArrayLike, axis: ArrayLike, base_radius: float, top_radius: float, sides: int
) -> Solid:
    """A straight cone frustum from `base` along the vector `axis`, whose length is its height.

    The sides are a regular polygon whose corners lie on the radii.
    """
    base, axis = np.asarray(base, dtype=float), np.asarray(axis, dtype=float)
    height = float(np.linalg.norm(axis))
    upright = manifold3d.Manifold.cylinder(height, base_radius, top_radius, sides)
    matrix = np.eye(4)
    matrix[:3, :3] = rotation_to(axis / height)
    matrix[:3, 3] = base
    return moved(_checked(upright, "frustum"), matrix)


def rotation_to(direction: NDArray[np.float64]) -> NDArray[np.float64]:
    """The 3 x 3 rotation that takes z to the unit `direction` by the shortest way."""
    x, y, z = direction
    if z < -1 + 1e-12:
        return np.diag([1.0, -1.0, -1.0])
    cross = np.array([[0, 0, x], [0, 0, y], [-x, -y, 0]])
    return np.asarray(np.eye(3) + cross + cross @ cross / (1 + z))


def extrude(polygon: shapely.Geometry, low_mm: float, high_mm: float) -> Solid:
    """The upright prism over a (multi)polygon, from one height to another."""
    section_ = _cross_section(polygon)
    prism = manifold3d.Manifold.extrude(section_, high_mm - low_mm).translate((0, 0, low_mm))
    return _checked(prism, "extrusion")


def triangulate(rings: Sequence[ArrayLike]) -> NDArray[np.int64]:
    """Triangles (m, 3) of the region of plan rings: outer anticlockwise, holes clockwise.

    Numbers count the points of all rings in order; no point is added.
    """
    plain = [np.ascontiguousarray(ring, dtype=np.float64) for ring in rings]
    faces = np.asarray(manifold3d.triangulate(plain, -1, False), dtype=np.int64)
    expected = sum(len(ring) for ring in plain) + 2 * (len(plain) - 2)
    if len(faces) != expected:
        raise CannotBuild(
            f"a plan outline cannot be filled ({len(faces)} triangles for {expected})",
            "It crosses or touches itself: change the crop or the sizes by a little",
        )
    return faces


def section(solid: Solid, height_mm: float) -> shapely.MultiPolygon:
    """The solid's horizontal section at a height."""
    return _polygons(solid.slice(float(height_mm)))


def silhouette(solid: Solid) -> shapely.MultiPolygon:
    """The solid's shadow along z."""
    return _polygons(solid.project())


def shadow(mesh: trimesh.Trimesh) -> shapely.Geometry:
    """The shadow of a closed mesh along z, its polygons united."""
    return shapely.union_all(silhouette(from_mesh(mesh)))


def hull(points: ArrayLike) -> Solid:
    """The convex hull of points (n, 3)."""
    return _checked(manifold3d.Manifold.hull_points(np.asarray(points, dtype=float)), "hull")


def volume_mm3(solid: Solid) -> float:
    return float(solid.volume())


def area_mm2(solid: Solid) -> float:
    return float(solid.surface_area())


def min_gap(solid: Solid, other: Solid, search_mm: float) -> float:
    """The least distance between two solids, at most `search_mm`."""
    return float(solid.min_gap(other, search_mm))


def _batch(
    solids: Iterable[Solid], operation: Any, what: str, *, may_be_empty: bool = False
) -> Solid:
    result = manifold3d.Manifold.batch_boolean(list(solids), operation)
    return _checked(result, what, may_be_empty=may_be_empty)


def _checked(solid: Solid, what: str, *, may_be_empty: bool = False) -> Solid:
    status = solid.status()
    if status != manifold3d.Error.NoError:
        raise CannotBuild(
            f"{what} failed: {status.name}",
            "The mesh is not a closed surface: heal the scan, or change the sizes by a little",
        )
    if solid.is_empty() and not may_be_empty:
        raise CannotBuild(f"{what} leaves nothing", "Check the sizes and places given")
    return solid


def _triple(vector: ArrayLike) -> tuple[float, float, float]:
    x, y, z = np.asarray(vector, dtype=float).tolist()
    return (x, y, z)


def _cross_section(polygon: shapely.Geometry) -> Any:
    rings: list[NDArray[np.float64]] = []
    for part in shapely.get_parts(polygon):
        oriented = shapely.orient_polygons(part)
        rings += [np.asarray(ring.coords)[:-1] for ring in (oriented.exterior, *oriented.interiors)]
    return manifold3d.CrossSection(rings, manifold3d.FillRule.Positive)


def _polygons(section_: Any) -> shapely.MultiPolygon:
    """Shapely's form of a cross-section: rings put together by the even-odd rule."""
    rings: Sequence[Any] = [
        shapely.Polygon(ring) for ring in section_.to_polygons() if len(ring) > 2
    ]
    result: Any = shapely.MultiPolygon()
    for ring in sorted(rings, key=lambda item: -item.area):
        result = result.symmetric_difference(ring.buffer(0))
    parts = [part for part in shapely.get_parts(result) if part.geom_type == "Polygon"]
    return shapely.MultiPolygon(parts)
