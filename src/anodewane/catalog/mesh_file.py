"""A triangle mesh from a file, STL or 3MF: read by trimesh, refused where it isn't one closed part in
millimetres.

STL has no unit, 3MF states its own. The mesh is laid with its lowest point at 0 and its middle over the part
frame's origin; its through holes are the holes of its plan.
"""

from __future__ import annotations

import hashlib
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

import numpy as np

from anodewane.catalog.template_check import (
    MAX_SIZE_MM,
    MIN_SIZE_MM,
)
from anodewane.errors import UsageError
from anodewane.geometry.rings import ring_area
from anodewane.records import MeshForm
from anodewane.units import Floats

if TYPE_CHECKING:
    from anodewane.units import Rings

MAX_BYTES = 60_000_000
MAX_FACES = 100_000
"""Triangles: a casting to a twentieth of a millimetre has some ten thousand."""

UNITS_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}
UPS = ("z", "-z", "y", "-y", "x", "-x")
LIKELY_MM = (30.0, 500.0)
"""Longest sides of most parts: which unit a mesh was likely drawn in."""

SPECK_MM2 = 1.0
"""Smaller gaps in a mesh's plan are slits between triangles."""


def read_mesh(data: bytes, file_name: str, unit: str | None = None, up: str = "z") -> MeshForm:
    """Read, check and lay down the mesh of one closed part; see `template_from_mesh`."""
    mesh, stated = _loaded(data, file_name)
    if len(mesh.faces) > MAX_FACES:
        raise UsageError(
            f"The mesh '{file_name}' has {len(mesh.faces)} triangles.",
            f"Simplify it to at most {MAX_FACES} in the program that drew it: 0.05 mm is fine enough.",
        )
    scale = UNITS_MM[unit] if unit else stated
    corners = np.asarray(mesh.vertices, float) * scale @ _turn(up).T
    _check_size(file_name, np.ptp(corners, axis=0), scale)
    _check_closed(file_name, mesh, corners)
    low, high = corners.min(axis=0), corners.max(axis=0)
    laid = corners - [(low[0] + high[0]) / 2, (low[1] + high[1]) / 2, low[2]]
    return MeshForm(
        np.round(laid, 6) + 0.0,
        np.asarray(mesh.faces, np.int64),
        PurePath(file_name).name,
        hashlib.sha256(data).hexdigest(),
    )


def plan_of_mesh(form: MeshForm) -> Rings:
    """The plan that a mesh throws: its outline, then its through holes."""
    import shapely

    xy = form.vertices_mm[form.faces][:, :, :2]
    edge = xy[:, 1:] - xy[:, :1]
    doubled = edge[:, 0, 0] * edge[:, 1, 1] - edge[:, 0, 1] * edge[:, 1, 0]
    seen = shapely.polygons(xy[doubled > 1e-9])
    # A hair of width joins what rounding keeps apart.
    plan = shapely.union_all(shapely.buffer(seen, 1e-3, join_style="mitre")).buffer(-1e-3, join_style="mitre")
    body = max(shapely.get_parts(plan), key=lambda p: p.area).simplify(2e-3)
    rings = [np.asarray(r.coords)[:-1] for r in (body.exterior, *body.interiors)]
    return tuple(r for i, r in enumerate(rings) if i == 0 or abs(ring_area(r)) > SPECK_MM2)


# --- inside ----------------------------------------------------------------------------------------------


def _loaded(data: bytes, file_name: str) -> tuple[Any, float]:
    """The file's triangles as one trimesh, and its unit in mm."""
    import trimesh

    if len(data) > MAX_BYTES:
        raise UsageError(
            f"The mesh '{file_name}' is {len(data) / 1e6:.0f} MB.",
            f"Simplify it to at most {MAX_FACES} triangles in the program that drew it.",
        )
    kind = "3mf" if data[:2] == b"PK" else "stl"
    try:
        scene = trimesh.load_scene(trimesh.util.wrap_as_stream(data), file_type=kind)
        mesh, units = scene.to_mesh(), scene.units
    except Exception as e:  # trimesh raises whatever comes up inside it, for a file that isn't what it says
        raise UsageError(
            f"The file '{file_name}' isn't a mesh that can be read.",
            "Export the part as STL or 3MF from the program that drew it.",
        ) from e
    if not isinstance(mesh, trimesh.Trimesh) or not len(mesh.faces):
        raise UsageError(
            f"The mesh '{file_name}' has no triangles.", "Export the part's body as STL or 3MF, not a sketch."
        )
    if not np.isfinite(mesh.vertices).all():
        raise UsageError(f"The mesh '{file_name}' has corners that are no numbers.", "Export it again.")
    mesh.merge_vertices()
    mesh.update_faces(mesh.nondegenerate_faces())
    mesh.remove_unreferenced_vertices()
    stated = trimesh.units.unit_conversion(units, "millimeters") if kind == "3mf" and units else 1.0
    return mesh, float(stated)


def _turn(up: str) -> Floats:
    """(3, 3) rotation that brings the named axis of the mesh up."""
    axis, sign = "xyz".index(up[-1]), -1.0 if up.startswith("-") else 1.0
    # The two other axes in their cyclic order, so that left stays left.
    first, second = (axis + 1) % 3, (axis + 2) % 3
    rows = np.zeros((3, 3))
    rows[0, first], rows[1, second], rows[2, axis] = 1.0, sign, sign
    return rows


def _check_size(file_name: str, size: Floats, scale: float) -> None:
    longest = float(size.max())
    if MIN_SIZE_MM <= longest <= MAX_SIZE_MM:
        return
    inside = [u for u, mm in UNITS_MM.items() if LIKELY_MM[0] <= longest / scale * mm <= LIKELY_MM[1]]
    hint = f"Is it drawn in {' or '.join(inside)}? Give --units {inside[0]}. " if inside else ""
    raise UsageError(
        f"The mesh '{file_name}' is {size[0]:.4g} x {size[1]:.4g} x {size[2]:.4g} mm, which no such part is.",
        f"{hint}Its longest side must be {MIN_SIZE_MM:g} to {MAX_SIZE_MM:g} mm.",
    )


def _check_closed(file_name: str, mesh: Any, corners: Floats) -> None:
    """Refuse what encloses no body; turn triangles that look the wrong way round."""
    if not mesh.is_watertight:
        edges, count = np.unique(mesh.edges_sorted, axis=0, return_counts=True)
        open_edges = edges[count == 1]
        where = ""
        if len(open_edges):
            x, y, z = corners[open_edges[0]].mean(axis=0)
            where = f": {len(open_edges)} edges are open, one near x {x:.1f}, y {y:.1f}, z {z:.1f} mm"
        raise UsageError(
            f"The mesh '{file_name}' isn't closed{where}.",
            "Close or repair it in the program that drew it, so that it is one solid, and export it again.",
        )
    if mesh.body_count > 1:
        raise UsageError(
            f"The mesh '{file_name}' holds {mesh.body_count} bodies.",
            "Export the wasting metal of one part alone, joined to one body; give steel as inserts.",
        )
    if not mesh.is_winding_consistent or mesh.volume < 0:
        mesh.fix_normals()
    if not (mesh.is_winding_consistent and mesh.volume > 0):
        raise UsageError(
            f"The mesh '{file_name}' encloses no volume.",
            "Repair it in the program that drew it, so that it is one solid, and export it again.",
        )
