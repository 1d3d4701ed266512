"""Wear by season and position as a picture: one SVG a boat, readable in black and white, and as a page."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from anodewane.book.entries import BoatEntries
from anodewane.book.notices import Notice
from anodewane.book.reckon import PositionState
from anodewane.settings import Settings


def wear_svg(entries: BoatEntries, states: Sequence[PositionState], settings: Settings) -> str:
    """One boat's wear as an SVG document: a panel a position (a pair shares one), readings with their intervals, the limit, spells in the water, and the forecast."""
    raise NotImplementedError


def season_page(
    entries: Sequence[BoatEntries], states: Sequence[PositionState], notices: Sequence[Notice], settings: Settings, title: str = "The season", made_on: date | None = None
) -> str:
    """Some boats as one HTML page without anything from outside: a plot a boat, its figures as a table, its warnings, the usual cautions."""
    raise NotImplementedError
