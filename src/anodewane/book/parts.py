"""Which part sits where by the book: for a photo of a boat, a position and a haul-out, the template that
it is judged against."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

from anodewane.book.entries import Fitting, HaulOut, Kind, NewJudgement
from anodewane.book.names import alike
from anodewane.book.store import Book
from anodewane.errors import UsageError

if TYPE_CHECKING:
    from pathlib import Path

    from anodewane.judgement.method import FaceScale, Method
    from anodewane.records import Template
    from anodewane.settings import Settings


def open_haul_out(book: Book, boat: str) -> HaulOut | None:
    """The haul-out that a boat stands ashore for, by the book; None while it lies in the water."""
    outs = book.haul_outs(boat)
    return outs[-1] if outs and outs[-1].launched_on is None else None


def part_at(book: Book, boat: str, position: str, hauled_on: date, kind: Kind = "wear") -> Fitting | None:
    """The part that a photo of a haul-out shows: the worn one that came out, or (kind "refit") the new
    one fitted then. None where none is on record."""
    outs = [h for h in book.haul_outs(boat) if h.hauled_on > hauled_on]
    until = outs[0].hauled_on if outs else date.max
    found = None
    for f in book.fittings(boat, position):
        if kind == "wear":
            if f.fitted_on < hauled_on and (f.removed_on is None or f.removed_on >= hauled_on):
                found = f
        elif hauled_on <= f.fitted_on < until:
            found = f
    return found


def face_scale(book: Book, template: str) -> FaceScale | None:
    """What the book's weighings have shown of a template's faces; None where there are none."""
    from anodewane.judgement.method import FaceScale

    kept = book.calibration(template)
    return None if kept is None else FaceScale(kept.scale, kept.scale_sd, kept.part_sd)


def with_face_scale(method: Method, book: Book, template: Template | None) -> Method:
    """The method with what the book's weighings have shown of a template's faces."""
    scale = face_scale(book, template.name) if template is not None else None
    if template is None or scale is None:
        return method
    return replace(method, face_scales={**method.face_scales, template.name: scale})


@dataclass(frozen=True, slots=True)
class PhotoPlace:
    """Where a photo belongs in a book. template : of the part that sits there by the book, None where
    none is on record."""

    book: Book
    boat: str
    position: str
    hauled_on: date
    template: Template | None

    def keep(self, record: bytes, settings: Settings) -> None:
        """Keep the photo's record there, judged now."""
        self.book.record(
            [NewJudgement(self.boat, self.position, self.hauled_on, record, datetime.now(UTC))], settings
        )


def photo_place(
    book: Book,
    boat: str,
    position: str,
    hauled_on: date | None,
    named: Template | None = None,
    new_haul_out: bool = False,
) -> PhotoPlace:
    """Where a photo belongs. named : the template that the user named, which mustn't contradict the book;
    new_haul_out : `hauled_on` may be a day that the book lacks.

    Raises
    ------
    UsageError
        No such boat or position, the boat isn't ashore and no date was given, the part is of another
        template, or nobody knows which.
    """
    from anodewane.catalog.templates import template_digest

    place = book.position(boat, position)
    problem = haul_out_problem(book, place.boat, hauled_on, new_haul_out)
    if problem is not None:
        raise UsageError(
            f"The photo has no place in the book: {problem}",
            "Note the haul-out with 'anodewane season haul-out', or give its date with --hauled.",
        )
    ashore = open_haul_out(book, place.boat)
    day = hauled_on or (ashore.hauled_on if ashore else date.max)
    part = part_at(book, place.boat, place.name, day)
    if part is None and named is None:
        raise UsageError(
            f"The book has no part at '{place.name}' of '{place.boat}' before {day}.",
            "Give --template, or note the part with 'anodewane season fit'.",
        )
    template = book.template(part.template) if part else None
    if template is not None and named is not None and template_digest(named) != template_digest(template):
        raise UsageError(
            f"The book has a part of template '{template.name}' at '{place.name}' of '{place.boat}', not "
            f"'{named.name}'.",
            "Leave --template out, or correct the fitting.",
        )
    return PhotoPlace(book, place.boat, place.name, day, template)


class BookParts:
    """Which part sits where, as a batch asks it: read from the book once. hauled_on : None takes the
    haul-out that each boat stands ashore for; new_haul_out : that day may be one that the book lacks."""

    def __init__(self, book: Book, hauled_on: date | None = None, new_haul_out: bool = False) -> None:
        self._haul_out_problems = {
            b.name: haul_out_problem(book, b.name, hauled_on, new_haul_out) for b in book.boats()
        }
        self._boats = {alike(b.name): b.name for b in book.boats()}
        self._positions = {(p.boat, alike(p.name)): p.name for p in book.positions()}
        self._templates: dict[tuple[str, str], str] = {}
        made: dict[str, Template] = {}
        for boat, position in ((p.boat, p.name) for p in book.positions()):
            ashore = open_haul_out(book, boat)
            day = hauled_on or (ashore.hauled_on if ashore else None)
            part = part_at(book, boat, position, day) if day is not None else None
            if part is None:  # forgotten to note that it is ashore: what sits there is known all the same
                part = next((f for f in book.fittings(boat, position) if f.removed_on is None), None)
            if part is not None:
                self._templates[boat, position] = part.template
                if part.template not in made:
                    made[part.template] = book.template(part.template)
        self._made = made
        self.face_scales = {name: s for name in made if (s := face_scale(book, name)) is not None}

    def _place(self, boat: str, position: str) -> tuple[str, str] | None:
        """Boat and position as the book writes them."""
        owner = self._boats.get(alike(boat))
        name = self._positions.get((owner, alike(position))) if owner is not None else None
        return (owner, name) if owner is not None and name is not None else None

    def template_at(self, boat: str, position: str) -> Template | None:
        """The template of the part that sits there; None where the book doesn't know."""
        place = self._place(boat, position)
        name = self._templates.get(place) if place is not None else None
        return self._made[name] if name is not None else None

    def problem_at(self, boat: str | None, position: str | None, named: Template | None) -> str | None:
        """Why a photo of that place can't be taken into the book; None where it can. named : the template
        that a list or the user named for it, None for the book's own."""
        from anodewane.catalog.templates import template_digest

        if boat is None or position is None:
            return "no boat or position is known."
        place = self._place(boat, position)
        if place is None:
            return f"'{position}' of '{boat}' isn't in the book."
        problem = self._haul_out_problems[place[0]]
        if problem is not None:
            return problem
        part = self.template_at(*place)
        if part is None and named is None:
            return (
                f"the book has no part at '{place[1]}' of '{place[0]}'; note it with 'anodewane season fit'."
            )
        if part is not None and named is not None and template_digest(part) != template_digest(named):
            return f"{named.name} is named for it, but {part.name} sits at '{place[1]}' of '{place[0]}'."
        return None


def haul_out_problem(book: Book, boat: str, hauled_on: date | None, new_haul_out: bool) -> str | None:
    """Why what was found at a haul-out can't be noted; None where it can. hauled_on : None takes the one
    that the boat stands ashore for; new_haul_out : that day may be one that the book lacks."""
    have = [h.hauled_on for h in book.haul_outs(boat)]
    if hauled_on is None:
        if open_haul_out(book, boat) is None:
            return f"'{boat}' isn't ashore, by the book; note when it was hauled out."
    elif hauled_on not in have and not new_haul_out:
        days = ", ".join(map(str, have[-4:])) or "no day"
        return f"'{boat}' wasn't hauled out on {hauled_on}, by the book; it was on {days}."
    return None


def template_by_name(book: Book, name: str, folder: Path | None = None) -> Template:
    """A template that the book keeps, else one of the library or a file, sought in `folder` first."""
    from anodewane.catalog.templates import load_template

    if folder is not None and name.lower().endswith(".toml") and (folder / name).is_file():
        return load_template(str(folder / name))
    return book.template(name) if name in book.template_names() else load_template(name)
