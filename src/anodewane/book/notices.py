"""Warnings that the book gives, each with its reason and who to ask. They name what was seen and what it may mean; finding out is for a qualified technician."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from anodewane.book.entries import BoatEntries
from anodewane.book.reckon import PositionState
from anodewane.records import Reason
from anodewane.settings import BookRules, Settings


@dataclass(frozen=True, slots=True)
class Notice:
    """One warning. positions : whom it is about, empty where it is about the whole boat; reason : code, sentence with figures, what to do; on : haul-out it rests on,
    None where
    it rests on none."""

    boat: str
    positions: tuple[str, ...]
    reason: Reason
    on: date | None


def notices(entries: Sequence[BoatEntries], states: Sequence[PositionState], settings: Settings, rules: BookRules) -> tuple[Notice, ...]:
    """Every warning about some boats: `no_wear_in_season`, `pair_uneven`, `faster_than_before`, `mixed_alloys`, `alloy_for_water`, `weighed_disagrees`, `short_lived`.

    Parameters
    ----------
    entries : sequence of BoatEntries
    states : sequence of PositionState
        As `reckon` made them from the same entries.
    """
    raise NotImplementedError
