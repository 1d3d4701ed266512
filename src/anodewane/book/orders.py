"""What to buy: a line a position, counts by template, fixings alongside; as CSV and as a page to print."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from anodewane.book.reckon import PositionState
from anodewane.records import Interval

Why = Literal["past_limit", "fixing_lost", "core_shows", "piece_lost", "wont_last", "verdict", "nothing_fitted"]
Unsettled = Literal["never_judged", "cannot_judge"]


@dataclass(frozen=True, slots=True)
class OrderLine:
    """One part to buy. template, alloy : as the part that sits there, None where nothing is on record; why : the deciding ones first; fixings : as the position says,
    None when it
    doesn't; fixing_lost : the fixing itself no longer holds; consumed_pct : of the last reading; on : its haul-out."""

    boat: str
    position: str
    template: str | None
    alloy: str | None
    why: tuple[Why, ...]
    fixings: str | None
    fixing_lost: bool
    consumed_pct: Interval | None
    on: date | None


@dataclass(frozen=True, slots=True)
class UnsettledLine:
    """A position of which nobody can say yet whether it needs a part: never looked at, or looked at and not judged. It isn't ordered for."""

    boat: str
    position: str
    template: str | None
    why: Unsettled
    on: date | None


@dataclass(frozen=True, slots=True)
class Count:
    """So many of a thing. what : a template with its alloy, or a fixing as the positions word it."""

    what: str
    alloy: str | None
    count: int


@dataclass(frozen=True, slots=True)
class OrderList:
    """lines : a part each, by boat and position; parts : counts by template and alloy; fixings : counts by wording, a set a part; unsettled : to be looked at before
    ordering."""

    lines: tuple[OrderLine, ...]
    parts: tuple[Count, ...]
    fixings: tuple[Count, ...]
    unsettled: tuple[UnsettledLine, ...]


def order_list(states: Sequence[PositionState]) -> OrderList:
    """What to buy for the positions given."""
    raise NotImplementedError


def order_csv(orders: OrderList) -> str:
    """The lines as CSV (RFC 4180, a header row), the unsettled ones at the end with `order` 0."""
    raise NotImplementedError


def order_page(orders: OrderList, title: str = "Order list", made_on: date | None = None) -> str:
    """The list as one HTML page without anything from outside, to print in black and white: counts first, then a table by boat with boxes to tick."""
    raise NotImplementedError
