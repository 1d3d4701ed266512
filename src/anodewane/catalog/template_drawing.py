"""A dimensioned drawing of a template: plan, side view and figures, as SVG at true size, and as PNG.

Drawing frame: mm on the page, x right, y down; the plan is seen from above, as the part lies for its photo.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from anodewane.geometry.rings import rings_area
from anodewane.records import FixingHole, Template
from anodewane.show.figures import number
from anodewane.show.marks import INK, METAL, QUIET
from anodewane.show.svg import Sheet
from anodewane.units import Floats
from anodewane.wear.metals import METALS
from anodewane.wear.solids import new_mass_g, new_volume

MOUNT_WORDS = {"flush": "flush: the face that lies down is dry", "open": "open: water all round"}
SOLID_WORDS = {"plate": "plate", "rod": "rod of round section; the outline is its side view"}


def figures_text(template: Template, sha256: str) -> list[tuple[str, str]]:
    """What a template is, as (what, figure) pairs for people."""
    low, high = template.rings[0].min(axis=0), template.rings[0].max(axis=0)
    length, width = high - low
    metal = METALS[template.alloy]
    volume = new_volume(template)
    weighed = template.new_mass_g is not None
    height = "diameter" if template.solid == "rod" else "thickness"
    rows = [
        ("name", template.name),
        ("size", f"{length:.1f} x {width:.1f} mm, {height} {template.thickness_mm:g} mm"),
        ("mount", MOUNT_WORDS[template.mount]),
        ("solid", SOLID_WORDS.get(template.solid, template.solid)),
        ("alloy", f"{template.alloy}, {metal.density_g_cm3:g} g/cm³"),
        ("plan area", f"{rings_area(template.rings):.0f} mm²"),
        ("volume of metal", f"{volume / 1000:.1f} cm³ (fill factor {template.fill_factor:.3g})"),
        ("new mass", f"{new_mass_g(template):.0f} g, {'as weighed' if weighed else 'by volume and density'}"),
    ]
    for i, hole in enumerate(template.fixing_holes, start=1):
        x, y = _centre(template, hole)
        washer = f", washer {hole.washer_mm:g} mm" if hole.washer_mm is not None else ""
        rows.append((f"fixing hole {i}", f"{hole.diameter_mm:.4g} mm wide at {x:.1f}, {y:.1f}{washer}"))
    if template.core_depth_mm is not None:
        rows.append(("core", f"under {template.core_depth_mm:g} mm of metal"))
    rows += [("may lie either face up", "yes" if template.mirror_ok else "no"), ("sha256", sha256)]
    return rows


def drawing_svg(template: Template) -> str:
    """The drawing as an SVG document whose millimetres are true when it is printed at 100 %."""
    return _drawn(template).document(template.name)


def _drawn(template: Template) -> Sheet:
    """Plan, dimensions, side view and words on one sheet."""
    low, high = template.rings[0].min(axis=0), template.rings[0].max(axis=0)
    length, width = (float(v) for v in high - low)
    size = max(length, width)
    text = max(3.2, 0.028 * size)  # letters of one size to the eye, whatever the part
    gap = 2.2 * text
    letters = max(len(v) for v in (template.name, _caption(template)))
    page_w = max(length + 4.2 * gap, 0.6 * text * letters + 2 * gap)
    left = (page_w - length) / 2 + 0.6 * gap
    pitches = _pitch(template)
    top = 3.4 * gap + (0.9 * gap if pitches else 0)
    base = top + width + 1.6 * gap
    page_h = base + template.thickness_mm + 2.6 * gap
    sheet = Sheet(page_w, page_h, text=text, line=max(0.25, 0.0022 * size))

    def at(point: Floats) -> tuple[float, float]:
        return left + float(point[0] - low[0]), top + float(high[1] - point[1])

    _plan(sheet, template, at)
    if pitches:
        (ax, ay), (bx, by), pitch = at(pitches[0]), at(pitches[1]), number(pitches[2], 1, unit="mm")
        if abs(ay - by) < 1e-6:
            sheet.along_x(min(ax, bx), max(ax, bx), top - 0.8 * gap, min(ay, by), pitch)
        else:
            middle = (ax + bx) / 2, (ay + by) / 2 - 0.4 * text
            sheet.words(*middle, f"{pitch} hole to hole", anchor="middle")
            sheet.centre_line((ax, ay), (bx, by))
    above = top - (1.8 if pitches else 0.9) * gap
    sheet.along_x(left, left + length, above, top, number(length, 1, unit="mm"))
    sheet.along_y(top, top + width, left - 0.9 * gap, left, number(width, 1, unit="mm"))
    _side(sheet, template, left, base, length)
    sheet.words(page_w / 2, 1.5 * text, template.name, size=1.3 * text, anchor="middle", bold=True)
    sheet.words(page_w / 2, page_h - 1.1 * text, _caption(template), size=0.9 * text, anchor="middle")
    return sheet


def _plan(sheet: Sheet, template: Template, at: Callable[[Floats], tuple[float, float]]) -> None:
    """The part from above, its fixing holes' axes and washers."""
    outline = [[at(point) for point in ring] for ring in template.rings]
    edge: dict[str, Any] = {"stroke": INK, "stroke_width": sheet.line, "stroke_linejoin": "round"}
    sheet.path(outline, fill=METAL, fill_rule="evenodd", **edge)
    for hole in template.fixing_holes:
        x, y = at(np.array(_centre(template, hole)))
        reach = 0.5 * float(max(np.ptp(template.rings[hole.ring], axis=0))) + 0.6 * sheet.text
        sheet.centre_line((x - reach, y), (x + reach, y))
        sheet.centre_line((x, y - reach), (x, y + reach))
        if hole.washer_mm is not None:
            thin = {"stroke": QUIET, "stroke_width": 0.7 * sheet.line, "stroke_dasharray": 2 * sheet.line}
            sheet.circle(x, y, hole.washer_mm / 2, fill="none", **thin)


def _side(sheet: Sheet, template: Template, left: float, base: float, length: float) -> None:
    """The part from the side, at (left, base); of a rod its section."""
    text, height = sheet.text, template.thickness_mm
    gap = 2.2 * text
    edge = {"fill": METAL, "stroke": INK, "stroke_width": sheet.line}
    if template.solid == "rod":
        cx, cy = left + length / 2, base + height / 2
        sheet.circle(cx, cy, height / 2, **edge)
        sheet.along_y(base, base + height, cx - height / 2 - 0.9 * gap, cx, f"{height:g}")
        sheet.words(cx + height / 2 + 0.5 * gap, cy + 0.35 * text, "section")
        return
    sheet.rect(left, base, length, height, **edge)
    sheet.along_y(base, base + height, left - 0.9 * gap, left, f"{height:g}")
    if template.mount == "flush":
        sheet.hatch_below(left, left + length, base + height)
    if template.core_depth_mm is not None:
        y = base + template.core_depth_mm
        sheet.centre_line((left, y), (left + length, y))
        core = f"core under {template.core_depth_mm:g}"
        sheet.words(left + 0.5 * text, y - 0.3 * text, core, size=0.8 * text)


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


def _centre(template: Template, hole: FixingHole) -> tuple[float, float]:
    ring = template.rings[hole.ring]
    x, y = (ring.min(axis=0) + ring.max(axis=0)) / 2
    return float(x) + 0.0, float(y) + 0.0


def _pitch(template: Template) -> tuple[Floats, Floats, float] | None:
    """The two fixing holes farthest apart along x, or the first two where none lie side by side, and
    their distance."""
    centres = [np.array(_centre(template, h)) for h in template.fixing_holes]
    if len(centres) < 2:
        return None
    level = [(a, b) for i, a in enumerate(centres) for b in centres[i + 1 :] if abs(a[1] - b[1]) < 1e-3]
    a, b = max(level, key=lambda p: abs(p[0][0] - p[1][0])) if level else (centres[0], centres[1])
    return a, b, float(np.linalg.norm(a - b))


def _caption(template: Template) -> str:
    holes = template.fixing_holes
    parts = [template.alloy, template.mount, f"{new_mass_g(template):.0f} g new"]
    if abs(template.fill_factor - 1) > 0.005:
        parts.append(f"fill {template.fill_factor:.2f}")
    if holes:
        washers = {h.washer_mm for h in holes}
        washer = next(iter(washers))
        over = f" under {washer:g} mm washers" if len(washers) == 1 and washer is not None else ""
        parts.append(f"{len(holes)} x {holes[0].diameter_mm:.4g} mm{over}")
    return ", ".join(parts) + "; lengths in mm"
