"""The page model: what a report says, in its final words and drawings, before anything is set as HTML
or PDF. Pure: records in, frozen pages out.

Every text is in the report's language; text from outside has been made harmless by `texts.clean`.
Figures are rounded here and nowhere else.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from anodewane.errors import UsageError
from anodewane.record import Grade, Interval, Reason, Verdict
from anodewane.records import Template
from anodewane.report import drawings
from anodewane.report.doubts import doubts
from anodewane.report.drawings import Drawing
from anodewane.report.pictures import FlatPicture, Picture
from anodewane.report.shapes import gone_shape, new_shape, recession_round, shape_of, worn_shape
from anodewane.report.texts import Catalogue, clean, same_name, shortened
from anodewane.settings import Settings
from anodewane.show.words import no_wear

Paper = Literal["a4", "letter"]
PhotoState = Literal["shown", "missing", "changed", "unreadable"]

SHORT = 80
"""Characters of a name in a heading or table; the part's page has all of it."""

# --- what goes in --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Finding:
    """What the signer found at a position: it stands beside the tool's verdict and changes nothing.
    when : a date as given."""

    position: str
    verdict: Grade
    by: str
    why: str
    when: str | None = None

    def __post_init__(self) -> None:
        if self.verdict not in ("replace", "monitor", "ok"):
            raise UsageError(
                f"A finding is replace, monitor or ok, not '{self.verdict}'.", "Write it as POSITION=replace."
            )
        if not self.by.strip() or not self.why.strip():
            raise UsageError(
                f"The finding for '{self.position}' lacks who found it or why.",
                "Give --by and --why with it.",
            )


@dataclass(frozen=True, slots=True)
class Earlier:
    """An earlier look at the same position, from the season's book."""

    date: str
    kind: Literal["judged", "cannot_judge", "refit", "weighed"]
    verdict: Grade | None = None
    consumed_pct: Interval | None = None
    mass_g: float | None = None


@dataclass(frozen=True, slots=True)
class BookSays:
    """What the season's book adds to a photo: verdict, where it raises the photo's because the part
    won't last, and its reasons."""

    verdict: Grade | None
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True, eq=False)
class PartInput:
    """One part: its record, whose bytes have record_sha256; its photo made small, or why there is none;
    its template, None where it isn't at hand.

    views, thickness_map : as `pictures.view_pictures` gives them, of several photos judged together.
    """

    position: str
    verdict: Verdict
    record_sha256: str
    template: Template | None = None
    photo: Picture | None = None
    flat: FlatPicture | None = None
    views: tuple[Picture | None, ...] = ()
    thickness_map: Picture | None = None
    photo_state: PhotoState = "missing"
    photo_why: str | None = None
    photo_size_px: tuple[int, int] | None = None
    photo_taken: str | None = None
    note: str | None = None
    history: tuple[Earlier, ...] = ()
    book: BookSays | None = None


@dataclass(frozen=True, slots=True)
class Cover:
    """What the cover says besides the parts. Dates as given; None is not stated."""

    title: str | None = None
    boat: str | None = None
    hauled: str | None = None
    dated: str | None = None


# --- what comes out ------------------------------------------------------------------------------

Rows = tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class GlanceRow:
    """A line of the one-look table. grade : chooses the sign, None for a refusal. anchor : of
    the part's page."""

    anchor: str
    number: int
    position: str
    grade: str | None
    verdict: str
    signer: str | None
    consumed: str
    to_do: str


@dataclass(frozen=True, slots=True)
class ReasonText:
    """A reason: sentence, remedy, and in a translation the record's own words."""

    message: str
    remedy: str | None
    own_words: str | None


@dataclass(frozen=True, slots=True)
class FindingText:
    """A signer's finding in words."""

    lines: tuple[str, ...]
    why: str


@dataclass(frozen=True, slots=True)
class ViewShown:
    """One of several photos with the fitted solid in it, or the thickness map, and the words below it."""

    picture: Picture
    alt: str
    caption: str


@dataclass(frozen=True, slots=True, eq=False)
class PartPage:
    """A part's page."""

    anchor: str
    heading: str
    position: str
    grade: str | None
    verdict: str
    headline: str
    to_do: str
    sign: Drawing
    gauge: Drawing | None
    photo: Picture | None
    photo_title: str
    photo_alt: str
    photo_note: str | None
    overlay: Drawing | None
    overlay_title: str
    overlay_note: str
    profile: Drawing | None
    profile_title: str
    profile_note: str | None
    drawing: Drawing | None
    drawing_title: str
    drawing_note: str | None
    views: tuple[ViewShown, ...]
    views_note: str | None
    figures: Rows
    more: Rows
    reasons: tuple[ReasonText, ...]
    sure_text: str
    sure_more: str | None
    budget: Drawing | None
    budget_rows: Rows
    findings: tuple[FindingText, ...]
    note: str | None
    history: Rows
    book: tuple[ReasonText, ...]
    book_verdict: str | None
    doubts: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class HashBlock:
    """The hashes of one part."""

    heading: str
    rows: Rows


@dataclass(frozen=True, slots=True, eq=False)
class Report:
    """All of a report. attention : what to know before relying on it, or that there is nothing
    (looks_wrong). date_iso : for the PDF's own date."""

    language: str
    paper: Paper
    title: str
    facts: Rows
    counts: str
    glance_note: str
    glance: tuple[GlanceRow, ...]
    attention: tuple[str, ...]
    looks_wrong: bool
    parts: tuple[PartPage, ...]
    hashes: tuple[HashBlock, ...]
    catalogue: Catalogue
    date_iso: str | None
    signs: dict[str, Drawing] = field(default_factory=dict)

    def say(self, key: str, **figures: Any) -> str:
        return self.catalogue.say(key, **figures)


# --- from one to the other -----------------------------------------------------------------------


def make_report(
    parts: Sequence[PartInput],
    cover: Cover,
    findings: Sequence[Finding],
    say: Catalogue,
    paper: Paper = "a4",
    left_out: Sequence[str] = (),
) -> Report:
    """Write a report.

    Parameters
    ----------
    parts : sequence of PartInput
        In the order in which they are to stand.
    findings : sequence of Finding
        Each is laid to the part whose position it names; one that names none is said on the cover.
    left_out : sequence of str
        Photos of the same source that have no record: said on the cover.

    Raises
    ------
    UsageError
        No part at all.
    """
    if not parts:
        raise UsageError("There is no record to report on.", "Name at least one record.")

    pages, glance, attention, hashes = [], [], [], []
    first_by_photo: dict[str, int] = {}
    for number, part in enumerate(parts, start=1):
        own = [f for f in findings if same_name(f.position, part.position)]
        wrong = _doubts(part, say)
        page = _part_page(part, number, own, wrong, say)
        pages.append(page)
        glance.append(_glance(part, page, number, own, say))
        attention += _attention(part, page.position, wrong, say)
        earlier = first_by_photo.setdefault(part.verdict.photo.sha256, number)
        if earlier != number:
            other = shortened(clean(parts[earlier - 1].position), SHORT)
            attention.append(
                say.say("attention.same_photo", position=shortened(page.position, SHORT), other=other)
            )
        hashes.append(HashBlock(page.heading, _hash_rows(part, say)))
    for f in findings:
        if not any(same_name(f.position, p.position) for p in parts):
            attention.append(
                say.say("attention.finding_without_part", position=shortened(clean(f.position), SHORT))
            )
    attention += [say.say("attention.left_out", what=clean(shortened(what, 300))) for what in left_out]
    count = {
        g: sum(p.verdict.verdict == g and p.verdict.status == "judged" for p in parts)
        for g in ("replace", "monitor", "ok")
    }
    cannot = len(parts) - sum(count.values())
    coverages = sorted(
        {round(100 * p.verdict.consumed.coverage) for p in parts if p.verdict.consumed is not None}
    )
    taken = sorted(p.verdict.photo.taken for p in parts if p.verdict.photo.taken)
    return Report(
        language=say.code,
        paper=paper,
        title=clean(cover.title) if cover.title else say.say("cover.report"),
        facts=_facts(cover, parts, taken, say),
        counts=say.say(
            "cover.counts" if len(parts) > 1 else "cover.counts_one", n=len(parts), **count, cannot=cannot
        ),
        glance_note=say.say("cover.coverage", coverage=" / ".join(str(c) for c in coverages))
        if coverages
        else "",
        glance=tuple(glance),
        attention=tuple(attention) or (say.say("cover.nothing_wrong"),),
        looks_wrong=bool(attention),
        parts=tuple(pages),
        hashes=tuple(hashes),
        catalogue=say,
        date_iso=cover.dated or (_day(taken[-1]) if taken else None),
        signs={
            g: drawings.sign(None if g == "cannot_judge" else g, say.say(f"verdict.{g}"))
            for g in ("replace", "monitor", "ok", "cannot_judge")
        },
    )


def _day(moment: str) -> str | None:
    from datetime import date

    try:
        return date.fromisoformat(moment[:10]).isoformat()
    except ValueError:
        return None


def _moment(moment: str) -> str:
    return clean(shortened(moment.replace("T", " "), 40))


def _facts(cover: Cover, parts: Sequence[PartInput], taken: list[str], say: Catalogue) -> Rows:
    rows = [(say.say("cover.boat"), clean(cover.boat) if cover.boat else say.say("cover.boat_unknown"))]
    if cover.hauled:
        rows.append((say.say("cover.hauled"), clean(cover.hauled)))
    if not taken:
        when = say.say("cover.taken_unknown")
    elif taken[0][:10] == taken[-1][:10]:
        when = _moment(taken[0][:10])
    else:
        when = say.say("cover.taken_span", first=_moment(taken[0][:10]), last=_moment(taken[-1][:10]))
    versions = ", ".join(sorted({clean(shortened(p.verdict.provenance.anodewane, 30)) for p in parts}))
    return (
        *rows,
        (say.say("cover.taken"), when),
        (say.say("cover.dated"), clean(cover.dated) if cover.dated else say.say("cover.dated_unknown")),
        (say.say("cover.made_by"), say.say("cover.made_with", versions=versions)),
    )


def grade_key(verdict: Verdict) -> str:
    """ "replace", "monitor", "ok" or "cannot_judge" """
    return verdict.verdict if verdict.status == "judged" and verdict.verdict else "cannot_judge"


def _interval(interval: Interval, say: Catalogue, digits: int = 0) -> dict[str, str]:
    return {
        "value": say.number(interval.value, digits),
        "low": say.number(interval.low, digits),
        "high": say.number(interval.high, digits),
    }


def _consumed(v: Verdict, say: Catalogue) -> str:
    """The metal gone with its interval, "no measurable wear" where the record says so: a share below
    nothing would say more than is known."""
    if v.consumed is None:
        return say.say("cover.no_figure")
    return say.say("cover.no_wear" if no_wear(v) else "cover.consumed", **_interval(v.consumed.mass_pct, say))


def _doubts(part: PartInput, say: Catalogue) -> tuple[str, ...]:
    found = list(doubts(part.verdict, say, part.template))
    photo = part.verdict.photo
    if part.photo_size_px is not None and part.photo_size_px != (photo.width_px, photo.height_px):
        width, height = part.photo_size_px
        found.append(
            say.say(
                "doubt.size",
                width=width,
                height=height,
                said_width=photo.width_px,
                said_height=photo.height_px,
            )
        )
    if part.photo_state == "shown" and part.photo_taken != photo.taken:
        unknown = say.say("figure.unknown")
        found.append(
            say.say(
                "doubt.taken",
                photo=_moment(part.photo_taken) if part.photo_taken else unknown,
                said=_moment(photo.taken) if photo.taken else unknown,
            )
        )
    return tuple(found)


def _attention(part: PartInput, position: str, wrong: tuple[str, ...], say: Catalogue) -> list[str]:
    where = shortened(position, SHORT)
    name = shortened(clean(part.verdict.photo.name), SHORT)
    out = [say.say("attention.record_doubt", position=where, what=what) for what in wrong]
    if part.photo_state != "shown":
        out.append(say.say(f"attention.photo_{part.photo_state}", position=where, name=name))
    if part.template is None and part.verdict.template is not None and part.verdict.status == "judged":
        out.append(
            say.say(
                "attention.no_template",
                position=where,
                name=shortened(clean(part.verdict.template.name), SHORT),
            )
        )
    return out


def _glance(part: PartInput, page: PartPage, number: int, own: list[Finding], say: Catalogue) -> GlanceRow:
    others = [say.say("cover.signer_says", verdict=say.say(f"verdict.{f.verdict}")) for f in own]
    if part.book and part.book.verdict:
        others.append(say.say("cover.book_says", verdict=say.say(f"verdict.{part.book.verdict}")))
    signer = "; ".join(others) or None
    return GlanceRow(
        page.anchor,
        number,
        shortened(page.position, SHORT),
        page.grade,
        page.verdict,
        signer,
        _consumed(part.verdict, say),
        page.to_do,
    )


# --- a part's page -------------------------------------------------------------------------------


def _part_page(
    part: PartInput, number: int, own: list[Finding], wrong: tuple[str, ...], say: Catalogue
) -> PartPage:
    v = part.verdict
    key = grade_key(v)
    position = clean(part.position)
    name = shortened(clean(v.photo.name), SHORT)
    verdict_word = say.say(f"verdict.{key}")
    worn = worn_shape(v) if v.status == "judged" else None
    headline = f"{say.say('figure.consumed_mass')}: {_consumed(v, say)}"
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
        figures=_figures(v, say),
        more=_more(v, say),
        reasons=tuple(_reason(r.code, r.message, r.remedy, say) for r in v.reasons),
        sure_text=_sure(v, say),
        sure_more=say.say("part.sure_biggest", cause=bars[0][0]) if bars and bars[0][1] > 0 else None,
        budget=drawings.budget_bars(bars, total, say) if bars else None,
        budget_rows=tuple((cause, say.number(value, 2)) for cause, value in (*bars, total)) if bars else (),
        findings=tuple(_finding(f, key, say) for f in own),
        note=clean(part.note, lines=True) if part.note else None,
        history=tuple(_earlier(e, say) for e in part.history),
        book=tuple(_reason(r.code, r.message, r.remedy, say) for r in part.book.reasons) if part.book else (),
        book_verdict=say.say("part.book_verdict", verdict=say.say(f"verdict.{part.book.verdict}"))
        if part.book and part.book.verdict
        else None,
        doubts=wrong,
    )


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
            "history.judged", verdict=say.say(f"verdict.{e.verdict}"), **_interval(e.consumed_pct, say)
        )
    if e.kind == "weighed" and e.mass_g is not None:
        return clean(e.date), say.say("history.weighed", g=say.number(e.mass_g))
    return clean(e.date), say.say(f"history.{'refit' if e.kind == 'refit' else 'cannot_judge'}")


def _sure(v: Verdict, say: Catalogue) -> str:
    if v.consumed is None:
        return say.say("part.sure_none")
    figures = _interval(v.consumed.mass_pct, say, 1)
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


def _figures(v: Verdict, say: Catalogue) -> Rows:
    """What was measured."""
    n = say.number
    unknown = say.say("figure.unknown")
    rows: list[tuple[str, str]] = []

    def row(key: str, text: str) -> None:
        rows.append((say.say(f"figure.{key}"), text))

    if v.consumed is not None:
        row("consumed_mass", say.say("figure.interval", **_interval(v.consumed.mass_pct, say, 1)))
        row("consumed_area", say.say("figure.interval", **_interval(v.consumed.area_pct, say, 1)))
    if v.mass is not None:
        row(
            "mass",
            say.say(
                "figure.mass_value",
                **_interval(v.mass.remaining_g, say),
                new=n(v.mass.new_g),
                method=say.say(f"method_of_mass.{v.mass.method}"),
            ),
        )
    if v.together is not None:
        row(
            "together",
            say.say("figure.together_value", n=len(v.views), **_interval(v.together.mass_before_pct, say, 1)),
        )
    if v.area is not None:
        row("area", say.say("figure.area_value", value=n(v.area.remaining_mm2), new=n(v.area.new_mm2)))
    if v.recession_mm is not None:
        r = v.recession_mm
        row(
            "recession",
            say.say("figure.recession_value", mean=n(r.mean, 1), p95=n(r.p95, 1), max=n(r.max, 1)),
        )
    if v.remaining_thickness_mm is not None:
        new = n(v.template.thickness_mm, 1) if v.template else unknown
        row(
            "thickness",
            say.say("figure.thickness_value", **_interval(v.remaining_thickness_mm, say, 1), new=new),
        )
    for hole in v.holes:
        washer = (
            say.say("figure.washer_unknown")
            if hole.washer_mm is None
            else say.say("figure.washer_mm", mm=n(hole.washer_mm, 1))
        )
        state = say.say(f"hole_state.{hole.state}")
        label = say.say("figure.hole", n=hole.index + 1)
        if hole.diameter_mm is None:
            rows.append(
                (label, say.say("figure.hole_unseen", new=n(hole.new_mm, 1), washer=washer, state=state))
            )
        else:
            rows.append(
                (
                    label,
                    say.say(
                        "figure.hole_value",
                        diameter=n(hole.diameter_mm, 1),
                        new=n(hole.new_mm, 1),
                        washer=washer,
                        state=state,
                    ),
                )
            )
    if v.pieces_lost is not None:
        row("pieces", str(v.pieces_lost))
    return tuple(rows)


BASES = {Settings().basis: "basis.usual", "set on the command line": "basis.command_line"}
"""Words for a limit's basis that the tool writes itself, and so can be translated."""


def _more(v: Verdict, say: Catalogue) -> Rows:
    """By what it was measured."""
    n = say.number
    unknown = say.say("figure.unknown")
    rows: list[tuple[str, str]] = []

    def row(key: str, text: str) -> None:
        rows.append((say.say(f"figure.{key}"), text))

    basis = say.say(BASES[v.limits.basis]) if v.limits.basis in BASES else clean(v.limits.basis)
    row(
        "limit",
        say.say(
            "figure.limit_value",
            limit=n(v.limits.limit_pct, 1),
            monitor=n(v.limits.monitor_from_pct, 1),
            basis=basis,
        ),
    )
    if v.template is not None:
        t = v.template
        row(
            "template",
            say.say(
                "figure.template_value",
                name=clean(t.name),
                alloy=say.say(f"alloy.{t.alloy}"),
                mount=say.say(f"mount.{t.mount}"),
                thickness=n(t.thickness_mm, 1),
                how=say.say(f"template_how.{'chosen' if t.chosen else 'named'}"),
            ),
        )
    if v.scale is not None:
        s = v.scale
        x, y = (n(mm, 1) for mm in s.check_line_mm)
        row(
            "sheet",
            say.say(
                "figure.sheet_value",
                layout=clean(s.layout),
                distance=n(s.distance_mm),
                tilt=n(s.tilt_deg, 1),
                sd=n(s.sd_pct, 2),
                x=x,
                y=y,
            ),
        )
    made = v.provenance
    if made.manual is not None:
        row(
            "outline_by",
            say.say(
                "figure.outline_manual",
                by=clean(made.manual.by) if made.manual.by else unknown,
                when=clean(made.manual.when) if made.manual.when else unknown,
            ),
        )
    elif made.segmenter is not None:
        row("outline_by", say.say("figure.outline_segmenter", name=clean(shortened(made.segmenter, 60))))
    taken = _moment(v.photo.taken) if v.photo.taken else unknown
    row(
        "photo_file",
        say.say(
            "figure.photo_value",
            name=clean(v.photo.name),
            width=v.photo.width_px,
            height=v.photo.height_px,
            taken=taken,
        ),
    )
    return tuple(rows)


def _hash_rows(part: PartInput, say: Catalogue) -> Rows:
    v = part.verdict
    rows = [
        (say.say("hashes.record"), part.record_sha256),
        (say.say("hashes.photo"), clean(shortened(v.photo.sha256, 80))),
    ]
    others = [view for view in v.views if view.sha256 != v.photo.sha256]
    rows += [
        (
            say.say("hashes.other_photo", name=shortened(clean(view.name), SHORT)),
            clean(shortened(view.sha256, 80)),
        )
        for view in others
    ]
    if v.template is not None:
        rows.append((say.say("hashes.template"), clean(shortened(v.template.sha256, 80))))
    made = v.provenance
    rows.append(
        (
            say.say("hashes.model"),
            clean(shortened(made.model_sha256, 80)) if made.model_sha256 else say.say("hashes.none"),
        )
    )
    if made.manual is not None:
        rows.append((say.say("hashes.handed"), clean(shortened(made.manual.sha256, 80))))
    rows.append((say.say("hashes.settings"), clean(shortened(made.settings_digest, 80))))
    libraries = ", ".join(
        f"{clean(shortened(k, 40))} {clean(shortened(str(w), 40))}" for k, w in sorted(made.libraries.items())
    )
    rows.append(
        (
            say.say("hashes.made_with"),
            f"anodewane {clean(shortened(made.anodewane, 30))}" + (f", {libraries}" if libraries else ""),
        )
    )
    return tuple(rows)
