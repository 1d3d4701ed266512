"""Names and notes as the book keeps them, and names that a reader can't tell apart."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Sequence
from functools import lru_cache

from anodewane.errors import UsageError

MAX_NAME_CHARS = 80
MAX_NOTE_CHARS = 2000


def clean_name(name: str, what: str) -> str:
    """A name as the book keeps it: one way of writing accents (NFC: folders of some systems have
    another), single spaces, no control characters.

    Raises
    ------
    UsageError
    """
    clean = " ".join(unicodedata.normalize("NFC", name).split())
    if not clean or len(clean) > MAX_NAME_CHARS or not clean.isprintable():
        raise UsageError(
            f"The {what}'s name {name[:100]!r} is empty, longer than {MAX_NAME_CHARS} characters or "
            "unprintable.",
            "Give it a name that can be written on a list.",
        )
    return clean


def clean_note(text: str | None, what: str) -> str | None:
    """A line or more of text; None for nothing."""
    if text is None:
        return None
    clean = unicodedata.normalize("NFC", text.replace("\r\n", "\n")).strip()
    if len(clean) > MAX_NOTE_CHARS or not all(c.isprintable() or c in "\n\t" for c in clean):
        raise UsageError(
            f"{what[0].upper()}{what[1:]} is longer than {MAX_NOTE_CHARS} characters or has unprintable "
            "ones.",
            "Write it as plain text.",
        )
    return clean or None


@lru_cache(maxsize=50_000)
def alike(name: str) -> str:
    """What two names share that a reader takes for the same."""
    plain = unicodedata.normalize("NFKD", name).casefold()
    return "".join(c for c in plain if not unicodedata.combining(c) and not c.isspace())


def twin_of(name: str, have: Iterable[str]) -> str | None:
    return next((h for h in have if alike(h) == alike(name)), None)


def near_names(name: str, have: Sequence[str], otherwise: str) -> str:
    from difflib import get_close_matches

    by_key = {alike(h): h for h in have}
    near = [by_key[k] for k in get_close_matches(alike(name), by_key, n=3, cutoff=0.6)]
    return f"Did you mean {' or '.join(repr(n) for n in near)}? {otherwise}" if near else otherwise


def refuse_twin(name: str, others: Iterable[str], what: str) -> None:
    """Two names that a reader can't tell apart would split one boat's history in two.

    Raises
    ------
    UsageError
    """
    twin = twin_of(name, others)
    if twin is not None:
        raise UsageError(
            f"The {what} '{twin}' is in the book already.",
            f"Use it as it is written there, or give another name than '{name}'.",
        )
