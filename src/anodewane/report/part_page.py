"""A part's page: its verdict, photo, measurement, wear, figures, doubt, and what people add to them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from anodewane.record import Verdict
from anodewane.report import drawings
from anodewane.report.model import (
    SHORT,
    Earlier,
    Finding,
    FindingText,
    PartInput,
    PartPage,
    ReasonText,
    Standing,
    ViewShown,
)
from anodewane.report.shapes import gone_shape, new_shape, recession_round, shape_of, worn_shape
from anodewane.report.tables import basis_rows, consumed_text, interval_figures, measured_rows
from anodewane.report.texts import Catalogue, clean, shortened
from anodewane.show.marks import grade_of
from anodewane.show.svg import Drawing


def part_page(
    part: PartInput,
    number: int,
    own: Sequence[Finding],
    standing: Standing,
    wrong: tuple[str, ...],
    say: Catalogue,
) -> PartPage:
    """Write a part's page.

    Parameters
    ----------
    own : the signer's findings at this position
    standing : the verdict that stands, which heads the page
    wrong : what its record contradicts itself in, one sentence each
    """
    v = part.verdict
    key = standing.grade if standing.grade in ("replace", "monitor", "ok") else "cannot_judge"
    position = clean(part.position)
    name = shortened(clean(v.photo.name), SHORT)
    verdict_word = say.say(f"verdict.{key}")
    worn = worn_shape(v) if v.status == "judged" else None
    headline = f"{say.say('figure.consumed_mass')}: {consumed_text(v, say)}"
    overlay, overlay_title, overlay_note = _overlay(part, say)
    profile, profile_note = _profile(part, worn, say)
    drawing, n = _drawing(part, worn, say)
    bars, total = _budget(v, say)
    photo_note = None
    if part.photo_state != "shown":
        photo_note = part_photo_why(part, say)
    return PartPage(
        anchor=f"part-{number}",
        heading=say.say("part.heading", number=number, position=shortened(position, SHORT)),
        position=position,
        grade=None if key == "cannot_judge" else key,
        verdict=verdict_word,
        others=_others(part, own, standing, say),
        headline=headline,
        to_do=say.say(f"do.{key}"),
        sign=drawings.sign(None if key == "cannot_judge" else key, verdict_word),
        gauge=drawings.gauge(v, say),
        photo=part.photo,
        photo_title=say.say("part.photo"),
        photo_alt=say.say("part.photo_alt", name=name),
        photo_note=photo_note,
        overlay=overlay,
        overlay_title=overlay_title,
        overlay_note=overlay_note,
        profile=profile,
        profile_title=say.say("part.profile"),
        profile_note=profile_note,
        drawing=drawing,
        drawing_title=say.say("part.drawing", scale=drawings.scale_text(n, say)) if drawing else "",
        drawing_note=say.say("part.drawing_note") if drawing else None,
        views=_views(part, say),
        views_note=say.say("part.views_missing", n=part.views.count(None)) if None in part.views else None,
        figures=measured_rows(v, say),
        more=basis_rows(v, say),
        reasons=tuple(_reason(r.code, r.message, r.remedy, say) for r in v.reasons),
        sure_text=_sure(v, say),
        sure_more=say.say("part.sure_biggest", cause=bars[0][0]) if bars and bars[0][1] > 0 else None,
        budget=drawings.budget_bars(bars, total, say) if bars else None,
        budget_rows=tuple((cause, say.number(value, 2)) for cause, value in (*bars, total)) if bars else (),
        findings=tuple(_finding(f, grade_of(v), say) for f in own),
        note=clean(part.note, lines=True) if part.note else None,
        history=tuple(_earlier(e, say) for e in part.history),
        before=_before(part, say),
        book=tuple(_reason(r.code, r.message, r.remedy, say) for r in part.book.reasons) if part.book else (),
        book_verdict=say.say("part.book_verdict", verdict=say.say(f"verdict.{part.book.verdict}"))
        if part.book and part.book.verdict
        else None,
        doubts=wrong,
    )


def _others(part: PartInput, own: Sequence[Finding], standing: Standing, say: Catalogue) -> str | None:
    """Whose verdict stands, where it isn't the photo's, and what the others say."""
    if standing.by == "photo":
        return None
    out = [say.say(f"cover.by_{standing.by}")]
    if standing.by == "signer":
        out += [say.say("cover.signer_says", verdict=say.say(f"verdict.{f.verdict}")) for f in own[:-1]]
        if part.book and part.book.verdict:
            out.append(say.say("cover.book_says", verdict=say.say(f"verdict.{part.book.verdict}")))
    out.append(say.say("cover.photo_says", verdict=say.say(f"verdict.{grade_of(part.verdict)}")))
    return "; ".join(out)


def _reason(code: str, message: str, remedy: str | None, say: Catalogue) -> ReasonText:
    said, do, own = say.reason(code, message, remedy)
    return ReasonText(
        clean(said), clean(do) if do else None, say.say("part.record_says", text=clean(own)) if own else None
    )


def _finding(f: Finding, tool: str, say: Catalogue) -> FindingText:
    lines = [
        say.say("part.finding_line", by=clean(shortened(f.by, 200)), verdict=say.say(f"verdict.{f.verdict}")),
        say.say("part.finding_tool", verdict=say.say(f"verdict.{tool}")),
        say.say("part.finding_agrees" if f.verdict == tool else "part.finding_differs"),
    ]
    if f.when:
        lines.append(say.say("part.finding_dated", date=clean(f.when)))
    return FindingText(tuple(lines), say.say("part.finding_why", why=clean(f.why, lines=True)))


def _earlier(e: Earlier, say: Catalogue) -> tuple[str, str]:
    if e.kind == "judged" and e.verdict and e.consumed_pct is not None:
        return clean(e.date), say.say(
            "history.judged", verdict=say.say(f"verdict.{e.verdict}"), **interval_figures(e.consumed_pct, say)
        )
    if e.kind == "weighed" and e.mass_g is not None:
        return clean(e.date), say.say("history.weighed", g=say.number(e.mass_g))
    return clean(e.date), say.say(f"history.{'refit' if e.kind == 'refit' else 'cannot_judge'}")


def _before(part: PartInput, say: Catalogue) -> ViewShown | None:
    """The photo of the haul-out before."""
    if part.before is None:
        return None
    date, picture = part.before
    said = say.say("part.before", date=clean(date))
    return ViewShown(picture, said, said)


def _sure(v: Verdict, say: Catalogue) -> str:
    if v.consumed is None:
        return say.say("part.sure_none")
    figures = interval_figures(v.consumed.mass_pct, say, 1)
    return say.say(
        "part.sure_text",
        low=figures["low"],
        high=figures["high"],
        coverage=say.number(100 * v.consumed.coverage),
    )


def _budget(v: Verdict, say: Catalogue) -> tuple[list[tuple[str, float]], tuple[str, float]]:
    """Causes by size with their one-sigma in points, and all together (root of the sum of squares: the
    causes are drawn apart)."""
    bars = []
    for cause, value in v.budget.items():
        key = f"cause.{cause}"
        named = (
            say.say(key)
            if say.has(key) and cause != "other"
            else say.say("cause.other", name=shortened(clean(cause), 50))
        )
        bars.append((named, float(value)))
    bars.sort(key=lambda b: -b[1])
    return bars, (say.say("part.sure_total"), math.sqrt(sum(b[1] ** 2 for b in bars)))


def _views(part: PartInput, say: Catalogue) -> tuple[ViewShown, ...]:
    """The fitted solid drawn back into each photo that is at hand, and the map of the
    thickness that is left."""
    v, n = part.verdict, say.number
    shown = []
    for view, picture in zip(v.views, part.views, strict=False):
        if picture is None:
            continue
        name = shortened(clean(view.name), SHORT)
        said = [
            say.say("part.view_from", name=name, elevation=n(view.elevation_deg)),
            say.say("part.view_brought", off=n(view.residual_mm, 1), share=n(100 * view.information_frac)),
        ]
        if view.of_other_side:
            said.insert(1, say.say("part.view_other_side"))
        shown.append(ViewShown(picture, say.say("part.view_alt", name=name), " ".join(said)))
    if part.thickness_map is not None and v.together is not None:
        caption = say.say(
            "part.map",
            low=n(min(t for *_, t in v.together.thickness_part_mm), 1),
            high=n(max(t for *_, t in v.together.thickness_part_mm), 1),
        )
        shown.append(ViewShown(part.thickness_map, say.say("part.map_alt"), caption))
    return tuple(shown)


def _overlay(part: PartInput, say: Catalogue) -> tuple[Drawing | None, str, str]:
    flat = part.flat
    if flat is None:
        v = part.verdict
        has_outline = v.outline is not None and bool(v.outline.photo_px)
        why = (
            part_photo_why(part, say)
            if part.photo_state != "shown"
            else say.say("part.overlay_none" if not has_outline else "part.overlay_no_sheet")
        )
        return None, say.say("part.overlay", scale="-"), why
    gone = None
    new, left = flat.flat.new, flat.flat.left
    if flat.flat.in_part_plane and new:
        fresh, rest = shape_of(new), shape_of(left)
        gone = gone_shape(fresh, rest) if fresh is not None and rest is not None else None
    shown_new = new if flat.flat.in_part_plane else ()
    drawing = drawings.overlay(flat.picture.jpeg, flat.window_mm, flat.n, shown_new, left, gone, say)
    note = say.say("part.overlay_scale_part" if flat.flat.in_part_plane else "part.overlay_scale_sheet")
    if flat.flat.off_mm is not None:
        note += " " + say.say("part.overlay_off", off=say.number(flat.flat.off_mm, 1))
    return drawing, say.say("part.overlay", scale=drawings.scale_text(flat.n, say)), note


def part_photo_why(part: PartInput, say: Catalogue) -> str:
    """Why a photo isn't shown."""
    name = shortened(clean(part.verdict.photo.name), SHORT)
    if part.photo_state == "unreadable":
        return say.say("part.photo_unreadable", name=name, why=clean(shortened(part.photo_why or "", 200)))
    return say.say(f"part.photo_{part.photo_state}", name=name)


def _profile(part: PartInput, worn: Any, say: Catalogue) -> tuple[Drawing | None, str | None]:
    if worn is None or part.verdict.template is None:
        return None, say.say("part.profile_nothing")
    if part.template is None:
        return None, say.say("part.profile_none", name=shortened(clean(part.verdict.template.name), SHORT))
    from anodewane.geometry.rings import ring_length

    way, depth, _ = recession_round(part.template, worn)
    return drawings.profile(way, depth, ring_length(np.asarray(part.template.rings[0], float)), say), None


def _drawing(part: PartInput, worn: Any, say: Catalogue) -> tuple[Drawing | None, float]:
    if worn is None or part.template is None:
        return None, 1
    way, _, points = recession_round(part.template, worn)
    quarters = [round(k * len(way) / 4) % len(way) for k in range(4)]
    letters = [
        (letter, float(points[i][0]), float(points[i][1])) for letter, i in zip("ABCD", quarters, strict=True)
    ]
    worst = part.verdict.recession_mm.worst_part_mm if part.verdict.recession_mm else None
    return drawings.new_and_left(new_shape(part.template), worn, letters, worst, say)
