"""SVG in the making: the one place where elements become text.

A `Sheet` is a page of paper in millimetres, or a picture in pixels, x right and y down. It escapes
whatever it is given and writes numbers short. Drawings of templates, of the report and of the season
are made with it; they differ by what they draw, not by how it is written.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np

from anodewane.show.marks import INK, QUIET, RGB, WHITE, css
from anodewane.units import Floats

FONT = "DejaVu Sans, Helvetica, Arial, sans-serif"

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Drawing:
    """A finished drawing."""

    svg: str
    """One `svg` element with everything in it."""
    width_mm: float
    """On paper; of a picture in pixels, its width in pixels."""
    height_mm: float
    alt: str
    """What it shows, in words, for whoever doesn't see it."""


class Sheet:
    """A drawing in the making.

    Parameters
    ----------
    width, height : float
        Of the page, in `unit`.
    unit : str
        "mm", or "" for pixels.
    text : float
        Size of words that isn't given with them.
    line : float
        Width of lines that isn't given with them.
    """

    def __init__(
        self, width: float, height: float, *, unit: str = "mm", text: float = 2.7, line: float = 0.25
    ) -> None:
        self.width, self.height, self.unit = width, height, unit
        self.text, self.line = text, line
        self._parts: list[str] = []

    # --- elements

    def add(self, tag: str, words: str | None = None, **attributes: Any) -> None:
        """Any element: `stroke_width` becomes stroke-width, colours may be `RGB`, None is left out."""
        shown = "".join(
            f' {name.rstrip("_").replace("_", "-")}="{_value(v)}"'
            for name, v in attributes.items()
            if v is not None
        )
        self._parts.append(f"<{tag}{shown}/>" if words is None else f"<{tag}{shown}>{escape(words)}</{tag}>")

    def stroke(
        self,
        points: Sequence[Point] | Floats,
        *,
        colour: RGB | str = INK,
        width: float | None = None,
        dash: str | None = None,
        **attributes: Any,
    ) -> None:
        """A line through points, not closed and not filled."""
        self.path(
            [points],
            closed=False,
            fill="none",
            stroke=colour,
            stroke_width=self.line if width is None else width,
            stroke_dasharray=dash,
            **attributes,
        )

    def path(
        self, rings: Iterable[Sequence[Point] | Floats], *, closed: bool = True, **attributes: Any
    ) -> None:
        """Rings or lines of points as one element; nothing where there are none. Holes stay open with
        ``fill_rule="evenodd"``."""
        d = "".join(
            f"M{' '.join(f'{_short(x, 2)} {_short(y, 2)}' for x, y in ring)}{'Z' if closed else ''}"
            for ring in rings
        )
        if d:
            self.add("path", d=d, **attributes)

    def rect(self, x: float, y: float, width: float, height: float, **attributes: Any) -> None:
        """A rectangle by its upper left corner; never of negative size."""
        self.add("rect", x=x, y=y, width=max(width, 0.0), height=max(height, 0.0), **attributes)

    def circle(self, x: float, y: float, radius: float, **attributes: Any) -> None:
        """A circle about a point."""
        self.add("circle", cx=x, cy=y, r=radius, **attributes)

    def polygon(self, points: Sequence[Point], **attributes: Any) -> None:
        """A closed figure of few corners."""
        self.add("polygon", points=" ".join(f"{_short(x)},{_short(y)}" for x, y in points), **attributes)

    def words(
        self,
        x: float,
        y: float,
        text: str,
        *,
        anchor: str = "start",
        size: float | None = None,
        bold: bool = False,
        fill: RGB | str = INK,
        turn: float | None = None,
        halo: float | None = None,
    ) -> None:
        """A line of text on its base line.

        Parameters
        ----------
        anchor : "start", "middle" or "end"
        turn : float, optional
            Degrees clockwise about (x, y).
        halo : float, optional
            Width of a white edge round the letters, so that they can be read over lines.
        """
        edge = {"stroke": WHITE, "stroke_width": halo, "paint_order": "stroke"} if halo is not None else {}
        self.add(
            "text",
            text,
            x=x,
            y=y,
            font_family=FONT,
            font_size=self.text if size is None else size,
            text_anchor=anchor,
            fill=fill,
            font_weight="bold" if bold else None,
            transform=None if turn is None else f"rotate({_short(turn)} {_short(x)} {_short(y)})",
            **edge,
        )

    def picture(self, jpeg: bytes, x: float, y: float, width: float, height: float) -> None:
        """A JPEG, stretched to the box."""
        import base64

        self.add(
            "image",
            x=x,
            y=y,
            width=width,
            height=height,
            preserveAspectRatio="none",
            href=f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode()}",
        )

    # --- dimensions, as on a workshop drawing

    def arrow(self, x: float, y: float, towards_deg: float) -> None:
        """A filled arrow head whose tip is at the point; 0 points right, 90 down."""
        long, half = 0.8 * self.text, 0.18 * self.text
        c, s = math.cos(math.radians(towards_deg)), math.sin(math.radians(towards_deg))
        tail = [
            (x - long * c - half * s, y - long * s + half * c),
            (x - long * c + half * s, y - long * s - half * c),
        ]
        self.path([[(x, y), *tail]], fill=INK)

    def along_x(self, x0: float, x1: float, y: float, part_y: float, words: str) -> None:
        """A length from x0 to x1, measured at y, of edges that end at part_y."""
        for x in (x0, x1):
            self._thin((x, part_y - 0.25 * self.text), (x, y - 0.4 * self.text))
        self._thin((x0, y), (x1, y))
        self.arrow(x0, y, 180)
        self.arrow(x1, y, 0)
        self.words((x0 + x1) / 2, y - 0.35 * self.text, words, anchor="middle")

    def along_y(self, y0: float, y1: float, x: float, part_x: float, words: str) -> None:
        """A height from y0 down to y1, measured at x, of edges that end at part_x."""
        for y in (y0, y1):
            self._thin((part_x - 0.25 * self.text, y), (x - 0.4 * self.text, y))
        self._thin((x, y0), (x, y1))
        self.arrow(x, y0, -90)
        self.arrow(x, y1, 90)
        self.words(x - 0.35 * self.text, (y0 + y1) / 2, words, anchor="middle", turn=-90)

    def centre_line(self, start: Point, end: Point) -> None:
        """A thin chain line: an axis, or what lies hidden."""
        dash = " ".join(_short(k * self.line) for k in (6, 2, 1, 2))
        self._thin(start, end, dash)

    def hatch_below(self, x0: float, x1: float, y: float) -> None:
        """Short slanted lines under an edge: a face that lies on something."""
        step = 0.8 * self.text
        for i in range(max(2, int((x1 - x0) / step))):
            x = x0 + i * step
            self._thin((x, y + 0.5 * self.text), (x + 0.5 * self.text, y))

    def _thin(self, start: Point, end: Point, dash: str | None = None) -> None:
        self.stroke([start, end], colour=QUIET, width=0.6 * self.line, dash=dash)

    # --- the whole

    def done(self, alt: str) -> Drawing:
        """The finished drawing, which says of itself what it shows."""
        w, h = _short(self.width), _short(self.height)
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{w}{self.unit}" height="{h}{self.unit}" '
            f'viewBox="0 0 {w} {h}" role="img" aria-label="{escape(alt)}">'
        )
        return Drawing(head + "".join(self._parts) + "</svg>", self.width, self.height, alt)

    def document(self, title: str) -> str:
        """The finished drawing as a file of its own: titled, on white paper, an element a line."""
        whole = self.done(title).svg
        head = whole[: whole.index(">") + 1]
        paper = f'<rect width="100%" height="100%" fill="{css(WHITE)}"/>'
        return "\n".join([head, f"<title>{escape(title)}</title>", paper, *self._parts, "</svg>", ""])


def _short(value: float, digits: int = 3) -> str:
    """A number without needless noughts, and never "-0"."""
    return f"{round(float(value), digits) + 0.0:.{digits}f}".rstrip("0").rstrip(".")


def _value(v: Any) -> str:
    if isinstance(v, tuple):
        return css(v)
    if isinstance(v, (float, np.floating)):
        return _short(float(v))
    return escape(str(v))
