"""Photos of new parts as fitted: checked, kept as the baseline, and noted as fitted."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import TYPE_CHECKING, Any

from anodewane.book.entries import Fitting, NewJudgement
from anodewane.book.intake import FoundRecord, plain
from anodewane.book.parts import haul_out_problem, open_haul_out, part_at
from anodewane.book.store import Book
from anodewane.errors import UsageError

if TYPE_CHECKING:
    from anodewane.settings import Settings


def refit_template(book: Book, boat: str, position: str, hauled_on: date) -> tuple[str, Fitting | None]:
    """Which template a part fitted after a haul-out should be of: the new one's on record, else of the
    one that sat there; and the fitting on record.

    Raises
    ------
    UsageError
        Nothing was ever fitted there.
    """
    place = book.position(boat, position)
    new = part_at(book, place.boat, place.name, hauled_on, "refit")
    old = part_at(book, place.boat, place.name, hauled_on)
    if new is None and old is None:
        raise UsageError(
            f"The book has no part at '{place.name}' of '{place.boat}' around {hauled_on}.",
            "Note the new one with 'anodewane season fit' first.",
        )
    return (new or old).template, new  # type: ignore[union-attr]  # one of them is there


def refit(
    book: Book,
    found: Iterable[FoundRecord],
    hauled_on: date | None,
    fitted_on: date | None,
    settings: Settings,
    new_mass_g: float | None = None,
) -> list[dict[str, Any]]:
    """Check photos of new parts, keep them as the baseline, and note a part that passes as fitted on
    `fitted_on` where the book doesn't have it.

    A photo that shows another part is kept out of the baseline: it would be taken for what the next
    season begins from.

    Raises
    ------
    UsageError
        A photo has no place, or nothing says what should sit there; nothing is then kept.
    """
    from anodewane.book.refit import check_refit

    out = []
    with book.writing():
        for f in found:
            if f.boat is None or f.position is None:
                raise UsageError(
                    f"'{f.where}' has no boat or position.",
                    "Give --boat and --position, or name them for the batch.",
                )
            place = book.position(f.boat, f.position)
            problem = haul_out_problem(book, place.boat, hauled_on, False)
            if problem is not None:
                raise UsageError(
                    f"The new part has no haul-out in the book: {problem}",
                    "Note it with 'anodewane season haul-out', or give its date with --hauled.",
                )
            ashore = open_haul_out(book, place.boat)
            day = hauled_on or (ashore.hauled_on if ashore else date.max)
            name, new = refit_template(book, place.boat, place.name, day)
            if new is None and fitted_on is None:
                raise UsageError(
                    f"The book doesn't have the new part at '{place.name}' of '{place.boat}'.",
                    "Give --on with the day on which it was fitted.",
                )
            old = part_at(book, place.boat, place.name, day)
            template = book.template(name)
            check = check_refit(f.verdict, template, settings, old.alloy if old else None, new_mass_g)
            if check.passed is not False:
                if new is None and check.passed and fitted_on is not None:
                    book.fit(place.boat, place.name, template, fitted_on, new_mass_g=new_mass_g)
                if new is not None or check.passed:
                    book.record(
                        [NewJudgement(place.boat, place.name, day, f.record, f.judged_at, "refit")], settings
                    )
            out.append(
                {
                    "boat": place.boat,
                    "position": place.name,
                    "photo": f.where,
                    "template": name,
                    **plain(check),
                }
            )
    return out
