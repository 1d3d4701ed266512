"""The words under an overlay: what its marks mean, the verdict, the interval against the limit, reasons
and what to do, cautions, and where the figures come from.

Lengths are in `em`, the size of body text: a 46th of the picture's width, about 11 points on a phone held
upright.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from anodewane.record import Verdict
from anodewane.records import Photo
from anodewane.show.canvas import Drawn, Window, font_of, wrap_words
from anodewane.show.figures import grams, millimetres, number, percent, span
from anodewane.show.marks import (
    BLACK,
    INK,
    ORANGE,
    QUIET,
    RULE,
    SKY,
    VERMILION,
    WHITE,
    Mark,
    grade_of,
    mark_of,
)
from anodewane.show.words import gone, no_wear
from anodewane.units import Bytes


def with_caption(picture: Any, photo: Photo, verdict: Verdict, view: Window, drawn: Drawn) -> Bytes:
    """Put the band of words under the picture."""
    from PIL import Image, ImageDraw

    width = picture.shape[1]
    em = width / 46
    band = Image.new("RGB", (width, round(em * 90)), WHITE)
    draw = ImageDraw.Draw(band)
    pad = em
    y = pad * 0.9
    y = _legend(draw, drawn, verdict, pad, y, em, width)
    room = width - 2 * pad
    if not view.whole:
        room -= _thumbnail(band, photo, view, em, y) + pad
    y = _headline(draw, verdict, pad, y, em, room)
    if verdict.consumed is not None and verdict.status == "judged":
        y = _gauge(draw, verdict, pad, y, em, room)
    body, bold, small = font_of(round(em)), font_of(round(em), True), font_of(round(em * 0.72))
    if not view.whole:
        y = max(y, pad * 0.9 + em * 2.0 + _thumbnail_height(photo, em) + em * 1.4)
    room = width - 2 * pad
    for reason in verdict.reasons:
        for i, line in enumerate(wrap_words(reason.message, bold, room - em)):
            if i == 0:
                draw.ellipse((pad, y + em * 0.42, pad + em * 0.4, y + em * 0.82), fill=INK)
            draw.text((pad + em, y), line, font=bold, fill=INK)
            y += em * 1.32
        if reason.remedy:
            for line in wrap_words(reason.remedy, body, room - em):
                draw.text((pad + em, y), line, font=body, fill=INK)
                y += em * 1.32
        y += em * 0.35
    if verdict.cautions:
        careful = font_of(round(em * 0.8))
        for line in wrap_words("Cautions. " + " ".join(verdict.cautions), careful, room):
            draw.text((pad, y), line, font=careful, fill=INK)
            y += em * 1.1
    y += em * 0.3
    draw.line((pad, y, width - pad, y), fill=RULE, width=max(1, round(em / 16)))
    y += em * 0.35
    for line in wrap_words(_footnote(verdict), small, room):
        draw.text((pad, y), line, font=small, fill=QUIET)
        y += em * 0.98
    band = band.crop((0, 0, width, min(band.height, round(y + em * 0.6))))
    return np.vstack([picture, np.asarray(band)])


def _legend(draw: Any, drawn: Drawn, verdict: Verdict, x: float, y: float, em: float, width: float) -> float:
    """One sample and one name for each mark that was drawn."""
    worst = f"worst place, {millimetres(verdict.recession_mm.max)}" if verdict.recession_mm else ""
    marks = (
        (drawn.new, _sample_of_new, 2.6, "new outline"),
        (drawn.left, _sample_of_left, 2.6, "what is left"),
        (drawn.gone, _sample_of_gone, 2.6, "gone"),
        (drawn.worst, _sample_of_worst, 1.4, worst),
    )
    font = font_of(round(em * 0.86))
    left = x
    for there, sample, wide, name in marks:
        if not there:
            continue
        need = (wide + 1.8) * em + font.getlength(name)
        if x + need > width and x > left:
            x, y = left, y + em * 1.4
        middle = y + em * 0.55
        sample(draw, x, middle, em, wide * em)
        draw.text((x + (wide + 0.5) * em, middle), name, font=font, fill=INK, anchor="lm")
        x += need
    return y + em * 1.75 if any(there for there, *_ in marks) else y


def _sample_of_new(draw: Any, x: float, y: float, em: float, wide: float) -> None:
    draw.line((x, y, x + wide, y), fill=BLACK, width=round(em * 0.36))
    for i in range(3):
        dash = (x + wide * (i + 0.12) / 3, y, x + wide * (i + 0.7) / 3, y)
        draw.line(dash, fill=WHITE, width=round(em * 0.2))


def _sample_of_left(draw: Any, x: float, y: float, em: float, wide: float) -> None:
    draw.line((x, y, x + wide, y), fill=BLACK, width=round(em * 0.42))
    draw.line((x, y, x + wide, y), fill=SKY, width=round(em * 0.24))


def _sample_of_gone(draw: Any, x: float, y: float, em: float, wide: float) -> None:
    box = (x, y - em * 0.45, x + wide, y + em * 0.45)
    draw.rectangle(box, fill=(250, 235, 205))
    for i in range(4):
        a = x + wide * (i + 0.05) / 4
        draw.line((a, box[3], a + em * 0.55, box[1]), fill=ORANGE, width=round(em * 0.2))
    draw.rectangle(box, outline=QUIET)


def _sample_of_worst(draw: Any, x: float, y: float, em: float, wide: float) -> None:
    r, c = em * 0.4, x + wide / 2
    for colour, width in ((BLACK, 0.3), (VERMILION, 0.18)):
        thick = round(em * width)
        draw.ellipse((c - r, y - r, c + r, y + r), outline=colour, width=thick)
        for dx, dy in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
            tick = (c + dx * r * 0.75, y + dy * r * 0.75, c + dx * r * 1.25, y + dy * r * 1.25)
            draw.line(tick, fill=colour, width=thick)


def _thumbnail_height(photo: Photo, em: float) -> float:
    height, width = photo.rgb.shape[:2]
    return em * 9 * min(1.0, height / width) if height <= width else em * 9


def _thumbnail(band: Any, photo: Photo, view: Window, em: float, y: float) -> float:
    """The whole photo, small, with the window that is shown above marked in it. Returns its width."""
    from PIL import Image, ImageDraw

    height, width = photo.rgb.shape[:2]
    scale = em * 9 / max(height, width)
    stride = max(1, int(0.4 / scale))
    small = Image.fromarray(np.ascontiguousarray(np.asarray(photo.rgb)[::stride, ::stride])).resize(
        (round(width * scale), round(height * scale)), Image.Resampling.BOX
    )
    d = ImageDraw.Draw(small)
    box = [round(v * scale) for v in view.window]
    d.rectangle(box, outline=BLACK, width=max(3, round(em / 5)))
    d.rectangle([box[0] + 1, box[1] + 1, box[2] - 1, box[3] - 1], outline=WHITE, width=max(1, round(em / 10)))
    left = round(band.width - em - small.width)
    band.paste(small, (left, round(y)))
    ImageDraw.Draw(band).text(
        (left, y + small.height + em * 0.15), "the whole photo", font=font_of(round(em * 0.72)), fill=QUIET
    )
    return float(small.width)


def _headline(draw: Any, verdict: Verdict, x: float, y: float, em: float, room: float) -> float:
    """The verdict in a block, with a sign of its own shape, and the main figure beside it."""
    grade = verdict.verdict if verdict.status == "judged" else None
    mark = mark_of(grade_of(verdict))
    font = font_of(round(em * 1.75), True)
    tall = em * 2.7
    block = em * 3.1 + font.getlength(mark.word)
    draw.rounded_rectangle(
        (x, y, x + block, y + tall),
        radius=em * 0.35,
        fill=mark.ground,
        outline=BLACK,
        width=max(1, round(em / 12)),
    )
    _sign(draw, grade_of(verdict), x + em * 1.25, y + tall / 2, em * 0.72, mark)
    draw.text((x + em * 2.4, y + tall / 2), mark.word, font=font, fill=mark.ink, anchor="lm")
    if verdict.consumed is not None and grade:
        mass = verdict.consumed.mass_pct
        big, small = font_of(round(em * 1.3), True), font_of(round(em * 0.9))
        first = gone(verdict)[0].upper() + gone(verdict)[1:]
        of_what = " of the metal gone," if no_wear(verdict) else ""
        second = f"{span(mass)}{of_what} with {percent(100 * verdict.consumed.coverage)} confidence"
        if block + em + max(big.getlength(first), small.getlength(second)) <= room:
            draw.text((x + block + em, y + em * 0.05), first, font=big, fill=INK)
            draw.text((x + block + em, y + em * 1.62), second, font=small, fill=INK)
        else:
            y += tall + em * 0.3
            draw.text((x, y), first, font=big, fill=INK)
            draw.text((x, y + em * 1.6), second, font=small, fill=INK)
    return y + tall + em * 0.7


def _sign(draw: Any, grade: str, cx: float, cy: float, r: float, mark: Mark) -> None:
    """A cross for replace, a half-filled disc for monitor, a tick for ok, its character otherwise."""
    w = max(2, round(r * 0.42))
    if grade == "replace":
        draw.line((cx - r * 0.8, cy - r * 0.8, cx + r * 0.8, cy + r * 0.8), fill=mark.ink, width=w)
        draw.line((cx - r * 0.8, cy + r * 0.8, cx + r * 0.8, cy - r * 0.8), fill=mark.ink, width=w)
    elif grade == "monitor":
        draw.ellipse((cx - r, cy - r, cx + r, cy + r), outline=mark.ink, width=max(2, round(r * 0.25)))
        draw.pieslice((cx - r, cy - r, cx + r, cy + r), 90, 270, fill=mark.ink)
    elif grade == "ok":
        draw.line(
            (cx - r * 0.9, cy, cx - r * 0.25, cy + r * 0.7, cx + r * 0.95, cy - r * 0.75),
            fill=mark.ink,
            width=w,
            joint="curve",
        )
    else:
        draw.text((cx, cy), mark.sign, font=font_of(round(r * 2.4), True), fill=mark.ink, anchor="mm")


def _gauge(draw: Any, verdict: Verdict, x: float, y: float, em: float, room: float) -> float:
    """A line from 0 to 100 % of the metal: the interval as a bar, the value as a needle, the
    limit as a gate."""
    assert verdict.consumed is not None
    mass, limit = verdict.consumed.mass_pct, verdict.limits.limit_pct
    left, right = x + em * 0.4, x + min(room, em * 40) - em * 0.8
    font, top = font_of(round(em * 0.78)), y + em * 0.2
    tall = em * 0.9

    def at(pct: float) -> float:
        return left + (right - left) * float(np.clip(pct, 0, 100)) / 100

    draw.rectangle((left, top, right, top + tall), fill=(238, 238, 238), outline=QUIET)
    draw.rectangle((at(mass.low), top + tall * 0.2, at(mass.high), top + tall * 0.8), fill=SKY, outline=BLACK)
    needle = at(mass.value)
    draw.polygon(
        (needle - em * 0.3, top - em * 0.3, needle + em * 0.3, top - em * 0.3, needle, top + tall * 0.3),
        fill=BLACK,
    )
    draw.line((needle, top, needle, top + tall), fill=BLACK, width=max(2, round(em / 7)))
    gate = at(limit)
    for k in range(5):
        draw.line(
            (gate, top - em * 0.25 + k * em * 0.3, gate, top - em * 0.1 + k * em * 0.3),
            fill=BLACK,
            width=max(2, round(em / 7)),
        )
    base = top + tall + em * 0.2
    draw.text((left, base), "0 %", font=font, fill=QUIET, anchor="la")
    draw.text((right, base), "100 % of the metal gone", font=font, fill=QUIET, anchor="ra")
    draw.text((gate, base), f"limit {percent(limit)}", font=font, fill=INK, anchor="ma")
    return base + em * 1.5


def _footnote(verdict: Verdict) -> str:
    """Where the figures come from, for whoever has to check them."""
    bits = []
    worn = not no_wear(verdict)
    if verdict.consumed is not None and verdict.status == "judged":
        area = verdict.consumed.area_pct
        bits.append(f"Outline area gone: {percent(area)} ({span(area)}); area is not mass.")
    if verdict.recession_mm is not None and worn:
        mean, most = millimetres(verdict.recession_mm.mean), millimetres(verdict.recession_mm.max)
        bits.append(f"Edge worn back {mean} on average, {most} at most.")
    if verdict.mass is not None and worn:
        bits.append(f"{grams(verdict.mass.remaining_g.value)} of {grams(verdict.mass.new_g)} left.")
    if verdict.template is not None:
        t = verdict.template
        bits.append(f"Template {t.name}, {t.alloy}, {t.mount} mount.")
    if verdict.scale is not None:
        away = f"camera {number(verdict.scale.distance_mm, unit='mm')} mm away"
        tilt = f"tilted {number(verdict.scale.tilt_deg, unit='deg')}°"
        bits.append(f"Sheet {verdict.scale.layout}, {away}, {tilt}.")
    bits.append(f"Limit {percent(verdict.limits.limit_pct)}: {verdict.limits.basis}.")
    taken = f", taken {verdict.photo.taken.replace('T', ' ')}" if verdict.photo.taken else ""
    bits.append(f"Photo {verdict.photo.name}{taken}, SHA-256 {verdict.photo.sha256[:16]}.")
    return " ".join([*bits, f"anodewane {verdict.provenance.anodewane}."])
