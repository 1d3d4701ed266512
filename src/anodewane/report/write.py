"""Write a report: parts and cover in, pages out. Pure: no file is read, no clock asked."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from anodewane.errors import UsageError
from anodewane.report import drawings
from anodewane.report.doubts import doubts
from anodewane.report.model import (
    SHORT,
    Cover,
    Finding,
    GlanceRow,
    HashBlock,
    Paper,
    PartInput,
    PartPage,
    Report,
    Rows,
    Standing,
)
from anodewane.report.part_page import part_page
from anodewane.report.tables import consumed_text, hash_rows, moment_text
from anodewane.report.texts import Catalogue, clean, same_name, shortened
from anodewane.show.marks import grade_of
from anodewane.show.svg import Drawing


def make_report(
    parts: Sequence[PartInput],
    cover: Cover,
    findings: Sequence[Finding],
    say: Catalogue,
    paper: Paper = "a4",
    left_out: Sequence[str] = (),
    season: Drawing | None = None,
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
    season : Drawing, optional
        The boat's wear by season.

    Raises
    ------
    UsageError
        No part at all.
    """
    if not parts:
        raise UsageError("There is no record to report on.", "Name at least one record.")

    pages, glance, attention, hashes, standings = [], [], [], [], []
    first_by_photo: dict[str, int] = {}
    for number, part in enumerate(parts, start=1):
        own = [f for f in findings if same_name(f.position, part.position)]
        wrong = _doubts(part, say)
        standing = standing_of(part, own)
        page = part_page(part, number, own, standing, wrong, say)
        pages.append(page)
        standings.append(standing)
        glance.append(_glance(part, page, number, say))
        attention += _attention(part, page.position, wrong, say)
        earlier = first_by_photo.setdefault(part.verdict.photo.sha256, number)
        if earlier != number:
            other = shortened(clean(parts[earlier - 1].position), SHORT)
            where = shortened(page.position, SHORT)
            attention.append(say.say("attention.same_photo", position=where, other=other))
        hashes.append(HashBlock(page.heading, hash_rows(part, say)))
    for f in findings:
        if not any(same_name(f.position, p.position) for p in parts):
            where = shortened(clean(f.position), SHORT)
            attention.append(say.say("attention.finding_without_part", position=where))
    attention += [say.say("attention.left_out", what=clean(shortened(what, 300))) for what in left_out]
    taken = sorted(p.verdict.photo.taken for p in parts if p.verdict.photo.taken)
    return Report(
        language=say.code,
        paper=paper,
        title=clean(cover.title) if cover.title else say.say("cover.report"),
        footer=_footer(cover, say),
        facts=_facts(cover, parts, taken, say),
        scope=clean(cover.scope, lines=True) if cover.scope else None,
        counts=_counts(standings, say),
        actions=_actions(parts, glance, standings, say),
        glance_note=_glance_note(parts, say),
        glance=tuple(glance),
        attention=tuple(attention) or (say.say("cover.nothing_wrong"),),
        looks_wrong=bool(attention),
        season=season,
        signature=_signature(cover, say),
        parts=tuple(pages),
        hashes=tuple(hashes),
        catalogue=say,
        date_iso=cover.dated or (_day(taken[-1]) if taken else None),
        signs={
            g: drawings.sign(None if g == "cannot_judge" else g, say.say(f"verdict.{g}"))
            for g in ("replace", "monitor", "ok", "cannot_judge")
        },
    )


def standing_of(part: PartInput, own: Sequence[Finding]) -> Standing:
    """Whose verdict stands: the signer's last finding, else the season's book where it raises the
    photo's, else the photo's."""
    if own:
        return Standing(own[-1].verdict, "signer")
    if part.book is not None and part.book.verdict is not None:
        return Standing(part.book.verdict, "book")
    if part.verdict.status == "measured":  # sizes without a verdict: whoever signs has to name the part
        return Standing("cannot_judge", "photo")
    return Standing(grade_of(part.verdict), "photo")


def _counts(standings: Sequence[Standing], say: Catalogue) -> str:
    count = {g: sum(s.grade == g for s in standings) for g in ("replace", "monitor", "ok")}
    cannot = len(standings) - sum(count.values())
    key = "cover.counts" if len(standings) > 1 else "cover.counts_one"
    return say.say(key, n=len(standings), **count, cannot=cannot)


def _actions(
    parts: Sequence[PartInput], glance: Sequence[GlanceRow], standings: Sequence[Standing], say: Catalogue
) -> tuple[str, ...]:
    """What is to be done by the verdicts that stand, with the positions; and the parts that are needed."""
    out = []
    for grade in ("replace", "cannot_judge", "monitor"):
        mine = [i for i, s in enumerate(standings) if s.grade == grade]
        if not mine:
            continue
        positions = "; ".join(f"{glance[i].number}. {glance[i].position}" for i in mine)
        out.append(say.say(f"action.{grade}", positions=positions))
        if grade == "replace":
            templates = Counter(
                (clean(t.name), say.say(f"alloy.{t.alloy}"))
                for i in mine
                if (t := parts[i].verdict.template) is not None
            )
            needed = ", ".join(f"{n} × {name} ({alloy})" for (name, alloy), n in sorted(templates.items()))
            if needed:
                out.append(say.say("action.parts", parts=needed))
    return tuple(out)


def _glance_note(parts: Sequence[PartInput], say: Catalogue) -> str:
    coverages = {round(100 * p.verdict.consumed.coverage) for p in parts if p.verdict.consumed is not None}
    return say.say("cover.coverage", coverage=" / ".join(map(str, sorted(coverages)))) if coverages else ""


def _footer(cover: Cover, say: Catalogue) -> str:
    number = say.say("page.number", number=clean(shortened(cover.number, 40))) if cover.number else None
    boat = clean(shortened(cover.boat, 60)) if cover.boat else None
    return " · ".join(t for t in (boat, clean(cover.dated) if cover.dated else None, number) if t)


def _signature(cover: Cover, say: Catalogue) -> Rows:
    return (
        (say.say("cover.signature_name"), clean(cover.signer) if cover.signer else ""),
        (say.say("cover.signature_firm"), clean(cover.firm) if cover.firm else ""),
        (say.say("cover.signature_place"), ""),
        (say.say("cover.signature_hand"), ""),
    )


def _day(moment: str) -> str | None:
    from datetime import date

    try:
        return date.fromisoformat(moment[:10]).isoformat()
    except ValueError:
        return None


def _facts(cover: Cover, parts: Sequence[PartInput], taken: list[str], say: Catalogue) -> Rows:
    rows = [(say.say("cover.boat"), clean(cover.boat) if cover.boat else say.say("cover.boat_unknown"))]
    for key in ("vessel", "number", "client", "firm", "port", "hauled"):
        text = getattr(cover, key)
        if text:
            rows.append((say.say(f"cover.{key}"), clean(text)))
    if not taken:
        when = say.say("cover.taken_unknown")
    elif taken[0][:10] == taken[-1][:10]:
        when = moment_text(taken[0][:10])
    else:
        when = say.say("cover.taken_span", first=moment_text(taken[0][:10]), last=moment_text(taken[-1][:10]))
    versions = ", ".join(sorted({clean(shortened(p.verdict.provenance.anodewane, 30)) for p in parts}))
    return (
        *rows,
        (say.say("cover.taken"), when),
        (say.say("cover.dated"), clean(cover.dated) if cover.dated else say.say("cover.dated_unknown")),
        (say.say("cover.made_by"), say.say("cover.made_with", versions=versions)),
    )


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
                photo=moment_text(part.photo_taken) if part.photo_taken else unknown,
                said=moment_text(photo.taken) if photo.taken else unknown,
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


def _glance(part: PartInput, page: PartPage, number: int, say: Catalogue) -> GlanceRow:
    return GlanceRow(
        page.anchor,
        number,
        shortened(page.position, SHORT),
        page.grade,
        page.verdict,
        page.others,
        consumed_text(part.verdict, say),
        page.to_do,
    )
