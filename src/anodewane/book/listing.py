"""The book's listings: each position's state, the warnings and the order list, as plain values for
tables and JSON.

What was computed of a boat is kept in the book until something of the boat changes (triggers see to
that), so that a listing of a thousand boats reads and computes nothing. Kept figures are by the default
settings; others are computed on the spot, and so is a book that may not be written.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, replace
from datetime import date
from typing import Any

from anodewane.book.entries import BoatEntries, Overrule
from anodewane.book.notices import Notice, notices
from anodewane.book.orders import OrderLine, OrderList, UnsettledLine, counted, order_list
from anodewane.book.states import PositionState, position_states
from anodewane.book.store import Book
from anodewane.errors import OutputNotWritable
from anodewane.record import Interval
from anodewane.settings import BookRules, Settings
from anodewane.show.figures import percent_and_span
from anodewane.version import own_version

JsonObject = dict[str, Any]
KEPT_FORM = 3
"""Of what is kept: raise it when the computation or the lines change."""

FEW = 60
"""Up to so many stale boats are read one by one."""


def states_of(
    book: Book, boat: str | None, settings: Settings, rules: BookRules, next_on: date | None = None
) -> tuple[tuple[BoatEntries, ...], tuple[PositionState, ...], tuple[Notice, ...]]:
    """Entries, states and warnings of a boat or of all, computed on the spot; a person's overrule
    isn't in them."""
    entries = book.entries(boat, settings=settings)
    states = _with_photos(entries, position_states(entries, settings, rules, next_on))
    return entries, states, notices(entries, states, settings, rules)


def position_lines(
    book: Book, boat: str | None, settings: Settings, rules: BookRules, next_on: date | None = None
) -> list[JsonObject]:
    """A line a position, by boat and position: what sits there, what the last photo warned_here, how fast it
    wears, whether it lasts, and the verdict that follows."""
    return [
        line for text in _texts(book, boat, settings, rules, next_on, "lines") for line in json.loads(text)
    ]


def position_json(
    book: Book, boat: str | None, settings: Settings, rules: BookRules, next_on: date | None = None
) -> str:
    """`position_lines` as JSON text, a boat a line of it."""
    return (
        "["
        + ",\n".join(
            text[1:-1] for text in _texts(book, boat, settings, rules, next_on, "lines") if text != "[]"
        )
        + "]\n"
    )


HEAD = (
    "boat",
    "position",
    "verdict",
    "photo",
    "% gone",
    "points a month",
    "months left",
    "hauled",
    "part",
    "warnings",
)


def position_cells(
    book: Book, boat: str | None, settings: Settings, rules: BookRules, next_on: date | None = None
) -> list[list[str]]:
    """The same as a table's cells under `HEAD`; a boat's name stands in its first row."""
    return [row for text in _texts(book, boat, settings, rules, next_on, "cells") for row in json.loads(text)]


def notice_lines(
    book: Book, boat: str | None, settings: Settings, rules: BookRules, next_on: date | None = None
) -> list[JsonObject]:
    """A line a warning, boat by boat."""
    return [
        line for text in _texts(book, boat, settings, rules, next_on, "notices") for line in json.loads(text)
    ]


def orders_of(
    book: Book, boat: str | None, settings: Settings, rules: BookRules, next_on: date | None = None
) -> OrderList:
    """The order list; a person's overrule decides over the photo's verdict."""
    lines: list[OrderLine] = []
    unsettled: list[UnsettledLine] = []
    for text in _texts(book, boat, settings, rules, next_on, "orders"):
        orders = json.loads(text)
        for o in orders["lines"]:
            gone, on = o["consumed_pct"], o["on"]
            lines.append(
                OrderLine(
                    o["boat"],
                    o["position"],
                    o["template"],
                    o["alloy"],
                    tuple(o["why"]),
                    o["fixings"],
                    o["fixing_lost"],
                    Interval(**gone) if gone else None,
                    _day(on),
                )
            )
        unsettled += [
            UnsettledLine(u["boat"], u["position"], u["template"], u["why"], _day(u["on"]))
            for u in orders["unsettled"]
        ]
    return counted(lines, unsettled)


def haul_out_lines(
    book: Book, hauled_on: date, boat: str | None = None, settings: Settings | None = None
) -> list[JsonObject]:
    """A line a part that was looked at when hauled out on a day: what was found then,
    without what follows."""
    overruled = _overruled(book.overrules(boat))
    out = []
    for r in book.readings(boat, hauled_on=hauled_on, settings=settings):
        by = overruled.get((r.boat, r.position, r.hauled_on))
        out.append(
            {
                "boat": r.boat,
                "position": r.position,
                "hauled_on": r.hauled_on.isoformat(),
                "kind": r.kind,
                "template": r.template or None,
                "status": r.status,
                "photo_verdict": r.verdict,
                "overruled": _by(by),
                "consumed_pct": _interval(r.consumed_pct),
                "weighed_g": r.weighed_g,
                "photo_sha256": r.photo_sha256,
                "record_sha256": r.record_sha256,
                "reasons": list(r.reasons),
            }
        )
    return out


def refresh(book: Book) -> int:
    """Compute what changed and keep it; return the number of boats. What writes calls it, so that who
    lists needn't wait."""
    settings, rules = Settings(), BookRules()
    return (
        len(_stale(book, None, settings, rules)) if book.read_only else _bring_up(book, None, settings, rules)
    )


# --- inside --------------------------------------------------------------------------------------


UNJUDGED = {"cannot_judge": "cannot judge", "measured": "measured"}
"""What a photo without a verdict is called, by its status."""

PARTS = ("lines", "cells", "notices", "orders")


def _texts(
    book: Book, boat: str | None, settings: Settings, rules: BookRules, next_on: date | None, part: str
) -> list[str]:
    """A part of what was computed, as JSON text a boat, by name."""
    name = book.boat(boat).name if boat is not None else None
    usual = next_on is None and settings == Settings() and rules == BookRules()
    if usual and _brought_up(book, name, settings, rules):
        return book.kept(part, name)
    made = _computed(
        book.entries(name, settings=settings, recent=True),
        _overruled(book.overrules(name)),
        settings,
        rules,
        next_on,
    )
    return [parts[PARTS.index(part)] for parts in made.values()]


def _digest(settings: Settings, rules: BookRules) -> str:
    text = json.dumps([KEPT_FORM, own_version(), settings.digest(), asdict(rules)], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _stale(book: Book, boat: str | None, settings: Settings, rules: BookRules) -> list[str]:
    return book.not_kept(_digest(settings, rules), boat)


def _brought_up(book: Book, boat: str | None, settings: Settings, rules: BookRules) -> bool:
    """Whether what is kept is up to date, after an attempt to make it so. Who lists must get an answer
    on a full disk, or while another writes, too."""
    if book.read_only:
        return not _stale(book, boat, settings, rules)
    try:
        _bring_up(book, boat, settings, rules)
    except OutputNotWritable:
        return False
    return True


def _bring_up(book: Book, boat: str | None, settings: Settings, rules: BookRules) -> int:
    """Compute the boats that aren't kept, in one transaction: what is written is of the state
    that was read."""
    if not _stale(book, boat, settings, rules):
        return 0
    with book.writing():
        stale = _stale(book, boat, settings, rules)
        if len(stale) > FEW:
            wanted = set(stale)
            entries: Sequence[BoatEntries] = [
                e for e in book.entries(settings=settings, recent=True) if e.boat.name in wanted
            ]
        else:
            entries = [e for name in stale for e in book.entries(name, settings=settings, recent=True)]
        made = _computed(entries, _overruled(book.overrules(boat)), settings, rules, None)
        book.keep(_digest(settings, rules), made)
    return len(stale)


def _computed(
    entries: Sequence[BoatEntries],
    overruled: dict[tuple[str, str, date], Overrule],
    settings: Settings,
    rules: BookRules,
    next_on: date | None,
) -> dict[str, tuple[str, ...]]:
    """JSON text of `PARTS` a boat."""
    states = _with_photos(entries, position_states(entries, settings, rules, next_on))
    warned = notices(entries, states, settings, rules)
    of_boat: dict[str, list[PositionState]] = {e.boat.name: [] for e in entries}
    for s in states:
        of_boat[s.boat.name].append(s)
    about: dict[str, list[Notice]] = {}
    for n in warned:
        about.setdefault(n.boat, []).append(n)
    out = {}
    for name, states_here in of_boat.items():
        warned_here = about.get(name, [])
        codes: dict[str, list[str]] = {}
        for n in warned_here:
            for p in n.positions:
                codes.setdefault(p, []).append(n.reason.code)
        by = {
            s.position.name: overruled.get((name, s.position.name, s.last.hauled_on))
            if s.last is not None
            else None
            for s in states_here
        }
        decided = [
            replace(s, verdict=o.verdict) if (o := by[s.position.name]) is not None else s
            for s in states_here
        ]
        orders = order_list(decided)
        lines = [_line(s, by[s.position.name], codes.get(s.position.name, [])) for s in states_here]
        parts = (
            lines,
            [_cells(line, i == 0) for i, line in enumerate(lines)],
            [
                {
                    "boat": n.boat,
                    "positions": list(n.positions),
                    "code": n.reason.code,
                    "message": n.reason.message,
                    "remedy": n.reason.remedy,
                    "hauled_on": _iso(n.on),
                }
                for n in warned_here
            ],
            {
                "lines": [
                    {
                        **_shallow(o),
                        "why": list(o.why),
                        "consumed_pct": _interval(o.consumed_pct),
                        "on": _iso(o.on),
                    }
                    for o in orders.lines
                ],
                "unsettled": [{**_shallow(u), "on": _iso(u.on)} for u in orders.unsettled],
            },
        )
        out[name] = tuple(json.dumps(part, ensure_ascii=False, separators=(",", ":")) for part in parts)
    return out


def _with_photos(
    entries: Sequence[BoatEntries], states: Sequence[PositionState]
) -> tuple[PositionState, ...]:
    """With what the last photo says where no part is on record: a verdict doesn't need to know since
    when a part sits there, a rate does."""
    bare = {(s.boat.name, s.position.name) for s in states if s.fitting is None}
    if bare:
        bare -= {
            (f.boat, f.position) for e in entries for f in e.fittings
        }  # what came off is no longer there
    if not bare:
        return tuple(states)
    last = {
        (r.boat, r.position): r
        for e in entries
        for r in sorted(e.readings, key=lambda r: r.hauled_on)
        if r.kind == "wear" and (r.boat, r.position) in bare
    }
    return tuple(
        replace(s, last=r, photo_verdict=r.verdict, verdict=r.verdict)
        if (r := last.get((s.boat.name, s.position.name)))
        else s
        for s in states
    )


def _cells(line: JsonObject, first: bool) -> list[str]:
    rate, left = line["points_per_month"], line["months_left"]
    return [
        line["boat"] if first else "",
        line["position"],
        _verdict(line),
        line["photo_verdict"] or UNJUDGED.get(line["status"], ""),
        percent_words(line["consumed_pct"]),
        f"{rate['value']:.1f} ({rate['low']:.1f} to {rate['high']:.1f})" if rate else "",
        _months(left) if left and "no_measurable_wear" not in line["photo_reasons"] else "",
        line["hauled_on"] or "",
        line["template"] or "",
        " ".join(line["warnings"]),
    ]


def _verdict(line: JsonObject) -> str:
    if line["overruled"]:
        return f"{line['overruled']['verdict']} !"
    if line["verdict"] is None:
        return "never judged" if line["status"] is None else "unknown"
    return str(line["verdict"]) + (" ^" if line["verdict"] != line["photo_verdict"] else "")


def percent_words(i: dict[str, float] | None) -> str:
    """ "62 (55 to 70)"; nothing for an unknown."""
    return percent_and_span(Interval(**i)).replace(" %", "") if i else ""


def _months(left: dict[str, float | None]) -> str:
    from anodewane.book.outlook import MonthsLeft
    from anodewane.book.plot import months_words

    return "none" if left["high"] == 0 else months_words(MonthsLeft(left["value"], left["low"], left["high"]))


def _line(s: PositionState, overruled: Overrule | None, warnings: list[str]) -> JsonObject:
    f, last, rate, ahead = s.fitting, s.last, s.rate, s.outlook
    return {
        "boat": s.boat.name,
        "position": s.position.name,
        "pair": s.position.pair,
        "template": f.template if f else None,
        "alloy": f.alloy if f else None,
        "fitted_on": _iso(f.fitted_on) if f else None,
        "hauled_on": _iso(last.hauled_on) if last else None,
        "status": last.status if last else None,
        "photo_verdict": s.photo_verdict,
        "verdict": s.verdict,
        "overruled": _by(overruled),
        "consumed_pct": _interval(last.consumed_pct) if last else None,
        "coverage": last.coverage if last else None,
        "weighed_g": last.weighed_g if last else None,
        "months": round(rate.months, 2) if rate else None,
        "points_per_month": _interval(rate.points_per_month) if rate else None,
        "grams_per_month": _interval(rate.grams_per_month) if rate else None,
        "current_ma": _interval(rate.current_ma) if rate else None,
        "launch_assumed": rate.launch_assumed if rate else None,
        "consumed_at_next_pct": _interval(ahead.consumed_at_next_pct) if ahead else None,
        "months_ahead": round(ahead.months_ahead, 2) if ahead else None,
        "months_left": {k: None if v is None else round(v, 2) for k, v in _shallow(ahead.months_left).items()}
        if ahead
        else None,
        "lasts": round(ahead.lasts, 4) if ahead else None,
        "reasons": [{"code": r.code, "message": r.message, "remedy": r.remedy} for r in s.reasons],
        "photo_reasons": list(last.reasons) if last else [],
        "warnings": warnings,
    }


def _overruled(overrules: Iterable[Overrule]) -> dict[tuple[str, str, date], Overrule]:
    """The overrules that count."""
    latest = {(o.boat, o.position, o.hauled_on): o for o in overrules}
    return {k: o for k, o in latest.items() if o.verdict is not None and o.stands}


def _by(o: Overrule | None) -> JsonObject | None:
    return {"verdict": o.verdict, "why": o.why, "by": o.by, "at": o.at} if o else None


def _interval(i: Interval | None) -> dict[str, float] | None:
    return {"value": round(i.value, 3), "low": round(i.low, 3), "high": round(i.high, 3)} if i else None


def _shallow(record: Any) -> JsonObject:
    return {name: getattr(record, name) for name in record.__slots__}


def _iso(on: date | None) -> str | None:
    return on.isoformat() if on is not None else None


def _day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None
