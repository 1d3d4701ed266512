"""Several photos judged together as one picture: the fitted solid drawn back into each photo, and how
thick the part still is, as a map with its scale.

Lines differ in style as well as in colour, and the map's colours also differ in lightness (dark is
thin), so that print and the colour-blind lose nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from anodewane.record import Verdict, ViewFigures
from anodewane.records import Photo
from anodewane.show.canvas import encode_picture, font_of, wrap_words
from anodewane.show.figures import millimetres, number, percent
from anodewane.show.marks import BLACK, INK, ORANGE, QUIET, RULE, SKY, WHITE
from anodewane.show.words import summary
from anodewane.units import Bytes, Floats

CELL_PX = 640
PAD_PX = 14
MARGIN_FRAC = 0.18
MAP_COLOURS = ((0, 34, 78), (65, 77, 107), (124, 123, 120), (188, 175, 111), (255, 234, 70))
"""From dark to light, thin to thick: the ends and quarter points of cividis (Nunez and others
2018), from memory."""


def together_bytes(photos: Sequence[tuple[bytes, str]], verdict: Verdict, suffix: str) -> bytes:
    """The picture of `overlay_together` as a file: `suffix` chooses the format."""
    from anodewane.stages.load import load_photo

    return encode_picture(
        overlay_together([load_photo(data, name) for data, name in photos], verdict), suffix
    )


def overlay_together(photos: Sequence[Photo], verdict: Verdict) -> Bytes:
    """Draw what several photos say together.

    Parameters
    ----------
    photos : the upright photos that were judged, in any order; one that the record doesn't name isn't drawn
    verdict : Verdict
        Uses `views`, `together` and the words of the record. A refusal has neither: then the
        photos stand alone.

    Returns
    -------
    uint8 (h, w, 3)
    """
    from PIL import Image, ImageDraw

    by_hash = {p.source.sha256: p for p in photos}
    cells = [_cell(by_hash[v.sha256], v) for v in verdict.views if v.sha256 in by_hash] or [
        _plain_cell(p) for p in photos
    ]
    if verdict.together is not None and verdict.together.thickness_part_mm:
        cells.append(_map_cell(verdict))
    columns = 2 if len(cells) <= 4 else 3
    rows = [cells[i : i + columns] for i in range(0, len(cells), columns)]
    width = columns * CELL_PX + (columns + 1) * PAD_PX
    words = _words(verdict, width)
    height = sum(max(c.height for c in row) + PAD_PX for row in rows) + PAD_PX + words.height
    page = Image.new("RGB", (width, height), WHITE)
    y = PAD_PX
    for row in rows:
        for k, cell in enumerate(row):
            page.paste(cell, (PAD_PX + k * (CELL_PX + PAD_PX), y))
        y += max(c.height for c in row) + PAD_PX
    ImageDraw.Draw(page).line((PAD_PX, y - PAD_PX // 2, width - PAD_PX, y - PAD_PX // 2), fill=RULE, width=2)
    page.paste(words, (0, y))
    return np.asarray(page)


def _plain_cell(photo: Photo) -> Any:
    from PIL import Image

    h, w = photo.rgb.shape[:2]
    return Image.fromarray(np.asarray(photo.rgb)).resize(
        (CELL_PX, round(CELL_PX * h / w)), Image.Resampling.BOX
    )


def view_picture(photo: Photo, view: ViewFigures) -> Any:
    """One photo, cut to the part, with its outline as a solid line and the fitted solid dashed: a
    Pillow image `CELL_PX` wide."""
    from PIL import Image, ImageDraw

    lines = [np.asarray(r) for r in (*view.outline_photo_px, *view.solid_photo_px)]
    low, high = np.min([r.min(0) for r in lines], axis=0), np.max([r.max(0) for r in lines], axis=0)
    room = MARGIN_FRAC * float((high - low).max())
    height, width = photo.rgb.shape[:2]
    a = np.maximum(np.floor(low - room), 0).astype(int)
    b = np.minimum(np.ceil(high + room), [width, height]).astype(int)
    scale = CELL_PX / (b[0] - a[0])
    picture = Image.fromarray(np.ascontiguousarray(photo.rgb[a[1] : b[1], a[0] : b[0]])).resize(
        (CELL_PX, max(8, round((b[1] - a[1]) * scale))), Image.Resampling.BICUBIC
    )
    draw = ImageDraw.Draw(picture)

    def moved(ring: Any) -> Floats:
        out: Floats = (np.asarray(ring) - a + 0.5) * scale
        return out

    for ring in view.outline_photo_px:
        closed = [tuple(q) for q in (*moved(ring), moved(ring)[0])]
        draw.line(closed, fill=BLACK, width=5, joint="curve")
        draw.line(closed, fill=SKY, width=3, joint="curve")
    for ring in view.solid_photo_px:
        _dashes(draw, moved(ring))
    return picture


def _cell(photo: Photo, view: ViewFigures) -> Any:
    """`view_picture` with the photo's name and what it brought below."""
    from PIL import Image, ImageDraw

    picture, said = view_picture(photo, view), _brought(view)
    small, bold = font_of(17), font_of(17, bold=True)
    cell = Image.new("RGB", (CELL_PX, picture.height + 26 + 22 * len(said)), WHITE)
    cell.paste(picture, (0, 0))
    pen = ImageDraw.Draw(cell)
    pen.text((2, picture.height + 4), view.name, font=bold, fill=INK)
    for i, text in enumerate(said):
        pen.text((2, picture.height + 26 + 22 * i), text, font=small, fill=INK)
    return cell


def _dashes(draw: Any, ring: Floats, dash_px: float = 11.0) -> None:
    closed = np.vstack([ring, ring[:1]])
    arc = np.r_[0, np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))]
    for start in np.arange(0, arc[-1], 1.7 * dash_px):
        at = np.linspace(start, min(start + dash_px, arc[-1]), 5)
        piece = [(float(np.interp(s, arc, closed[:, 0])), float(np.interp(s, arc, closed[:, 1]))) for s in at]
        draw.line(piece, fill=BLACK, width=4)
        draw.line(piece, fill=ORANGE, width=2)


def _brought(view: ViewFigures) -> list[str]:
    from_where = f"from {view.elevation_deg:.0f}° above the bench" + (
        ", other side up" if view.of_other_side else ""
    )
    return [
        f"{from_where}; its outline lies {millimetres(view.residual_mm)} from the solid (rms)",
        f"brings {percent(100 * view.information_frac)} of what is known of the mass"
        + ("; face matched" if view.face_used else ""),
    ]


def thickness_map(verdict: Verdict) -> Any:
    """How thick the part still is, mm, seen from above in the template's frame, with a scale: a Pillow
    image `CELL_PX` wide, numbers only.

    The record has to have `together.thickness_part_mm`.
    """
    from PIL import Image, ImageDraw

    assert verdict.together is not None
    cells = np.array(verdict.together.thickness_part_mm)
    step = verdict.together.thickness_step_mm
    new = _new_thickness_mm(verdict)
    low, high = cells[:, :2].min(0) - step / 2, cells[:, :2].max(0) + step / 2
    bar = 96
    scale = min((CELL_PX - bar - 20) / (high[0] - low[0]), 460 / (high[1] - low[1]))
    height = round((high[1] - low[1]) * scale) + 20
    picture = Image.new("RGB", (CELL_PX, max(height, 220)), WHITE)
    pen = ImageDraw.Draw(picture)
    digits = font_of(max(8, min(15, round(step * scale * 0.42))))
    for x, y, t in cells:
        left, top = 10 + (x - step / 2 - low[0]) * scale, 10 + (high[1] - y - step / 2) * scale
        pen.rectangle((left, top, left + step * scale, top + step * scale), fill=_colour(t / new))
        if step * scale > 16:
            pen.text(
                (left + step * scale / 2, top + step * scale / 2),
                number(t, unit="mm"),
                font=digits,
                fill=WHITE if t / new < 0.55 else BLACK,
                anchor="mm",
            )
    top, tall, x = 16, max(height, 220) - 32, CELL_PX - bar + 6
    for i in range(tall):
        pen.line((x, top + i, x + 24, top + i), fill=_colour(1 - i / tall))
    small = font_of(17)
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        y = top + (1 - share) * tall
        pen.line((x + 24, y, x + 30, y), fill=INK, width=2)
        pen.text((x + 33, y), number(share * new, unit="mm"), font=small, fill=INK, anchor="lm")
    return picture


def _new_thickness_mm(verdict: Verdict) -> float:
    assert verdict.together is not None
    return (
        verdict.template.thickness_mm
        if verdict.template
        else max(t for _, _, t in verdict.together.thickness_part_mm)
    )


def _map_cell(verdict: Verdict) -> Any:
    """`thickness_map` with its title below."""
    from PIL import Image, ImageDraw

    picture = thickness_map(verdict)
    cell = Image.new("RGB", (CELL_PX, picture.height + 70), WHITE)
    cell.paste(picture, (0, 0))
    pen = ImageDraw.Draw(cell)
    pen.text((2, cell.height - 46), "Thickness that is left, mm", font=font_of(17, bold=True), fill=INK)
    pen.text(
        (2, cell.height - 24),
        f"new {millimetres(_new_thickness_mm(verdict))}; seen from above; a smooth field: pits don't show",
        font=font_of(17),
        fill=INK,
    )
    return cell


def _colour(share: float) -> tuple[int, int, int]:
    table = np.array(MAP_COLOURS, float)
    at = float(np.clip(share, 0, 1)) * (len(table) - 1)
    i = min(int(at), len(table) - 2)
    r, g, b = table[i] + (table[i + 1] - table[i]) * (at - i)
    return int(r), int(g), int(b)


def _words(verdict: Verdict, width: int) -> Any:
    from PIL import Image, ImageDraw

    said = summary(verdict)
    body, bold, small = font_of(21), font_of(30, bold=True), font_of(17)
    lines: list[tuple[str, Any, Any]] = [(said.headline, bold, INK)]
    if verdict.views:
        lines.append(
            (
                "solid line: the part's outline in each photo; dashed: the fitted solid and its top edge",
                small,
                QUIET,
            )
        )
    for figure in said.figures:
        lines += [
            (text, body, INK)
            for text in wrap_words(figure[:1].upper() + figure[1:], body, width - 2 * PAD_PX)
        ]
    for message, remedy in said.reasons:
        lines += [
            (text, body, INK)
            for text in wrap_words(
                f"• {message}" + (f" {remedy}" if remedy else ""), body, width - 2 * PAD_PX
            )
        ]
    lines += [
        (text, small, QUIET)
        for text in wrap_words("Cautions. " + " ".join(verdict.cautions), small, width - 2 * PAD_PX)
    ]
    band = Image.new("RGB", (width, sum(round(f.size * 1.4) for _, f, _ in lines) + 2 * PAD_PX), WHITE)
    pen = ImageDraw.Draw(band)
    y = 2
    for text, font, colour in lines:
        pen.text((PAD_PX, y), text, font=font, fill=colour)
        y += round(font.size * 1.4)
    return band
