"""What to buy: a line a position, counts by template, fixings alongside; as CSV and as a page to print."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal, get_args

from anodewane.book.states import PositionState
from anodewane.record import Interval
from anodewane.show.figures import percent_and_span

Why = Literal["past_limit", "fixing_lost", "core_shows", "piece_lost", "wont_last", "verdict"]
Unsettled = Literal["replace_unknown_part", "never_judged", "cannot_judge", "nothing_fitted"]

WORDS: dict[str, str] = {
    "past_limit": "at or past the limit",
    "fixing_lost": "a fixing no longer holds",
    "core_shows": "the core shows",
    "piece_lost": "a piece is gone",
    "wont_last": "won't last to the next haul-out",
    "verdict": "judged to be replaced",
    "replace_unknown_part": "to be replaced, but no part on record: 'season fit' says which; "
    "the template is the one it was judged against",
    "never_judged": "no photo of it since it was fitted",
    "cannot_judge": "the last photo couldn't be judged",
    "nothing_fitted": "no part on record",
}


@dataclass(frozen=True, slots=True)
class OrderLine:
    """One part to buy. template, alloy : as the part that sits there; why : the deciding ones first;
    fixings : as the position says, None when it doesn't; fixing_lost : the fixing itself no longer
    holds; consumed_pct : of the last judged reading; on : haul-out of the last reading."""

    boat: str
    position: str
    template: str
    alloy: str
    why: tuple[Why, ...]
    fixings: str | None
    fixing_lost: bool
    consumed_pct: Interval | None
    on: date | None


@dataclass(frozen=True, slots=True)
class UnsettledLine:
    """A position of which nobody can say yet whether it needs a part. It isn't ordered for. template :
    of the part on record, or what the last photo was judged against; None where neither is known."""

    boat: str
    position: str
    template: str | None
    why: Unsettled
    on: date | None


@dataclass(frozen=True, slots=True)
class Count:
    """So many of a thing. what : a template, or fixings as the positions word them; alloy :
    None for fixings."""

    what: str
    alloy: str | None
    count: int


@dataclass(frozen=True, slots=True)
class OrderList:
    """lines : a part each, in the order of the states; parts : counts by template and alloy; fixings :
    sets of fixings by wording, one a part; unsettled : to be looked at first."""

    lines: tuple[OrderLine, ...]
    parts: tuple[Count, ...]
    fixings: tuple[Count, ...]
    unsettled: tuple[UnsettledLine, ...]


def order_list(states: Sequence[PositionState]) -> OrderList:
    """What to buy for the positions given, those that can't be decided yet told apart."""
    lines, unsettled = [], []
    for s in states:
        on = s.last.hauled_on if s.last is not None else None
        if s.verdict == "replace" and s.fitting is not None:
            found = {*(s.last.reasons if s.last is not None else ()), *(r.code for r in s.reasons)}
            why: tuple[Why, ...] = tuple(w for w in get_args(Why) if w in found) or ("verdict",)
            gone = s.last.consumed_pct if s.last is not None else None
            lines.append(
                OrderLine(
                    s.boat.name,
                    s.position.name,
                    s.fitting.template,
                    s.fitting.alloy,
                    why,
                    s.position.fixings,
                    "fixing_lost" in found,
                    gone,
                    on,
                )
            )
        elif s.verdict == "replace":
            # what was judged against may be the library's best guess: shown, not ordered
            unsettled.append(
                UnsettledLine(
                    s.boat.name,
                    s.position.name,
                    s.last.template if s.last is not None else None,
                    "replace_unknown_part",
                    on,
                )
            )
        elif s.fitting is None:
            unsettled.append(UnsettledLine(s.boat.name, s.position.name, None, "nothing_fitted", on))
        elif s.verdict is None:
            unsettled.append(
                UnsettledLine(
                    s.boat.name,
                    s.position.name,
                    s.fitting.template,
                    "never_judged" if s.last is None else "cannot_judge",
                    on,
                )
            )
    return counted(lines, unsettled)


def counted(lines: Sequence[OrderLine], unsettled: Sequence[UnsettledLine]) -> OrderList:
    """The list of some lines, with its counts."""
    parts = Counter((line.template, line.alloy) for line in lines)
    fixings = Counter(line.fixings for line in lines if line.fixings)
    return OrderList(
        tuple(lines),
        tuple(Count(what, alloy, n) for (what, alloy), n in sorted(parts.items())),
        tuple(Count(what, None, n) for what, n in sorted(fixings.items())),
        tuple(unsettled),
    )


COLUMNS = (
    "order",
    "boat",
    "position",
    "template",
    "alloy",
    "why",
    "fixings",
    "consumed_pct",
    "consumed_low_pct",
    "consumed_high_pct",
    "hauled_on",
)


def order_csv(orders: OrderList) -> str:
    """The lines as CSV (RFC 4180, a header row): `order` 1 for a part to buy, 0 for a position to be
    looked at first. `why` holds codes, apart by spaces. What is unknown is empty."""
    import csv
    import io

    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for line in orders.lines:
        gone = (
            ("", "", "")
            if line.consumed_pct is None
            else tuple(
                f"{v:.1f}" for v in (line.consumed_pct.value, line.consumed_pct.low, line.consumed_pct.high)
            )
        )
        row = (
            1,
            line.boat,
            line.position,
            line.template,
            line.alloy,
            " ".join(line.why),
            line.fixings or "",
            *gone,
            _day(line.on),
        )
        writer.writerow([_plain(v) for v in row])
    for other in orders.unsettled:
        writer.writerow(
            [
                _plain(v)
                for v in (
                    0,
                    other.boat,
                    other.position,
                    other.template or "",
                    "",
                    other.why,
                    "",
                    "",
                    "",
                    "",
                    _day(other.on),
                )
            ]
        )
    return out.getvalue()


def order_page(orders: OrderList, title: str = "Order list", made_on: date | None = None) -> str:
    """The list as one HTML page without anything from outside, to print in black and white: counts
    first, then boat by boat with boxes to tick, then what is to be looked at."""
    from anodewane.book.cautions import all_cautions
    from anodewane.show.html import stand_alone

    boats: dict[str, list[OrderLine]] = {}
    for line in orders.lines:
        boats.setdefault(line.boat, []).append(line)
    n = len(orders.lines)
    dated = f", {made_on.isoformat()}" if made_on else ""
    return stand_alone(
        "book",
        "order.html",
        "season.css",
        title=title,
        sub=f"{_counted(n, 'part')} for {_counted(len(boats), 'boat')}{dated}",
        orders=orders,
        parts=[(c.count, c.what, c.alloy or "") for c in orders.parts],
        fixings=[(c.count, c.what) for c in orders.fixings],
        without_fixings=sum(not line.fixings for line in orders.lines),
        boats=[(boat, [_cells(line) for line in lines]) for boat, lines in boats.items()],
        unsettled=[
            (u.boat, u.position, u.template or "unknown", WORDS[u.why], _day(u.on)) for u in orders.unsettled
        ],
        cautions=all_cautions(),
    )


def _cells(line: OrderLine) -> tuple[str, ...]:
    part = f"{line.template}, {line.alloy}"
    fixings = line.fixings or "not on record"
    return line.position, part, _why(line), fixings, _gone(line.consumed_pct), _day(line.on)


def _counted(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"


def _why(line: OrderLine) -> str:
    text = "; ".join(WORDS[w] for w in line.why)
    return text[0].upper() + text[1:]


def _gone(i: Interval | None) -> str:
    return "" if i is None else percent_and_span(i)


def _day(on: date | None) -> str:
    return on.isoformat() if on is not None else ""


def _plain(value: object) -> object:
    """A name that a spreadsheet would take for a formula, made text by an apostrophe."""
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "@", "\t", "\r") else value
