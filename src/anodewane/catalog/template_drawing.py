"""A dimensioned drawing of a template: plan, side view and figures, as SVG at true size, and as PNG.

Drawing frame: mm on the page, x right, y down; the plan is seen from above, as the part lies for its photo.
"""

from __future__ import annotations

import math
from html import escape

import numpy as np

from anodewane.geometry.rings import rings_area
from anodewane.records import FixingHole, Template
from anodewane.units import Floats
from anodewane.wear.metals import METALS
from anodewane.wear.solids import new_mass_g, new_volume

INK, METAL, FAINT = "#1b2733", "#d5dbe1", "#5b6b7a"
FONT = "DejaVu Sans, Helvetica, Arial, sans-serif"


def figures_text(template: Template, sha256: str) -> list[tuple[str, str]]:
    """What a template is, as (what, figure) pairs for people."""
    low, high = template.rings[0].min(axis=0), template.rings[0].max(axis=0)
    length, width = high - low
    metal = METALS[template.alloy]
    volume = new_volume(template)
    weighed = template.new_mass_g is not None
    rows = [
        ("name", template.name),
        (
            "size",
            f"{length:.1f} x {width:.1f} mm, {'diameter' if template.solid == 'rod' else 'thickness'} {template.thickness_mm:g} mm",
        ),
        (
            "mount",
            "flush: the face that lies down is dry" if template.mount == "flush" else "open: water all round",
        ),
        (
            "solid",
            "plate" if template.solid == "plate" else "rod of round section; the outline is its side view",
        ),
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
    low, high = template.rings[0].min(axis=0), template.rings[0].max(axis=0)
    length, width = (float(v) for v in high - low)
    size = max(length, width)
    text = max(3.2, 0.028 * size)  # letters of one size to the eye, whatever the part
    line = max(0.25, 0.0022 * size)
    gap = 2.2 * text
    letters = max(len(v) for v in (template.name, _caption(template)))
    page_w = max(length + 4.2 * gap, 0.6 * text * letters + 2 * gap)
    left = (page_w - length) / 2 + 0.6 * gap
    pitches = _pitch(template)
    top = 3.4 * gap + (0.9 * gap if pitches else 0)
    base = top + width + 1.6 * gap
    side = template.thickness_mm
    page_h = base + side + 2.6 * gap
    draw = _Pen(line, text)

    def at(point: Floats) -> tuple[float, float]:
        return left + float(point[0] - low[0]), top + float(high[1] - point[1])

    # plan
    path = " ".join(
        "M " + " L ".join(f"{x:.3f} {y:.3f}" for x, y in map(at, ring)) + " Z" for ring in template.rings
    )
    draw.add(
        f'<path d="{path}" fill="{METAL}" fill-rule="evenodd" stroke="{INK}" stroke-width="{line:.3f}" stroke-linejoin="round"/>'
    )
    for hole in template.fixing_holes:
        x, y = at(np.array(_centre(template, hole)))
        reach = 0.5 * max(np.ptp(template.rings[hole.ring], axis=0)) + 0.6 * text
        draw.thin(x - reach, y, x + reach, y, dash=True)
        draw.thin(x, y - reach, x, y + reach, dash=True)
        if hole.washer_mm is not None:
            style = f'fill="none" stroke="{FAINT}" stroke-width="{line * 0.7:.3f}" stroke-dasharray="{2 * line:.3f}"'
            draw.add(f'<circle cx="{x:.3f}" cy="{y:.3f}" r="{hole.washer_mm / 2:.3f}" {style}/>')
    # dimensions
    if pitches:
        (ax, ay), (bx, by), pitch = at(pitches[0]), at(pitches[1]), pitches[2]
        if abs(ay - by) < 1e-6:
            draw.along_x(min(ax, bx), max(ax, bx), top - 0.8 * gap, min(ay, by), f"{pitch:.1f}")
        else:
            draw.label(
                (ax + bx) / 2, (ay + by) / 2 - 0.4 * text, f"{pitch:.1f} hole to hole", anchor="middle"
            )
            draw.thin(ax, ay, bx, by, dash=True)
    draw.along_x(left, left + length, top - (1.8 if pitches else 0.9) * gap, top, f"{length:.1f}")
    draw.along_y(top, top + width, left - 0.9 * gap, left, f"{width:.1f}")
    # side view
    if template.solid == "rod":
        cx, cy = left + length / 2, base + side / 2
        draw.add(
            f'<circle cx="{cx:.3f}" cy="{cy:.3f}" r="{side / 2:.3f}" fill="{METAL}" stroke="{INK}" stroke-width="{line:.3f}"/>'
        )
        draw.along_y(base, base + side, cx - side / 2 - 0.9 * gap, cx, f"{side:g}")
        draw.label(cx + side / 2 + 0.5 * gap, cy + 0.35 * text, "section")
    else:
        draw.add(
            f'<rect x="{left:.3f}" y="{base:.3f}" width="{length:.3f}" height="{side:.3f}" fill="{METAL}" stroke="{INK}" stroke-width="{line:.3f}"/>'
        )
        draw.along_y(base, base + side, left - 0.9 * gap, left, f"{side:g}")
        if template.mount == "flush":
            step = 0.8 * text
            for i in range(max(2, int(length / step))):
                x = left + i * step
                draw.thin(x, base + side + 0.5 * text, x + 0.5 * text, base + side)
        if template.core_depth_mm is not None:
            y = base + template.core_depth_mm
            draw.thin(left, y, left + length, y, dash=True)
            draw.label(left + 0.5 * text, y - 0.3 * text, f"core under {template.core_depth_mm:g}", size=0.8)
    # words
    draw.label(page_w / 2, 1.5 * text, template.name, size=1.3, anchor="middle", weight="bold")
    draw.label(page_w / 2, page_h - 1.1 * text, _caption(template), anchor="middle", size=0.9)
    body = "\n".join(draw.parts)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{page_w:.3f}mm" height="{page_h:.3f}mm" viewBox="0 0 {page_w:.3f} {page_h:.3f}" role="img">\n'
        f"<title>{escape(template.name)}</title>\n"
        f'<rect width="100%" height="100%" fill="#ffffff"/>\n<g font-family="{FONT}" fill="{INK}">\n{body}\n</g>\n</svg>\n'
    )


def drawing_png(template: Template, width_px: int = 1400) -> bytes:
    """The drawing as a PNG about `width_px` wide, set by typst."""
    import re
    from importlib.resources import files

    import typst

    svg = drawing_svg(template)
    match = re.search(r'width="([0-9.]+)mm"', svg)
    width_mm = float(match[1]) if match else 200.0
    page = '#set page(width: auto, height: auto, margin: 0pt, fill: white)\n#image(bytes(sys.inputs.svg), format: "svg")'
    fonts = typst.Fonts(include_system_fonts=False, font_paths=[str(files("anodewane") / "fonts")])
    got = typst.compile(
        page.encode(), format="png", ppi=width_px / width_mm * 25.4, sys_inputs={"svg": svg}, font_paths=fonts
    )
    return bytes(got[0] if isinstance(got, list) else got)


class _Pen:
    """Collects the drawing's elements."""

    def __init__(self, line_mm: float, text_mm: float) -> None:
        self.line, self.text = line_mm, text_mm
        self.parts: list[str] = []

    def add(self, element: str) -> None:
        self.parts.append(element)

    def thin(self, x0: float, y0: float, x1: float, y1: float, dash: bool = False) -> None:
        dashes = (
            f' stroke-dasharray="{6 * self.line:.3f} {2 * self.line:.3f} {self.line:.3f} {2 * self.line:.3f}"'
            if dash
            else ""
        )
        self.add(
            f'<line x1="{x0:.3f}" y1="{y0:.3f}" x2="{x1:.3f}" y2="{y1:.3f}" stroke="{FAINT}" stroke-width="{self.line * 0.6:.3f}"{dashes}/>'
        )

    def label(
        self,
        x: float,
        y: float,
        words: str,
        *,
        size: float = 1.0,
        anchor: str = "start",
        weight: str = "normal",
        turn: bool = False,
    ) -> None:
        rotate = f' transform="rotate(-90 {x:.3f} {y:.3f})"' if turn else ""
        style = f'font-size="{size * self.text:.3f}" text-anchor="{anchor}" font-weight="{weight}"'
        self.add(f'<text x="{x:.3f}" y="{y:.3f}" {style}{rotate}>{escape(words)}</text>')

    def arrow(self, x: float, y: float, angle_deg: float) -> None:
        a, w = 0.8 * self.text, 0.18 * self.text
        c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
        tail = [(x - a * c - w * s, y - a * s + w * c), (x - a * c + w * s, y - a * s - w * c)]
        self.add(
            f'<path d="M {x:.3f} {y:.3f} '
            + " ".join(f"L {p:.3f} {q:.3f}" for p, q in tail)
            + f' Z" fill="{INK}"/>'
        )

    def along_x(self, x0: float, x1: float, y: float, part_y: float, words: str) -> None:
        for x in (x0, x1):
            self.thin(x, part_y - 0.25 * self.text, x, y - 0.4 * self.text)
        self.thin(x0, y, x1, y)
        self.arrow(x0, y, 180)
        self.arrow(x1, y, 0)
        self.label((x0 + x1) / 2, y - 0.35 * self.text, words, anchor="middle")

    def along_y(self, y0: float, y1: float, x: float, part_x: float, words: str) -> None:
        for y in (y0, y1):
            self.thin(part_x - 0.25 * self.text, y, x - 0.4 * self.text, y)
        self.thin(x, y0, x, y1)
        self.arrow(x, y0, -90)
        self.arrow(x, y1, 90)
        self.label(x - 0.35 * self.text, (y0 + y1) / 2, words, anchor="middle", turn=True)


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
