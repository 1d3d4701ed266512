"""What a listing of many boats needs of each, small enough to be kept beside the entries: reckoned again only for boats that changed.

A thousand boats with ten positions and ten seasons hold 100 000 readings; to read and reckon them all takes seconds, to read what was reckoned before a tenth of
one. A summary is kept as three texts (positions, orders, notices: a listing reads the one that it shows) which belong to one boat and one `reckoning_digest`; whoever
keeps them throws them away when anything of that boat is written.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any, NamedTuple

from anodewane.book.entries import BoatEntries
from anodewane.book.notices import Notice, notices
from anodewane.book.orders import OrderLine, OrderList, UnsettledLine, order_list, tally
from anodewane.book.reckon import PositionState, reckon
from anodewane.records import Interval, Reason
from anodewane.settings import BookRules, Settings

FORM = 1
"""Raised whenever what is kept, or how it is reckoned, changes: older summaries then don't count."""


class PositionLine(NamedTuple):
    """One position in a listing. Per cents of mass, to a thousandth; what is unknown is None. lasts : probability, 0 to 1; months_left and its ends as in
    `outlook.MonthsLeft`."""

    boat: str
    position: str
    template: str | None
    alloy: str | None
    fitted_on: str | None
    hauled_on: str | None
    verdict: str | None
    photo_verdict: str | None
    gone_pct: float | None
    gone_low_pct: float | None
    gone_high_pct: float | None
    points_per_month: float | None
    at_next_pct: float | None
    at_next_low_pct: float | None
    at_next_high_pct: float | None
    months_left: float | None
    months_left_low: float | None
    months_left_high: float | None
    lasts: float | None


@dataclass(frozen=True, slots=True)
class BoatSummary:
    """One boat as listings show it: a line a position, what to buy for it, what can't be decided yet, its warnings."""

    boat: str
    positions: tuple[PositionLine, ...]
    lines: tuple[OrderLine, ...]
    unsettled: tuple[UnsettledLine, ...]
    notices: tuple[Notice, ...]


def reckoning_digest(settings: Settings, rules: BookRules, next_on: date | None = None) -> str:
    """What a summary depends on beside the boat's entries, 16 hex digits of SHA-256."""
    text = json.dumps([FORM, settings.digest(), asdict(rules), next_on.isoformat() if next_on else None], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def summaries(entries: Sequence[BoatEntries], settings: Settings, rules: BookRules, next_on: date | None = None) -> tuple[BoatSummary, ...]:
    """Reckon some boats and sum each up, in the order of the entries. Many at once take less time a boat than one by one."""
    states: dict[str, list[PositionState]] = {e.boat.name: [] for e in entries}
    for s in reckon(entries, settings, rules, next_on):
        states[s.boat.name].append(s)
    out = []
    for e in entries:
        mine = states[e.boat.name]
        orders = order_list(mine)
        out.append(BoatSummary(e.boat.name, tuple(map(_line, mine)), orders.lines, orders.unsettled, notices((e,), mine, settings, rules)))
    return tuple(out)


@dataclass(frozen=True, slots=True)
class KeptTexts:
    """A summary as text, one line of JSON each."""

    boat: str
    positions: str
    orders: str
    notices: str


def kept_texts(summary: BoatSummary) -> KeptTexts:
    """The summary as text, to be kept."""
    lines = [
        (i.boat, i.position, i.template, i.alloy, i.why, i.fixings, i.fixing_lost, None if i.consumed_pct is None else _three(i.consumed_pct), _day(i.on))
        for i in summary.lines
    ]
    first = [(u.boat, u.position, u.template, u.why, _day(u.on)) for u in summary.unsettled]
    warned = [(n.boat, n.positions, n.reason.code, n.reason.message, n.reason.remedy, _day(n.on)) for n in summary.notices]
    return KeptTexts(summary.boat, _text(summary.positions), _text([lines, first]), _text(warned))


def positions_from(texts: Iterable[str]) -> tuple[PositionLine, ...]:
    """The lines of all positions, boat by boat, from kept texts."""
    return tuple(PositionLine._make(row) for boat in _all(texts) for row in boat)


def orders_from(texts: Iterable[str]) -> OrderList:
    """The order list for some boats, as `orders.order_list` gives it, from kept texts."""
    boats = _all(texts)
    lines = [
        OrderLine(boat, position, template, alloy, tuple(why), fixings, lost, None if gone is None else Interval(*gone), _date(on))
        for these, _ in boats
        for boat, position, template, alloy, why, fixings, lost, gone, on in these
    ]
    return tally(lines, [UnsettledLine(boat, position, template, why, _date(on)) for _, these in boats for boat, position, template, why, on in these])


def notices_from(texts: Iterable[str]) -> tuple[Notice, ...]:
    """The warnings of some boats, from kept texts."""
    return tuple(
        Notice(boat, tuple(positions), Reason(code, message, remedy), _date(on)) for these in _all(texts) for boat, positions, code, message, remedy, on in these
    )


def _all(texts: Iterable[str]) -> Any:
    return json.loads(f"[{','.join(texts)}]")


def _text(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))


def _line(s: PositionState) -> PositionLine:
    gone = s.last.consumed_pct if s.last is not None else None
    at_next = s.outlook.consumed_at_next_pct if s.outlook is not None else None
    left = s.outlook.months_left if s.outlook is not None else None
    gone_pct, gone_low, gone_high = _three(gone) if gone else (None, None, None)
    next_pct, next_low, next_high = _three(at_next) if at_next else (None, None, None)
    return PositionLine(
        boat=s.boat.name,
        position=s.position.name,
        template=s.fitting.template if s.fitting else None,
        alloy=s.fitting.alloy if s.fitting else None,
        fitted_on=_day(s.fitting.fitted_on) if s.fitting else None,
        hauled_on=_day(s.last.hauled_on) if s.last else None,
        verdict=s.verdict,
        photo_verdict=s.photo_verdict,
        gone_pct=gone_pct,
        gone_low_pct=gone_low,
        gone_high_pct=gone_high,
        points_per_month=_short(s.rate.points_per_month.value) if s.rate else None,
        at_next_pct=next_pct,
        at_next_low_pct=next_low,
        at_next_high_pct=next_high,
        months_left=_short(left.value) if left else None,
        months_left_low=_short(left.low) if left else None,
        months_left_high=_short(left.high) if left else None,
        lasts=_short(s.outlook.lasts) if s.outlook else None,
    )


def _three(i: Interval) -> tuple[float, float, float]:
    return round(i.value, 3), round(i.low, 3), round(i.high, 3)


def _short(v: float | None) -> float | None:
    return None if v is None else round(v, 3)


def _day(on: date | None) -> str | None:
    return on.isoformat() if on is not None else None


def _date(text: str | None) -> date | None:
    return date.fromisoformat(text) if text is not None else None
