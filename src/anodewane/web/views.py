"""What the pages say, gathered from the book and the yard as plain values: no HTML here."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

from anodewane.book.intake import date_problem
from anodewane.book.listing import position_lines
from anodewane.book.names import alike
from anodewane.book.parts import open_haul_out, part_at
from anodewane.errors import UsageError
from anodewane.settings import BookRules, Settings
from anodewane.show.figures import number, percent_and_span
from anodewane.show.marks import mark_of
from anodewane.show.words import no_wear, summary

if TYPE_CHECKING:
    from anodewane.book.entries import Judgement
    from anodewane.book.store import Book
    from anodewane.record import Reason
    from anodewane.web.yard import Yard

PageValues = dict[str, Any]

FRESH_S = 900.0
"""For so long a photo that a phone began to send counts as on its way; then its position is
left to do again."""

CHECKS = {
    "no_sheet": "Sheet not seen, or not sharp",
    "sheet_too_little": "Too little of the sheet is in the photo",
    "too_oblique": "Held too slanted",
    "blurred": "Blurred",
    "too_dark": "Too dark",
    "glare": "Glare",
    "no_part": "No part seen",
    "not_metal": "Not metal",
    "several_parts": "More than one part",
    "part_cut_off": "Part cut off",
    "close_camera": "Too near",
    "two_sheets": "Two sheets",
    "sheet_not_flat": "Sheet not flat",
}
"""PageValues words for what the first look can find; any other refusal is headed by its own sentence."""

NOTICES = frozenset({"close_camera"})
"""What costs accuracy but is judged all the same: told, and nothing waits for an answer."""


def warning(reason: Reason) -> PageValues:
    """What the quick look found, in a few words, with what to do. stop : whether it should be taken again."""
    return {
        "code": reason.code,
        "head": CHECKS.get(reason.code, reason.message),
        "says": reason.message,
        "remedy": reason.remedy or "",
        "stop": reason.code not in NOTICES,
    }


def boats(book: Book) -> list[PageValues]:
    """Every boat, those ashore first, with how many positions are judged at this haul-out."""
    out = []
    positions: dict[str, int] = {}
    for p in book.positions():
        positions[p.boat] = positions.get(p.boat, 0) + 1
    done: dict[tuple[str, date], int] = {}
    for r in book.readings():
        if r.kind == "wear":
            done[r.boat, r.hauled_on] = done.get((r.boat, r.hauled_on), 0) + 1
    for b in book.boats():
        ashore = open_haul_out(book, b.name)
        n, so_far = positions.get(b.name, 0), done.get((b.name, ashore.hauled_on), 0) if ashore else 0
        out.append(
            {
                "name": b.name,
                "ashore": ashore.hauled_on.isoformat() if ashore else None,
                "n": n,
                "done": so_far,
            }
        )
    return sorted(out, key=lambda x: (x["ashore"] is None, x["name"]))


def counting(judgements: tuple[Judgement, ...], kind: str = "wear") -> Judgement | None:
    """The one of a part's judgements at a haul-out that counts."""
    return next((j for j in judgements if j.counts and j.reading.kind == kind), None)


def _mark(verdict: str | None) -> PageValues:
    mark = mark_of(verdict)
    return {"sign": mark.sign, "word": mark.word, "css": verdict or "refused"}


def grade_of(j: Judgement | None, overruled: str | None = None) -> PageValues | None:
    """A verdict as a sign, a word and a class."""
    if j is None:
        return None
    by_photo = {"judged": j.reading.verdict, "measured": "measured"}.get(j.reading.status)
    grade = overruled or by_photo
    mark = mark_of(grade)
    return {
        "sign": mark.sign,
        "word": mark.word,
        "css": "refused" if grade in (None, "measured") else grade,
        "gone": span(j),
        "overruled": overruled is not None,
    }


def span(j: Judgement) -> str | None:
    """ "62 % (55 to 70) gone" """
    c = j.reading.consumed_pct
    if c is None or j.reading.status != "judged":
        return None
    if "no_measurable_wear" in j.reading.reasons:
        return "no measurable wear"
    return f"{percent_and_span(c)} gone"


def overrules_of(book: Book, boat: str) -> dict[tuple[str, date], Any]:
    """The overrules that count, by position and haul-out."""
    latest = {(o.position, o.hauled_on): o for o in book.overrules(boat) if o.stands}
    return {k: o for k, o in latest.items() if o.verdict is not None}


def accepts_of(book: Book, boat: str) -> dict[int, PageValues]:
    """Who accepts each judgement, and since when."""
    out: dict[int, PageValues] = {}
    for a in book.accepts(boat):
        have = out.setdefault(a.judgement, {"by": [], "at": a.at[:16].replace("T", " ")})
        have["by"].append(a.by)
    return {n: {"by": ", ".join(x["by"]), "at": x["at"], "who": x["by"]} for n, x in out.items()}


def label_elsewhere(book: Book, j: Judgement) -> PageValues | None:
    """What the label on a photo's sheet says, where that is another place than the photo was taken in for;
    place : boat and position as the book writes them, None where the book doesn't know them."""
    from anodewane.show.record_json import verdict_from_json

    label = verdict_from_json(book.record_json(j.reading.record_sha256)).label
    here = (j.reading.boat, j.reading.position)
    if label is None or (alike(label.boat), alike(label.position)) == tuple(map(alike, here)):
        return None
    try:
        place = book.position(label.boat, label.position)
    except UsageError:
        return {"boat": label.boat, "position": label.position, "place": None}
    if (place.boat, place.name) == here:
        return None
    return {"boat": label.boat, "position": label.position, "place": (place.boat, place.name)}


def doubts(book: Book, j: Judgement, taken: str | None) -> list[str]:
    """Why a photo may not be of this part at this haul-out: the book has it elsewhere, or its date."""
    r = j.reading
    here = (r.boat, r.position, r.hauled_on)
    found = [
        f"The same photo counts at {position} of {boat}, hauled out {day}."
        for boat, position, day in book.places_of_photo(r.photo_sha256)
        if (boat, position, day) != here
    ]
    haul_out = next((h for h in book.haul_outs(r.boat) if h.hauled_on == r.hauled_on), None)
    on = taken[:10] if taken else None
    if haul_out is not None and taken is not None and date_problem(taken, haul_out) is not None:
        found.append(f"The camera says it was taken on {on}; {r.boat} was hauled out on {r.hauled_on}.")
    return found


def booked(book: Book, boat: str, settings: Settings) -> dict[tuple[str, str | None], PageValues]:
    """What the book says over the photo, by position and haul-out: the verdict that follows, and why."""
    return {
        (line["position"], line["hauled_on"]): {
            "verdict": line["verdict"],
            "why": " ".join(f"{r['message']} {r['remedy'] or ''}".strip() for r in line["reasons"]),
        }
        for line in position_lines(book, boat, settings, BookRules())
        if line["verdict"] is not None and line["verdict"] != line["photo_verdict"] and not line["overruled"]
    }


def visit(book: Book, yard: Yard, name: str, settings: Settings | None = None) -> PageValues:
    """A boat at the haul-out that it stands ashore for: each position with what is done and left, and
    in which order parts came off. The verdict that follows is a person's own, else the book's, else the
    photo's."""
    boat = book.boat(name)
    ashore = open_haul_out(book, boat.name)
    day = ashore.hauled_on if ashore else None
    uploads = [u for u in yard.all(boat.name) if day is not None and u.hauled_on == day.isoformat()]
    off: dict[str, int] = {}
    for u in uploads:
        if u.state != "failed" and u.corrects is None:
            off.setdefault(u.position, len(off) + 1)
    overruled, accepted = overrules_of(book, boat.name), accepts_of(book, boat.name)
    raised = booked(book, boat.name, settings or Settings())
    judged: dict[str, list[Judgement]] = {}
    for j in book.judgements(boat.name, hauled_on=day) if day else ():
        judged.setdefault(j.reading.position, []).append(j)
    rows = []
    for p in book.positions(boat.name):
        now = counting(tuple(judged.get(p.name, ())))
        latest = next((u for u in reversed(uploads) if u.position == p.name), None)
        o = overruled.get((p.name, day)) if day else None
        by_book = raised.get((p.name, day.isoformat() if day else None))
        rows.append(
            {
                "name": p.name,
                "pair": p.pair,
                "fixings": p.fixings,
                "off": off.get(p.name),
                "judgement": now.id if now else None,
                "grade": grade_of(now, o.verdict if o else None),
                "book": {**_mark(by_book["verdict"]), "why": by_book["why"]} if by_book and now else None,
                "accepted": now is not None and now.id in accepted,
                "waiting": latest is not None
                and (
                    latest.state == "waiting"
                    or (latest.state == "receiving" and yard.clock() - latest.begun_at < FRESH_S)
                ),
                "failed": latest.says
                if latest is not None and latest.state == "failed" and now is None
                else None,
                "done": now is not None and (now.reading.status == "judged" or o is not None),
            }
        )
    rows.sort(key=lambda r: (r["off"] is None, r["off"] or 0, r["name"]))
    left = [r["name"] for r in rows if not r["done"] and not r["waiting"]]
    return {
        "boat": boat.name,
        "day": day.isoformat() if day else None,
        "rows": rows,
        "left": left,
        "done": sum(r["done"] for r in rows),
    }


def earlier(book: Book, yard: Yard, boat: str, position: str, day: date | None) -> PageValues | None:
    """What the haul-out before said of a position, with its photo where it is here."""
    before = [
        j
        for j in book.judgements(boat, position)
        if j.counts and j.reading.kind == "wear" and (day is None or j.reading.hauled_on < day)
    ]
    if not before:
        return None
    j = max(before, key=lambda j: j.reading.hauled_on)
    o = overrules_of(book, boat).get((position, j.reading.hauled_on))
    return {
        "judgement": j.id,
        "day": j.reading.hauled_on.isoformat(),
        "grade": grade_of(j, o.verdict if o else None),
        "photo": yard.photo_of(j.reading.photo_sha256) is not None,
        "name": position,
    }


def _part_names(book: Book) -> list[str]:
    """Parts to choose from, the yard's own first."""
    from anodewane.catalog.templates import builtin_templates

    own = book.template_names()
    return [*own, *(n for n in sorted(builtin_templates()) if n not in own)]


def part(book: Book, yard: Yard, boat: str, position: str) -> PageValues:
    """A position before its photo."""
    place = book.position(boat, position)
    visited = visit(book, yard, place.boat)
    day = date.fromisoformat(visited["day"]) if visited["day"] else None
    sits = part_at(book, place.boat, place.name, day) if day else None
    own = next(r for r in visited["rows"] if r["name"] == place.name)
    waiting = next(
        (
            u
            for u in reversed(yard.all(place.boat))
            if u.position == place.name and u.state in ("receiving", "waiting")
        ),
        None,
    )
    return {
        **visited,
        "position": place.name,
        "fixings": place.fixings,
        "template": sits.template if sits else None,
        "choices": [] if sits else _part_names(book),
        "own": own,
        "before": earlier(book, yard, place.boat, place.name, day),
        "waiting": waiting.id if waiting and waiting.state == "waiting" else None,
    }


def _overruled_before(book: Book, j: Judgement) -> PageValues | None:
    """The overrule of this part that was of an earlier photo, where it is the last word."""
    r = j.reading
    here = [o for o in book.overrules(r.boat) if (o.position, o.hauled_on) == (r.position, r.hauled_on)]
    last = here[-1] if here else None
    if last is None or last.stands or last.verdict is None or not j.counts:
        return None
    return {**_mark(last.verdict), "value": last.verdict, "why": last.why, "by": last.by}


def judgement(book: Book, yard: Yard, number: int, who: str, settings: Settings | None = None) -> PageValues:
    """A judgement for the verdict view of `who`."""
    from anodewane.show.record_json import verdict_from_json

    j = book.judgement(number)
    r = j.reading
    verdict = verdict_from_json(book.record_json(r.record_sha256))
    words = summary(verdict)
    visited = visit(book, yard, r.boat, settings)
    row = next((x for x in visited["rows"] if x["name"] == r.position), None)
    label = label_elsewhere(book, j)
    o = overrules_of(book, r.boat).get((r.position, r.hauled_on))
    refusal = verdict.reasons[0].code if verdict.status != "judged" and verdict.reasons else None
    counts = counting(book.judgements(r.boat, r.position, r.hauled_on), r.kind)
    accepted = accepts_of(book, r.boat).get(j.id)
    coverage = 100 * verdict.consumed.coverage if verdict.consumed else None
    mass = verdict.consumed.mass_pct if verdict.consumed and verdict.status == "judged" else None
    return {
        "id": j.id,
        "boat": r.boat,
        "position": r.position,
        "day": r.hauled_on.isoformat(),
        "grade": grade_of(j),
        "check": CHECKS.get(refusal)
        if refusal
        else CHECKS["close_camera"]
        if any(x.code == "close_camera" for x in verdict.reasons)
        else None,
        "consumed": {
            "value": mass.value,
            "low": mass.low,
            "high": mass.high,
            "limit": verdict.limits.limit_pct,
            "coverage": coverage,
            "none": no_wear(verdict),
        }
        if mass
        else None,
        "figures": words.figures,
        "reasons": words.reasons,
        "cautions": verdict.cautions,
        "overruled": {
            "word": mark_of(o.verdict).word,
            "sign": mark_of(o.verdict).sign,
            "css": o.verdict,
            "why": o.why,
            "by": o.by,
        }
        if o
        else None,
        "manual": {"by": verdict.provenance.manual.by, "when": verdict.provenance.manual.when}
        if verdict.provenance.manual
        else None,
        "photo": yard.photo_of(r.photo_sha256) is not None,
        "marks": {
            "new": bool(verdict.template and verdict.template.outline_photo_px),
            "left": bool(verdict.outline and verdict.outline.photo_px),
            "worst": bool(
                verdict.recession_mm
                and verdict.recession_mm.worst_photo_px is not None
                and not no_wear(verdict)
            ),
        },
        "can_correct": verdict.scale is not None and verdict.scale.sheet_photo_px is not None,
        "label": label,
        "doubts": doubts(book, j, verdict.photo.taken),
        "overruled_before": _overruled_before(book, j),
        "book": row["book"] if row and row["judgement"] == j.id else None,
        "solid": verdict.status == "judged" and verdict.mass is not None and verdict.mass.method != "weighed",
        "counts": j.counts,
        "stands": counts.id if counts and counts.id != j.id else None,
        "withdrawn": j.withdrawn,
        "accepted": accepted,
        "to_accept": j.counts
        and label is None
        and r.status == "judged"
        and o is None
        and not (accepted and who in accepted["who"]),
        "next": next((n for n in visited["left"] if n != r.position), None),
        "left": len(visited["left"]),
        "before": earlier(book, yard, r.boat, r.position, r.hauled_on),
        "ashore": visited["day"] == r.hauled_on.isoformat(),
    }


def outline(book: Book, number: int) -> PageValues:
    """What the finger begins with: rings in pixels of the upright photo, and the photo's size."""
    from anodewane.show.record_json import verdict_from_json

    verdict = verdict_from_json(book.record_json(book.judgement(number).reading.record_sha256))
    rings = [
        [[round(float(x), 2), round(float(y), 2)] for x, y in ring]
        for ring in (verdict.outline.photo_px if verdict.outline else ())
    ]
    return {"width": verdict.photo.width_px, "height": verdict.photo.height_px, "rings": rings}


def compare(book: Book, yard: Yard, name: str) -> PageValues:
    """Pairs side by side, and each position's photo beside the one of the haul-out before."""
    visited = visit(book, yard, name)
    day = date.fromisoformat(visited["day"]) if visited["day"] else None
    groups: dict[str, list[PageValues]] = {}
    for row in sorted(visited["rows"], key=lambda r: (r["pair"] or r["name"], r["name"])):
        now = book.judgement(row["judgement"]) if row["judgement"] else None
        have = now is not None and yard.photo_of(now.reading.photo_sha256) is not None
        groups.setdefault(row["pair"] or row["name"], []).append(
            {**row, "photo": have, "before": earlier(book, yard, visited["boat"], row["name"], day)}
        )
    return {**visited, "groups": [{"pair": k if len(v) > 1 else None, "rows": v} for k, v in groups.items()]}


def desk(book: Book, *, boat: str = "", verdict: str = "", year: str = "", only: str = "") -> PageValues:
    """Judgements for the surveyor's table, filtered; newest haul-out first."""
    names = [b.name for b in book.boats()]
    rows: list[PageValues] = []
    years: set[str] = set()
    for name in names:
        if boat and name != boat:
            continue
        overruled, accepted = overrules_of(book, name), accepts_of(book, name)
        for j in book.judgements(name):
            r = j.reading
            years.add(str(r.hauled_on.year))
            o = overruled.get((r.position, r.hauled_on)) if j.counts else None
            grade = (o.verdict if o else r.verdict) if r.status == "judged" or o else "cannot_judge"
            if (
                (verdict and grade != verdict)
                or (year and str(r.hauled_on.year) != year)
                or (only != "all" and not j.counts)
            ):
                continue
            own = accepted.get(j.id, {"by": None, "at": None})
            rows.append(
                {
                    "id": j.id,
                    "boat": r.boat,
                    "position": r.position,
                    "day": r.hauled_on.isoformat(),
                    "kind": r.kind,
                    "grade": grade_of(j, o.verdict if o else None),
                    "verdict": grade,
                    "consumed": r.consumed_pct,
                    "template": r.template,
                    "by": j.judged_by,
                    "judged_at": j.judged_at[:16].replace("T", " "),
                    "counts": j.counts,
                    "reasons": ", ".join(c.replace("_", " ") for c in dict.fromkeys(r.reasons)),
                    "photo_sha256": r.photo_sha256,
                    "overruled_by": o.by if o else None,
                    "accepted_by": own["by"],
                    "accepted_at": own["at"],
                }
            )
    rows.sort(key=lambda r: (r["day"], r["boat"], r["position"], r["id"]), reverse=True)
    return {
        "rows": rows,
        "boats": names,
        "years": sorted(years, reverse=True),
        "boat": boat,
        "verdict": verdict,
        "year": year,
        "only": only,
    }


def seasons(book: Book, name: str) -> PageValues:
    """A boat's positions against its haul-outs."""
    boat = book.boat(name)
    cells: dict[tuple[str, date], Judgement] = {
        (j.reading.position, j.reading.hauled_on): j
        for j in book.judgements(boat.name)
        if j.counts and j.reading.kind == "wear"
    }
    days = sorted({d for _, d in cells})
    overruled = overrules_of(book, boat.name)
    lines = {line["position"]: line for line in position_lines(book, boat.name, Settings(), BookRules())}
    rows = []
    for p in book.positions(boat.name):
        line = lines.get(p.name, {})
        rate = line.get("points_per_month")
        cols = [
            {"id": j.id, "grade": grade_of(j, o.verdict if (o := overruled.get((p.name, d))) else None)}
            if (j := cells.get((p.name, d)))
            else None
            for d in days
        ]
        rows.append(
            {
                "name": p.name,
                "cells": cols,
                "rate": "{} ({} to {})".format(*(number(rate[k], 1) for k in ("value", "low", "high")))
                if rate
                else "not known",
                "verdict": mark_of(line["verdict"]).word if line.get("verdict") else "not known",
                "warnings": ", ".join(w.replace("_", " ") for w in line.get("warnings", ())),
            }
        )
    return {"boat": boat.name, "days": [d.isoformat() for d in days], "rows": rows}
