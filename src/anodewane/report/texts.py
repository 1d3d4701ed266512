"""The catalogue: every sentence of a report by key and language, numbers as the language writes them,
and text from outside made harmless.

Text from outside (names, notes, file names) may hold anything. `clean` makes what can't be seen
visible, so that nobody reads a name the wrong way round; it never drops a character. Escaping for HTML
and typst is the renderers' business.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from functools import lru_cache
from types import MappingProxyType
from typing import Any

from anodewane.errors import UsageError
from anodewane.show.figures import number

LANGUAGES = ("en", "de")

KEPT = "\u200c\u200d"
"""Format characters that writing systems need: zero-width non-joiner and joiner."""


class Catalogue:
    """The sentences of one language.

    Parameters
    ----------
    code : str
        "en" or "de" (BCP 47).
    texts : mapping of str to str
        Flat: "cover.boat" and so on.
    """

    def __init__(self, code: str, texts: Mapping[str, str]) -> None:
        self.code = code
        self.texts = MappingProxyType(dict(texts))

    def say(self, key: str, **figures: Any) -> str:
        """Return a sentence with its figures filled in. Text is filled in as it is (clean it first),
        numbers must be formatted already.

        Raises
        ------
        KeyError
            No such key, or a figure that the sentence wants is missing: a mistake in the code.
        """
        return self.texts[key].format(**figures)

    def has(self, key: str) -> bool:
        return key in self.texts

    def number(self, value: float, digits: int = 0) -> str:
        """A number with the language's decimal mark and a true minus."""
        return number(value, digits, decimal=self.texts["decimal"], minus="\N{MINUS SIGN}")

    def reason(self, code: str, message: str, remedy: str | None) -> tuple[str, str | None, str | None]:
        """(sentence, remedy, the record's own words or None). In English the record's words are the
        sentence; in another language they stand beside the translation, because the figures in them are
        part of the evidence."""
        key = f"reason.{code}"
        if key not in self.texts:
            return message, remedy, None
        own = f"{message} {remedy}" if remedy else message
        return self.texts[key], self.texts.get(f"remedy.{code}"), own


@lru_cache(maxsize=8)
def load_catalogue(code: str) -> Catalogue:
    """Return the catalogue of a language.

    Raises
    ------
    UsageError
        No such language.
    """
    if code not in LANGUAGES:
        raise UsageError(
            f"There is no report in the language '{code}'.", f"Choose one of {', '.join(LANGUAGES)}."
        )
    import tomllib
    from importlib.resources import files

    table = tomllib.loads(files("anodewane.report").joinpath("texts", f"{code}.toml").read_text("utf-8"))
    return Catalogue(code, dict(_flat(table, "")))


def _flat(table: Mapping[str, Any], above: str) -> list[tuple[str, str]]:
    out: list[tuple[str, str]] = []
    for key, value in table.items():
        name = f"{above}{key}"
        out += _flat(value, f"{name}.") if isinstance(value, dict) else [(name, str(value))]
    return out


def placeholders(text: str) -> frozenset[str]:
    """Names that a sentence wants filled in."""
    from string import Formatter

    return frozenset(name for _, name, _, _ in Formatter().parse(text) if name)


# --- text from outside ---------------------------------------------------------------------------


def clean(text: str, *, lines: bool = False) -> str:
    """Make what can't be seen visible: controls, direction overrides, zero-width and unassigned
    characters become "[U+202E]".

    Text that runs from right to left is wrapped in isolates (U+2068, U+2069; Unicode Standard Annex 9),
    so that it doesn't turn its neighbours round.

    Parameters
    ----------
    lines : bool
        Keep line feeds (a note); else they become spaces.
    """
    text = unicodedata.normalize("NFC", text).replace("\r\n", "\n").replace("\r", "\n")
    out = []
    for c in text:
        if c == "\n":
            out.append("\n" if lines else " ")
        elif c == "\t":
            out.append(" ")
        elif unicodedata.category(c) in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp") and c not in KEPT:
            out.append(marked(c))
        else:
            out.append(c)
    seen = "".join(out)
    return (
        f"\u2068{seen}\u2069"
        if _RIGHT_TO_LEFT.search("".join(unicodedata.bidirectional(c)[:1] for c in seen))
        else seen
    )


_RIGHT_TO_LEFT = re.compile("[RA]")
"""Bidirectional classes R, AL and AN by their first letter (no other class begins with R or A: RLE, RLO
and RLI were marked before)."""


def same_name(a: str, b: str) -> bool:
    """Whether two names mean the same position: case, spaces at the ends and the way accents are
    stored don't count."""
    return (
        unicodedata.normalize("NFC", a).strip().casefold()
        == unicodedata.normalize("NFC", b).strip().casefold()
    )


def marked(c: str) -> str:
    """ "[U+202E]" """
    return f"[U+{ord(c):04X}]"


def shortened(text: str, most: int) -> str:
    """At most `most` characters, the end replaced by an ellipsis; an isolate that was opened is closed."""
    if len(text) <= most:
        return text
    cut = text[: most - 1].rstrip() + "…"
    return cut + "\u2069" if cut.count("\u2068") > cut.count("\u2069") else cut
