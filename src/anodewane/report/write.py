"""Write a report: parts and cover in, pages out. Pure: no file is read, no clock asked."""

from __future__ import annotations

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
)
from anodewane.report.part_page import part_page
from anodewane.report.tables import consumed_text, hash_rows, moment_text
from anodewane.report.texts import Catalogue, clean, same_name, shortened


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
        page = part_page(part, number, own, wrong, say)
        pages.append(page)
        glance.append(_glance(part, page, number, own, say))
        attention += _attention(part, page.position, wrong, say)
        earlier = first_by_photo.setdefault(part.verdict.photo.sha256, number)
        if earlier != number:
            other = shortened(clean(parts[earlier - 1].position), SHORT)
            attention.append(
                say.say("attention.same_photo", position=shortened(page.position, SHORT), other=other)
            )
        hashes.append(HashBlock(page.heading, hash_rows(part, say)))
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


def _facts(cover: Cover, parts: Sequence[PartInput], taken: list[str], say: Catalogue) -> Rows:
    rows = [(say.say("cover.boat"), clean(cover.boat) if cover.boat else say.say("cover.boat_unknown"))]
    if cover.hauled:
        rows.append((say.say("cover.hauled"), clean(cover.hauled)))
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
        consumed_text(part.verdict, say),
        page.to_do,
    )
