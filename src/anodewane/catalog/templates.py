"""The new parts: the built-in library, template files, and how a template maps onto itself.

A template file is TOML, all lengths in millimetres::

    name = "bow-plate"
    outline = "M -75 -37.5 L 75 -37.5 L 75 37.5 L -75 37.5 Z"   # SVG path data, part frame, y up; holes as
                                                                # further subpaths
    thickness_mm = 20
    mount = "flush"          # "flush": the face that lies down is dry; "open": water all round
    solid = "plate"          # "rod", "cast", "turned", "collar", "mesh": see docs/templates.md
    alloy = "zinc"           # "zinc", "aluminium", "magnesium"
    new_mass_g = 1580        # optional: what the new part weighs
    fill_factor = 1.0        # optional: metal volume over outline area x thickness
    core_depth_mm = 12       # optional: metal over a steel core
    mirror_ok = false        # optional: the part may lie either face up

    [[fixing_holes]]         # a bolt goes through; optional, one table a hole
    centre_mm = [-45, 0]     # or  ring = 1, counting the holes of the outline from 1
    diameter_mm = 11         # makes the hole where the outline has none there
    washer_mm = 26           # optional: outer diameter of the washer
    counterbore_mm = 30      # optional, with counterbore_depth_mm

    [[inserts]]              # optional: steel that doesn't waste
    outline = "M -95 -12 L 95 -12 L 95 12 L -95 12 Z"
    from_mm = 2
    to_mm = 7
"""

from __future__ import annotations

import hashlib
import json
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from anodewane.catalog.form_check import form_size
from anodewane.catalog.form_keys import (
    form_content,
    form_from_keys,
    form_lines,
    insert_content,
    insert_from_keys,
    insert_lines,
    number,
)
from anodewane.catalog.outlines import circle, largest_first
from anodewane.catalog.paths import path_from_rings, rings_from_path
from anodewane.catalog.shapes import SHAPES
from anodewane.catalog.template_check import Fixing, checked_template
from anodewane.errors import UsageError
from anodewane.records import FixingHole, Form, MeshForm, Template
from anodewane.units import Floats

# --- the library ---------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def builtin_templates() -> MappingProxyType[str, Template]:
    """Every template of the built-in library by name, in the library's order. Sizes are invented."""
    import tomllib
    from importlib.resources import files

    table = tomllib.loads(files("anodewane.catalog").joinpath("library.toml").read_text("utf-8"))
    # The library's tests hold every entry to the checks; here they would only cost time.
    return MappingProxyType(
        {
            name: SHAPES[entry.pop("shape")](name=name, validate=False, **entry)
            for name, entry in table.items()
        }
    )


def load_template(name_or_file: str) -> Template:
    """Return a template by the name of a built-in one, from the name of a TOML file, or from the text of one.

    Raises
    ------
    UsageError
        No such template, or a file whose content is wrong.
    InputUnreadable
        A file that is missing or can't be read.
    """
    if "\n" in name_or_file or "=" in name_or_file:
        return template_from_toml(name_or_file)
    known = builtin_templates()
    if name_or_file in known:
        return known[name_or_file]
    path = Path(name_or_file)
    if path.suffix.lower() != ".toml" and not path.is_file():
        from difflib import get_close_matches

        near = get_close_matches(name_or_file, known, n=3, cutoff=0.4)
        hint = f"Did you mean {' or '.join(near)}? " if near else ""
        raise UsageError(
            f"There is no template '{name_or_file}'.",
            f"{hint}'anodewane template list' names them all; a file of your own ends in .toml.",
        )
    return template_from_toml(_read_text(path), path.parent)


def _read_text(path: Path) -> str:
    from anodewane.files import read_text

    return read_text(path, "template file")


# --- template files ------------------------------------------------------------------------------

_KEYS: dict[str, str] = {
    "name": "text",
    "outline": "text",
    "thickness_mm": "number",
    "mount": "text",
    "solid": "text",
    "alloy": "text",
    "new_mass_g": "number",
    "fill_factor": "number",
    "core_depth_mm": "number",
    "mirror_ok": "yes or no",
    "draft_deg": "number",
    "edge_radius_mm": "number",
    "crown_mm": "number",
    "section": "text",
    "profile": "text",
    "length_mm": "number",
    "outer_diameter_mm": "number",
    "end_diameter_mm": "number",
    "barrel": "number",
    "bore_mm": "number",
    "mesh": "text",
    "mesh_sha256": "text",
    "mesh_data": "text",
    "fixing_holes": "list of tables",
    "inserts": "list of tables",
}
"""Every key and the kind of its value."""

_HOLE_KEYS = ("ring", "centre_mm", "diameter_mm", "washer_mm", "counterbore_mm", "counterbore_depth_mm")
MAX_TEXT_CHARS = 6_000_000


def template_from_toml(text: str, folder: Path | None = None) -> Template:
    """Read a template file's text.

    The largest subpath of the outline is the part, the others are its holes, numbered from 1 in the
    order written.

    Parameters
    ----------
    folder : Path, optional
        Where a mesh file that the text names lies.

    Raises
    ------
    UsageError
        Whatever is wrong with it, in one sentence.
    InputUnreadable
        A mesh file that can't be read.
    """
    data = _parsed(text)
    name = str(data.pop("name")).strip()
    if not name or len(name) > 80 or not name.isprintable():
        raise UsageError(
            "The template file's name is empty, too long or unprintable.",
            "Give a name of 1 to 80 characters.",
        )
    solid = data.get("solid", "plate")
    form = form_from_keys(name, solid, data, folder)
    outline = data.pop("outline", None)
    if form is not None and solid != "cast":
        data.setdefault("thickness_mm", round(form_size(form)[1], 6))
        rings = _rings_of_form(form) if outline is None else []
    else:
        for key, there in (("outline", outline is not None), ("thickness_mm", "thickness_mm" in data)):
            if not there:
                raise UsageError(
                    f"The template file has no '{key}'.",
                    "Add it; the guide has an example of a template file.",
                )
        rings = []
    if outline is not None:
        rings = largest_first(rings_from_path(outline, f"the template '{name}'"))
    if solid == "collar":
        data.setdefault("mount", "open")
    fixings = [_fixing(name, i, hole, rings) for i, hole in enumerate(data.pop("fixing_holes", []), start=1)]
    inserts = [insert_from_keys(name, i, table) for i, table in enumerate(data.pop("inserts", []), start=1)]
    return checked_template(name=name, rings=rings, fixings=fixings, form=form, inserts=inserts, **data)


def _parsed(text: str) -> dict[str, Any]:
    """The file's keys, each known and of its kind."""
    import tomllib

    if len(text) > MAX_TEXT_CHARS:
        raise UsageError(
            f"The template file is {len(text)} characters long.",
            f"Simplify its outline or its mesh; {MAX_TEXT_CHARS} characters are the most.",
        )
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as e:
        raise UsageError(f"The template file isn't valid TOML: {e}.", "Mend the line that it names.") from e
    for key, value in data.items():
        if key not in _KEYS:
            from difflib import get_close_matches

            near = get_close_matches(key, _KEYS, n=1)
            raise UsageError(
                f"The template file has an unknown key '{key}'.",
                f"Did you mean {near[0]}?" if near else f"Known keys: {', '.join(_KEYS)}.",
            )
        if not _is_kind(value, _KEYS[key]):
            raise UsageError(
                f"The template file gives '{key}' a value that isn't a {_KEYS[key]}.",
                f"Give a {_KEYS[key]}.",
            )
    if "name" not in data:
        raise UsageError(
            "The template file has no 'name'.", "Add it; the guide has an example of a template file."
        )
    return data


def _rings_of_form(form: Form) -> list[Floats]:
    """The plan of a form that needs no drawn outline."""
    if isinstance(form, MeshForm):
        from anodewane.catalog.mesh_file import plan_of_mesh

        return list(plan_of_mesh(form))
    from anodewane.wear.forms import plan_outline

    return [plan_outline(form)]


def template_to_toml(template: Template) -> str:
    """The template as the text of a file that `template_from_toml` reads back to the same template
    (coordinates to a nanometre)."""
    lines = [
        "# A new part, lengths in millimetres. The outline is SVG path data in the part's own frame, y up;",
        "# further subpaths are holes.",
        f"name = {_quoted(template.name)}",
        f'outline = """\n{path_from_rings(template.rings)}\n"""',
        f"thickness_mm = {number(template.thickness_mm)}",
        f'mount = "{template.mount}"',
        f'solid = "{template.solid}"',
        f'alloy = "{template.alloy}"',
        *([f"new_mass_g = {number(template.new_mass_g)}"] if template.new_mass_g is not None else []),
        f"fill_factor = {number(template.fill_factor)}",
        *(
            [f"core_depth_mm = {number(template.core_depth_mm)}"]
            if template.core_depth_mm is not None
            else []
        ),
        f"mirror_ok = {'true' if template.mirror_ok else 'false'}",
        *form_lines(template.form),
    ]
    for hole in template.fixing_holes:
        lines += ["", "[[fixing_holes]]", f"ring = {hole.ring}"]
        for key in ("washer_mm", "counterbore_mm", "counterbore_depth_mm"):
            value = getattr(hole, key)
            lines += [f"{key} = {number(value)}"] if value is not None else []
    return "\n".join([*lines, *insert_lines(template)]) + "\n"


def template_digest(template: Template) -> str:
    """SHA-256 of everything the template says, coordinates to a nanometre, as hex."""
    plain: list[Any] = [
        template.name,
        [len(r) for r in template.rings],
        *(round(float(v), 6) for v in (template.thickness_mm, template.fill_factor)),
        template.mount,
        template.solid,
        template.alloy,
        None if template.new_mass_g is None else round(template.new_mass_g, 6),
        None if template.core_depth_mm is None else round(template.core_depth_mm, 6),
        template.mirror_ok,
        [_hole_content(h) for h in template.fixing_holes],
    ]
    # What a prism doesn't have isn't in its digest.
    if template.form is not None:
        plain.append(form_content(template.form))
    if template.inserts:
        plain.append(["inserts", *map(insert_content, template.inserts)])
    digest = hashlib.sha256(json.dumps(plain, ensure_ascii=True, separators=(",", ":")).encode())
    for ring in template.rings:
        digest.update(np.rint(np.round(ring, 6) * 1e6).astype("<i8").tobytes())
    return digest.hexdigest()


def _hole_content(hole: FixingHole) -> list[Any]:
    sunk = [round(v, 6) for v in (hole.counterbore_mm, hole.counterbore_depth_mm) if v is not None]
    return [hole.ring, None if hole.washer_mm is None else round(hole.washer_mm, 6), *sunk]


def _is_kind(value: Any, kind: str) -> bool:
    if kind == "text":
        return isinstance(value, str)
    if kind == "yes or no":
        return isinstance(value, bool)
    if kind == "number":
        return (
            isinstance(value, (int, float))
            and not isinstance(value, bool)
            and bool(np.isfinite(float(value)))
        )
    return isinstance(value, list) and all(isinstance(v, dict) for v in value)


def _fixing(name: str, number: int, hole: dict[str, Any], rings: list[Floats]) -> Fixing:
    """A `[[fixing_holes]]` table; adds the hole to `rings` where a centre and a diameter ask for one
    that isn't there."""
    here = f"Fixing hole {number} of the template '{name}'"
    unknown = set(hole) - set(_HOLE_KEYS)
    if unknown:
        raise UsageError(
            f"{here} has an unknown key '{min(unknown)}'.", f"Known keys: {', '.join(_HOLE_KEYS)}."
        )
    for key in ("diameter_mm", "washer_mm", "counterbore_mm", "counterbore_depth_mm"):
        if key in hole and not (_is_kind(hole[key], "number") and hole[key] > 0):
            raise UsageError(f"{here} has a {key} that isn't a length.", "Give millimetres, more than 0.")
    if ("counterbore_mm" in hole) != ("counterbore_depth_mm" in hole):
        raise UsageError(
            f"{here} has half of a counterbore.",
            "Give both counterbore_mm, its diameter, and counterbore_depth_mm.",
        )
    rest = [
        float(hole[k]) if k in hole else None for k in ("washer_mm", "counterbore_mm", "counterbore_depth_mm")
    ]
    if ("ring" in hole) == ("centre_mm" in hole):
        raise UsageError(
            f"{here} must have either a ring or a centre_mm.",
            "Number the holes of the outline from 1, or give the hole's centre as [x, y].",
        )
    if "ring" in hole:
        if not isinstance(hole["ring"], int) or isinstance(hole["ring"], bool):
            raise UsageError(
                f"{here} has a ring that isn't a whole number.", "Number the holes of the outline from 1."
            )
        if "diameter_mm" in hole:
            raise UsageError(
                f"{here} has a ring and a diameter, but the outline has its diameter already.",
                "Leave diameter_mm out.",
            )
        return Fixing(hole["ring"], *rest)
    centre = hole["centre_mm"]
    if not (isinstance(centre, list) and len(centre) == 2 and all(_is_kind(v, "number") for v in centre)):
        raise UsageError(f"{here} has a centre_mm that isn't a point.", "Give it as [x, y] in millimetres.")
    point = np.array(centre, float)
    for i, ring in enumerate(rings[1:], start=1):
        if np.linalg.norm((ring.min(axis=0) + ring.max(axis=0)) / 2 - point) < 1.0:
            return Fixing(i, *rest)
    if "diameter_mm" not in hole:
        raise UsageError(
            f"{here} has its centre where the outline has no hole.",
            "Give diameter_mm too, and the hole is made; or correct the centre.",
        )
    rings.append(circle(centre, float(hole["diameter_mm"])))
    return Fixing(len(rings) - 1, *rest)


def _quoted(text: str) -> str:
    """A TOML basic string: JSON's escapes are among TOML's, but for the solidus that json never escapes."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
