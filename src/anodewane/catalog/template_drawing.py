"""A dimensioned drawing of a template: plan, section and figures, as SVG at true size, and as PNG.

Drawing frame: mm on the page, x right, y down; the plan is seen from above, as the part lies for its photo.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from anodewane.catalog.form_keys import unknown_words
from anodewane.catalog.section import centre_of, section_of
from anodewane.geometry.rings import rings_area
from anodewane.records import CastForm, CollarForm, FixingHole, MeshForm, Template, TurnedForm
from anodewane.show.figures import number
from anodewane.show.marks import INK, METAL, QUIET, RULE
from anodewane.show.svg import Sheet
from anodewane.units import Floats, Rings
from anodewane.wear.metals import METALS
from anodewane.wear.solids import new_mass_g, new_volume

MOUNT_WORDS = {"flush": "flush: the face that lies down is dry", "open": "open: water all round"}
SOLID_WORDS = {
    "plate": "plate: a prism over its outline",
    "rod": "rod of round section; the outline is its side view",
    "cast": "casting: walls and top follow the distance from the outline",
    "turned": "turned: stands on its foot",
    "collar": "half of a shaft collar on its split face; bore and split face are dry",
    "mesh": "mesh",
}


def figures_text(template: Template, sha256: str) -> list[tuple[str, str]]:
    """What a template is, as (what, figure) pairs for people."""
    low, high = template.rings[0].min(axis=0), template.rings[0].max(axis=0)
    length, width = high - low
    metal = METALS[template.alloy]
    volume = new_volume(template)
    weighed = template.new_mass_g is not None
    height = "diameter" if template.solid == "rod" else "thickness"
    fill = f" (fill factor {template.fill_factor:.3g})" if template.fill_factor != 1 else ""
    most = "" if template.profile_known or fill else ", were it a prism"
    rows = [
        ("name", template.name),
        ("size", f"{length:.1f} x {width:.1f} mm, {height} {template.thickness_mm:g} mm"),
        ("mount", MOUNT_WORDS[template.mount]),
        ("solid", SOLID_WORDS[template.solid]),
        *_form_text(template),
        ("alloy", f"{template.alloy}, {metal.density_g_cm3:g} g/cm³"),
        ("plan area", f"{rings_area(template.rings):.0f} mm²"),
        ("volume of metal", f"{volume / 1000:.1f} cm³{fill}{most}"),
        ("new mass", f"{new_mass_g(template):.0f} g, {'as weighed' if weighed else 'by volume and density'}"),
    ]
    for i, hole in enumerate(template.fixing_holes, start=1):
        x, y = centre_of(template, hole)
        washer = f", washer {hole.washer_mm:g} mm" if hole.washer_mm is not None else ""
        sunk = f", {_sunk(hole)}" if hole.counterbore_mm is not None else ""
        rows.append((f"fixing hole {i}", f"{hole.diameter_mm:.4g} mm wide at {x:.1f}, {y:.1f}{washer}{sunk}"))
    for i, insert in enumerate(template.inserts, start=1):
        x, y = np.ptp(insert.rings[0], axis=0)
        heights = f"{insert.from_mm:g} to {insert.to_mm:g} mm above the foot"
        rows.append((f"steel {i}", f"{x:.1f} x {y:.1f} mm, {heights}; it doesn't waste"))
    if template.core_depth_mm is not None:
        rows.append(("core", f"under {template.core_depth_mm:g} mm of metal"))
    rows += [("may lie either face up", "yes" if template.mirror_ok else "no"), ("sha256", sha256)]
    return rows


def _form_text(template: Template) -> list[tuple[str, str]]:
    form = template.form
    if isinstance(form, CastForm):
        known = [
            *([f"draft {form.draft_deg:g}°"] if form.draft_deg is not None else []),
            *([f"edge radius {form.edge_radius_mm:g} mm"] if form.edge_radius_mm is not None else []),
            *([f"crown {form.crown_mm:g} mm"] if form.crown_mm is not None else []),
            *(["a section of its own"] if form.section_mm is not None else []),
        ]
        left = unknown_words(template)
        return [("profile", ", ".join([*known, *([f"unknown: {left}"] if left else [])]))]
    if isinstance(form, TurnedForm):
        across = ", ".join(f"{2 * r:g} mm at {z:g} mm" for r, z in form.profile_mm)
        return [("profile", f"diameter {across}; edge radius {form.edge_radius_mm:g} mm")]
    if isinstance(form, CollarForm):
        ends = f"{form.outer_diameter_mm:g} mm, {form.end_diameter_mm:g} mm at its ends"
        return [
            ("profile", f"diameter {ends}, bore {form.bore_mm:g} mm, edge radius {form.edge_radius_mm:g} mm")
        ]
    if isinstance(form, MeshForm):
        return [("profile", f"{len(form.faces)} triangles of {form.source or 'a mesh'}")]
    return []


def _sunk(hole: FixingHole) -> str:
    return f"counterbore {hole.counterbore_mm:g} mm, {hole.counterbore_depth_mm:g} mm deep"


def drawing_svg(template: Template) -> str:
    """The drawing as an SVG document whose millimetres are true when it is printed at 100 %."""
    return _drawn(template).document(template.name)


def _drawn(template: Template) -> Sheet:
    """Plan, dimensions, section and words on one sheet."""
    low, high = template.rings[0].min(axis=0), template.rings[0].max(axis=0)
    length, width = (float(v) for v in high - low)
    over_left, over_right, over_up, over_down = _overhang(template)
    size = max(length, width)
    text = max(3.2, 0.028 * size)  # letters of one size to the eye, whatever the part
    gap = 2.2 * text
    words = [template.name, *_caption(template)]
    letters = max(len(v) for v in words)
    page_w = max(length + over_left + over_right + 4.2 * gap, 0.6 * text * letters + 2 * gap)
    left = (page_w - length - over_left - over_right) / 2 + over_left + 0.6 * gap
    pitches = _pitch(template)
    top = 3.4 * gap + (0.9 * gap if pitches else 0) + over_up
    base = top + width + over_down + 1.9 * gap
    page_h = base + template.thickness_mm + (2.0 + 0.7 * len(words[1:])) * gap
    sheet = Sheet(page_w, page_h, text=text, line=max(0.25, 0.0022 * size))

    def at(point: Floats) -> tuple[float, float]:
        return left + float(point[0] - low[0]), top + float(high[1] - point[1])

    _plan(sheet, template, at)
    if pitches:
        (ax, ay), (bx, by), pitch = at(pitches[0]), at(pitches[1]), number(pitches[2], 1, unit="mm")
        if abs(ay - by) < 1e-6:
            sheet.along_x(min(ax, bx), max(ax, bx), top - over_up - 0.8 * gap, min(ay, by), pitch)
        else:
            middle = (ax + bx) / 2, (ay + by) / 2 - 0.4 * text
            sheet.words(*middle, f"{pitch} hole to hole", anchor="middle")
            sheet.centre_line((ax, ay), (bx, by))
    above = top - over_up - (1.8 if pitches else 0.9) * gap
    sheet.along_x(left, left + length, above, top, number(length, 1, unit="mm"))
    beside = left - over_left - 0.9 * gap
    sheet.along_y(top, top + width, beside, left, number(width, 1, unit="mm"))
    if template.solid == "rod":
        _round_section(sheet, template, left, base, length)
    else:
        _section(sheet, template, lambda x: left + float(x - low[0]), base, (left, length, beside), at)
    sheet.words(page_w / 2, 1.5 * text, template.name, size=1.3 * text, anchor="middle", bold=True)
    for i, line in enumerate(reversed(words[1:])):
        down = page_h - (1.1 + 1.4 * i) * text
        sheet.words(page_w / 2, down, line, size=0.9 * text, anchor="middle")
    return sheet


def _overhang(template: Template) -> tuple[float, float, float, float]:
    """How far steel stands out of the plan's box: left, right, up, down."""
    low, high = template.rings[0].min(axis=0), template.rings[0].max(axis=0)
    if not template.inserts:
        return 0.0, 0.0, 0.0, 0.0
    steel = np.vstack([r for insert in template.inserts for r in insert.rings])
    less, more = np.maximum(low - steel.min(axis=0), 0), np.maximum(steel.max(axis=0) - high, 0)
    return float(less[0]), float(more[0]), float(more[1]), float(less[1])


def _plan(sheet: Sheet, template: Template, at: Callable[[Floats], tuple[float, float]]) -> None:
    """The part from above: steel, rims of its top, its fixing holes' axes, counterbores and washers."""
    edge: dict[str, Any] = {"stroke": INK, "stroke_width": sheet.line, "stroke_linejoin": "round"}
    for insert in template.inserts:
        sheet.path([[at(p) for p in ring] for ring in insert.rings], fill=RULE, fill_rule="evenodd", **edge)
    outline = [[at(point) for point in ring] for ring in template.rings]
    sheet.path(outline, fill=METAL, fill_rule="evenodd", **edge)
    thin: dict[str, Any] = {"fill": "none", "stroke": QUIET, "stroke_width": 0.6 * sheet.line}
    for ring in _rims(template):
        sheet.path([[at(point) for point in ring]], **thin)
    for insert in template.inserts:
        dashes = f"{4 * sheet.line:.2f} {2 * sheet.line:.2f}"
        sheet.path([[at(p) for p in ring] for ring in insert.rings], **thin, stroke_dasharray=dashes)
    for hole in template.fixing_holes:
        x, y = at(centre_of(template, hole))
        reach = 0.5 * float(max(np.ptp(template.rings[hole.ring], axis=0))) + 0.6 * sheet.text
        sheet.centre_line((x - reach, y), (x + reach, y))
        sheet.centre_line((x, y - reach), (x, y + reach))
        if hole.counterbore_mm is not None:
            sheet.circle(x, y, hole.counterbore_mm / 2, **thin)
        if hole.washer_mm is not None:
            sheet.circle(x, y, hole.washer_mm / 2, **thin, stroke_dasharray=2 * sheet.line)


def _rims(template: Template) -> Rings:
    """Lines of the plan where walls end and the top begins."""
    import shapely

    form = template.form
    if isinstance(form, TurnedForm):
        turn = np.linspace(0, 2 * np.pi, 121)[:-1]
        unit = np.column_stack([np.cos(turn), np.sin(turn)])
        return tuple(r * unit for r, z in form.profile_mm if z > 0 and r > 0)
    if not isinstance(form, CastForm):
        return ()
    if form.section_mm is not None:
        inward = sorted({float(u) for u in form.section_mm[1:, 0]})
    else:
        lean = np.tan(np.radians(form.draft_deg or 0.0))
        inward = [float((template.thickness_mm - (form.crown_mm or 0.0)) * lean)]
    outer = shapely.Polygon(template.rings[0])
    # A rim goes round holes that reach it: the eye of a ring, a counterbore.
    shapes = [
        outer.buffer(-u).intersection(shapely.Polygon(outer, template.rings[1:])) for u in inward if u > 0.5
    ]
    rings = [p.exterior for s in shapes for p in shapely.get_parts(s) if p.geom_type == "Polygon"]
    return tuple(np.asarray(r.coords)[:-1] for r in rings)


def _section(
    sheet: Sheet,
    template: Template,
    across: Callable[[float], float],
    base: float,
    frame: tuple[float, float, float],
    at: Callable[[Floats], tuple[float, float]],
) -> None:
    """The cut through the part with its top at `base`; frame: left edge and length of the part, and where
    its height is measured."""
    text, height = sheet.text, template.thickness_mm
    left, length, beside = frame
    cut = section_of(template)
    edge: dict[str, Any] = {"stroke": INK, "stroke_width": sheet.line, "stroke_linejoin": "round"}
    foot = base + height

    def up(rings: Rings) -> list[list[tuple[float, float]]]:
        return [[(across(x), foot - float(z)) for x, z in ring] for ring in rings]

    dash = None if cut.known else f"{4 * sheet.line:.2f} {2 * sheet.line:.2f}"
    sheet.path(up(cut.metal), fill=METAL, fill_rule="evenodd", stroke_dasharray=dash, **edge)
    sheet.path(up(cut.steel), fill=RULE, **edge)
    sheet.along_y(base, foot, beside, left, f"{height:g}")
    if template.mount == "flush":
        sheet.hatch_below(left, left + length, foot)
    if template.core_depth_mm is not None:
        y = base + template.core_depth_mm
        sheet.centre_line((left, y), (left + length, y))
        core = f"core under {template.core_depth_mm:g}"
        sheet.words(left + 0.5 * text, y - 0.3 * text, core, size=0.8 * text)
    # Where the cut lies in the plan.
    _, y = at(np.array([0.0, cut.y_mm]))
    for x, towards in ((left - 0.5 * text, "end"), (left + length + 0.5 * text, "start")):
        sheet.words(x, y + 0.3 * text, "A", anchor=towards, size=0.8 * text)
    sheet.words(left + length + 0.5 * text, base + height / 2, "A-A", size=0.8 * text)


def _round_section(sheet: Sheet, template: Template, left: float, base: float, length: float) -> None:
    """The section of a rod."""
    text, height = sheet.text, template.thickness_mm
    gap = 2.2 * text
    cx, cy = left + length / 2, base + height / 2
    sheet.circle(cx, cy, height / 2, fill=METAL, stroke=INK, stroke_width=sheet.line)
    sheet.along_y(base, base + height, cx - height / 2 - 0.9 * gap, cx, f"{height:g}")
    sheet.words(cx + height / 2 + 0.5 * gap, cy + 0.35 * text, "section")


def drawing_png(template: Template, width_px: int = 1400) -> bytes:
    """The drawing as a PNG about `width_px` wide, set by typst."""
    from importlib.resources import files

    import typst

    drawn = _drawn(template)
    page = (
        "#set page(width: auto, height: auto, margin: 0pt, fill: white)\n"
        '#image(bytes(sys.inputs.svg), format: "svg")'
    )
    fonts = typst.Fonts(include_system_fonts=False, font_paths=[str(files("anodewane") / "fonts")])
    got = typst.compile(
        page.encode(),
        format="png",
        ppi=width_px / drawn.width * 25.4,
        sys_inputs={"svg": drawn.document(template.name)},
        font_paths=fonts,
    )
    return bytes(got[0] if isinstance(got, list) else got)


def _pitch(template: Template) -> tuple[Floats, Floats, float] | None:
    """The two fixing holes farthest apart along x, or the first two where none lie side by side, and
    their distance."""
    centres = [centre_of(template, h) for h in template.fixing_holes]
    if len(centres) < 2:
        return None
    level = [(a, b) for i, a in enumerate(centres) for b in centres[i + 1 :] if abs(a[1] - b[1]) < 1e-3]
    a, b = max(level, key=lambda p: abs(p[0][0] - p[1][0])) if level else (centres[0], centres[1])
    return a, b, float(np.linalg.norm(a - b))


def _caption(template: Template) -> list[str]:
    """What stands under the drawing, a line each."""
    holes = template.fixing_holes
    parts = [template.alloy, template.mount, f"{new_mass_g(template):.0f} g new"]
    if abs(template.fill_factor - 1) > 0.005:
        parts.append(f"fill {template.fill_factor:.2f}")
    if holes:
        washers = {h.washer_mm for h in holes}
        washer = next(iter(washers))
        over = f" under {washer:g} mm washers" if len(washers) == 1 and washer is not None else ""
        parts.append(f"{len(holes)} x {holes[0].diameter_mm:.4g} mm{over}")
    lines = [", ".join(parts) + "; lengths in mm"]
    form = dict(_form_text(template)).get("profile")
    sunk = _sunk(holes[0]) if holes and holes[0].counterbore_mm is not None else None
    if isinstance(template.form, TurnedForm):
        form = f"edge radius {template.form.edge_radius_mm:g} mm"
    more = [v for v in (form, sunk, "steel shaded" if template.inserts else None) if v]
    return [*lines, *([", ".join(more)] if more else [])]
