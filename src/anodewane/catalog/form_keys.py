"""What a template file says of a casting beyond its outline: its form, its counterbores, its steel. Read, and
written back.

A form's keys go with its `solid` (`FORM_KEYS`); a key of another solid is refused, for it would go unheeded.
"""

from __future__ import annotations

import base64
import hashlib
import json
import zlib
from pathlib import Path
from typing import Any

import numpy as np

from anodewane.catalog.paths import path_from_rings, rings_from_path
from anodewane.errors import UsageError
from anodewane.geometry.rings import oriented
from anodewane.records import CastForm, CollarForm, Form, Insert, MeshForm, Template, TurnedForm
from anodewane.units import Floats

FORM_KEYS: dict[str, tuple[str, ...]] = {
    "plate": (),
    "rod": (),
    "cast": ("draft_deg", "edge_radius_mm", "crown_mm", "section"),
    "turned": ("profile", "edge_radius_mm"),
    "collar": ("length_mm", "outer_diameter_mm", "end_diameter_mm", "barrel", "bore_mm", "edge_radius_mm"),
    "mesh": ("mesh", "mesh_sha256", "mesh_data"),
}
INSERT_KEYS = ("outline", "from_mm", "to_mm")
MAX_PAIRS = 500
MESH_SCALE = 1e6
"""Corners of a written mesh are whole nanometres, as every coordinate of a template file is."""


# --- forms -----------------------------------------------------------------------------------------------


def form_from_keys(name: str, solid: str, data: dict[str, Any], folder: Path | None) -> Form | None:
    """Take the keys of a form out of a template file's data.

    Parameters
    ----------
    data : dict
        All keys of the file; those of the form are taken out of it.
    folder : Path, optional
        Where a mesh file that is named lies.

    Raises
    ------
    UsageError
        A key that goes with another solid, one that is missing, or one that can't be read.
    InputUnreadable
        A mesh file that can't be read.
    """
    mine = FORM_KEYS.get(solid, ())
    for key in sorted({k for keys in FORM_KEYS.values() for k in keys} & set(data)):
        if key not in mine and solid in FORM_KEYS:
            at_home = " or ".join(f'"{s}"' for s, keys in FORM_KEYS.items() if key in keys)
            raise UsageError(
                f"The template '{name}' has the key '{key}', which says nothing about a {solid}.",
                f"Set solid = {at_home}, or leave the key out.",
            )
    values = {k: data.pop(k) for k in mine if k in data}
    if solid == "cast":
        return form_from_measures(name, solid, values)
    if solid == "turned":
        profile = pairs(_wanted(values, "profile", name, solid), name, "profile")
        return TurnedForm(profile, float(values.get("edge_radius_mm", 0.0)))
    if solid == "collar":
        for key in mine[:-1]:
            _wanted(values, key, name, solid)
        return CollarForm(**{k: float(v) for k, v in values.items()})
    if solid == "mesh":
        _wanted(values, "mesh", name, solid)
        return _mesh_form(name, values, folder)
    return None


def form_from_measures(name: str, solid: str, measures: dict[str, Any]) -> CastForm | None:
    """Take draft, edge radius, crown and section out of what a maker was told: a casting's form where one
    of them is there or `solid` is "cast", None for a prism or a rod.

    Raises
    ------
    UsageError
        Measures of a casting for a rod, or a section that isn't pairs.
    """
    figures = {k: measures.pop(k, None) for k in ("draft_deg", "edge_radius_mm", "crown_mm")}
    section = measures.pop("section", None)
    there = section is not None or any(v is not None for v in figures.values())
    if solid == "rod" and there:
        raise UsageError(
            f"The template '{name}' is a rod with a draft, an edge radius, a crown or a section.",
            "Leave them out, or don't call it a rod.",
        )
    if not there and solid != "cast":
        return None
    section_mm = None if section is None else pairs(section, name, "section")
    return CastForm(**{k: None if v is None else float(v) for k, v in figures.items()}, section_mm=section_mm)


def unknown_words(template: Template) -> str:
    """What a casting's template leaves open, in words; "" where nothing is."""
    form = template.form
    if not isinstance(form, CastForm):
        return ""
    names = {"draft_deg": "draft", "edge_radius_mm": "edge radius", "crown_mm": "crown"}
    there = ("draft_deg", "crown_mm") if form.section_mm is not None else ()
    left = [w for key, w in names.items() if getattr(form, key) is None and key not in there]
    return " and ".join(filter(None, (", ".join(left[:-1]), *left[-1:])))


def form_lines(form: Form | None) -> list[str]:
    """A form as lines of a template file."""
    if form is None:
        return []
    if isinstance(form, MeshForm):
        return [
            f"mesh = {json.dumps(form.source or 'mesh', ensure_ascii=False)}",
            f'mesh_sha256 = "{form.sha256}"',
            f'mesh_data = "{mesh_text(form)}"',
        ]
    if isinstance(form, CastForm):
        drawn = {"section": form.section_mm}
        figures = {k: getattr(form, k) for k in ("draft_deg", "edge_radius_mm", "crown_mm")}
    elif isinstance(form, TurnedForm):
        drawn, figures = {"profile": form.profile_mm}, {"edge_radius_mm": form.edge_radius_mm}
    else:
        drawn, figures = {}, {k: getattr(form, k) for k in FORM_KEYS["collar"]}
    lines = [f'{k} = "{pairs_text(v)}"' for k, v in drawn.items() if v is not None]
    return lines + [f"{k} = {number(v)}" for k, v in figures.items() if v is not None]


def form_content(form: Form) -> list[Any]:
    """Everything a form says as plain values for a digest, lengths to a nanometre."""
    if isinstance(form, MeshForm):
        whole = np.rint(form.vertices_mm * MESH_SCALE).astype("<i8").tobytes()
        corners = np.asarray(form.faces).astype("<i8").tobytes()
        return ["mesh", hashlib.sha256(whole).hexdigest(), hashlib.sha256(corners).hexdigest()]
    if isinstance(form, CastForm):
        figures = [form.draft_deg, form.edge_radius_mm, form.crown_mm]
        section = None if form.section_mm is None else np.round(form.section_mm, 6).tolist()
        return ["cast", [None if v is None else round(float(v), 6) for v in figures], section]
    if isinstance(form, TurnedForm):
        return ["turned", np.round(form.profile_mm, 6).tolist(), round(float(form.edge_radius_mm), 6)]
    return ["collar", [round(float(getattr(form, k)), 6) for k in FORM_KEYS["collar"]]]


def pairs(text: str, name: str, what: str) -> Floats:
    """(n, 2) figures of a text such as ``"0,0 2.5,12 30,14"``.

    Raises
    ------
    UsageError
        A text that isn't pairs of figures.
    """
    try:
        got = [[float(v) for v in pair.split(",")] for pair in text.split()]
    except ValueError:
        got = []
    if not 2 <= len(got) <= MAX_PAIRS or any(len(p) != 2 for p in got) or not np.isfinite(got).all():
        raise UsageError(
            f"The {what} of the template '{name}' isn't a list of at least two pairs of figures.",
            'Write pairs with a comma in them and spaces between, such as "0,0 2.5,12 30,14".',
        )
    return np.round(np.array(got, float), 6) + 0.0


def pairs_text(values: Floats) -> str:
    """The text that `pairs` reads."""
    return " ".join(f"{number(a)},{number(b)}" for a, b in values)


def number(value: float) -> str:
    """A figure to a nanometre without idle zeros."""
    return f"{value:.6f}".rstrip("0").rstrip(".") if abs(value - round(value)) > 5e-7 else str(round(value))


def _wanted(values: dict[str, Any], key: str, name: str, solid: str) -> Any:
    if key not in values:
        needed = ", ".join(
            k for k in FORM_KEYS[solid] if k not in ("edge_radius_mm", "mesh_sha256", "mesh_data")
        )
        raise UsageError(
            f"The template '{name}' is a {solid} without '{key}'.",
            f"A {solid} needs: {needed}; add what is missing.",
        )
    return values[key]


# --- meshes ----------------------------------------------------------------------------------------------


def mesh_text(form: MeshForm) -> str:
    """Corners and triangles of a mesh as text (zlib in Base64), so that a template file stands by itself."""
    corners = np.rint(form.vertices_mm * MESH_SCALE).astype("<i4")
    head = np.array([len(corners), len(form.faces)], "<i4")
    raw = head.tobytes() + corners.tobytes() + np.asarray(form.faces).astype("<i4").tobytes()
    return base64.b64encode(zlib.compress(raw, 9)).decode("ascii")


def _mesh_form(name: str, values: dict[str, Any], folder: Path | None) -> MeshForm:
    from anodewane.catalog.mesh_file import MAX_FACES, read_mesh

    if "mesh_data" not in values:
        if folder is None:
            raise UsageError(
                f"The template '{name}' names the mesh '{values['mesh']}' but was handed in without its "
                "folder.",
                "Name the template by its file, or make one that stands by itself: anodewane template "
                "from-mesh.",
            )
        from anodewane.files import read_bytes

        path = folder / values["mesh"]
        return read_mesh(read_bytes(path, "mesh"), path.name)
    broken = UsageError(
        f"The mesh_data of the template '{name}' can't be read.",
        "Make the template anew from the mesh: anodewane template from-mesh.",
    )
    try:
        most = 8 + 12 * 4 * MAX_FACES
        raw = zlib.decompressobj().decompress(base64.b64decode(values["mesh_data"], validate=True), most)
        n_corners, n_faces = (int(v) for v in np.frombuffer(raw, "<i4", 2))
        if min(n_corners, n_faces) < 4 or n_faces > MAX_FACES or len(raw) != 8 + 12 * (n_corners + n_faces):
            raise broken
        corners = np.frombuffer(raw, "<i4", 3 * n_corners, 8).reshape(-1, 3) / MESH_SCALE
        faces = np.frombuffer(raw, "<i4", 3 * n_faces, 8 + 12 * n_corners).reshape(-1, 3)
    except (ValueError, zlib.error) as e:
        raise broken from e
    if faces.min() < 0 or faces.max() >= n_corners:
        raise broken
    return MeshForm(corners, faces, values["mesh"], values.get("mesh_sha256", ""))


# --- steel -----------------------------------------------------------------------------------------------


def insert_from_keys(name: str, index: int, table: dict[str, Any]) -> Insert:
    """An `[[inserts]]` table as a record.

    Raises
    ------
    UsageError
        Keys that are missing, unknown or can't be.
    """
    here = f"Insert {index} of the template '{name}'"
    unknown = set(table) - set(INSERT_KEYS)
    if unknown:
        raise UsageError(
            f"{here} has an unknown key '{min(unknown)}'.", f"Known keys: {', '.join(INSERT_KEYS)}."
        )
    for key in INSERT_KEYS:
        kind = str if key == "outline" else (int, float)
        if not isinstance(table.get(key), kind) or isinstance(table.get(key), bool):
            raise UsageError(
                f"{here} has no {key} that can be read.",
                "Give its plan outline as SVG path data, and from_mm and to_mm, the heights of its underside "
                "and of its top.",
            )
    low, high = float(table["from_mm"]), float(table["to_mm"])
    if not 0 <= low < high < np.inf:
        raise UsageError(
            f"{here} reaches from {low:g} to {high:g} mm.",
            "Give the height of its underside and then of its top, above the face that lies down.",
        )
    rings = rings_from_path(table["outline"], f"insert {index} of '{name}'")
    return Insert(oriented(tuple(np.round(r, 6) + 0.0 for r in rings)), low, high)


def insert_lines(template: Template) -> list[str]:
    """The inserts as tables of a template file."""
    lines: list[str] = []
    for insert in template.inserts:
        lines += [
            "",
            "[[inserts]]",
            f'outline = """\n{path_from_rings(insert.rings)}\n"""',
            f"from_mm = {number(insert.from_mm)}",
            f"to_mm = {number(insert.to_mm)}",
        ]
    return lines


def insert_content(insert: Insert) -> list[Any]:
    """Everything an insert says as plain values for a digest, lengths to a nanometre."""
    rings = [np.rint(np.round(r, 6) * 1e6).astype("<i8").tobytes().hex() for r in insert.rings]
    return [round(float(insert.from_mm), 6), round(float(insert.to_mm), 6), rings]
