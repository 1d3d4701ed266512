"""What the book keeps of the fleet: boats, positions, parts and haul-outs. All of it can be corrected;
both states go into the table `changes`, whoever makes the change.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterable, Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

from anodewane.book.entries import UNCHANGED, Boat, Fitting, HaulOut, Position, Unchanged, Water
from anodewane.book.names import clean_name, clean_note, refuse_twin
from anodewane.book.queries import BookQueries, iso_day
from anodewane.errors import UsageError

if TYPE_CHECKING:
    from anodewane.records import Template


NEW_MASS_FRAC = 0.25
"""How far a new part may weigh from what its template says before somebody is asked; castings of one
pattern differ by some hundredths, another size or alloy by more than this."""


class FleetBook(BookQueries):
    """Writes boats, positions, parts and haul-outs."""

    # boats and positions

    def add_boat(self, name: str, water: Water | None = None, note: str | None = None) -> Boat:
        """Add a boat.

        Raises
        ------
        UsageError
            The book has it already, or one that differs only in case, accents or spaces.
        """
        boat = Boat(clean_name(name, "boat"), _water(water), clean_note(note, "the note"))
        with self.writing():
            refuse_twin(boat.name, [b.name for b in self.boats()], "boat")
            self._db.execute("INSERT INTO boats VALUES (?, ?, ?)", (boat.name, boat.water, boat.note))
        return boat

    def change_boat(
        self,
        name: str,
        *,
        rename: str | None = None,
        water: Water | Unchanged | None = UNCHANGED,
        note: str | Unchanged | None = UNCHANGED,
        why: str | None = None,
        by: str | None = None,
    ) -> Boat:
        """Correct a boat; a water or note of None clears it. Everything that the book holds of the boat
        follows a new name."""
        with self.writing(why, by):
            old = self.boat(name)
            new = Boat(
                clean_name(rename, "boat") if rename else old.name,
                old.water if water is UNCHANGED else _water(water),
                old.note if note is UNCHANGED else clean_note(note, "the note"),
            )
            if new.name != old.name:
                refuse_twin(
                    new.name,
                    [b.name for b in self.boats() if b.name != old.name],
                    "boat",
                )
            if new != old:
                self._db.execute(
                    "UPDATE boats SET name = ?, water = ?, note = ? WHERE name = ?",
                    (new.name, new.water, new.note, old.name),
                )
        return new

    def add_position(
        self, boat: str, name: str, pair: str | None = None, fixings: str | None = None
    ) -> Position:
        """Add a position to a boat."""
        with self.writing():
            owner = self.boat(boat).name
            position = Position(
                owner,
                clean_name(name, "position"),
                clean_name(pair, "pair") if pair else None,
                clean_note(fixings, "the fixings"),
            )
            refuse_twin(
                position.name,
                [p.name for p in self.positions(owner)],
                "position",
            )
            self._db.execute(
                "INSERT INTO positions VALUES (?, ?, ?, ?)",
                (owner, position.name, position.pair, position.fixings),
            )
        return position

    def change_position(
        self,
        boat: str,
        name: str,
        *,
        rename: str | None = None,
        pair: str | Unchanged | None = UNCHANGED,
        fixings: str | Unchanged | None = UNCHANGED,
        why: str | None = None,
        by: str | None = None,
    ) -> Position:
        """Correct a position; a pair of None takes it out of its pair, fixings of None clear them."""
        with self.writing(why, by):
            old = self.position(boat, name)
            new = Position(
                old.boat,
                clean_name(rename, "position") if rename else old.name,
                old.pair if pair is UNCHANGED else clean_name(pair, "pair") if pair else None,
                old.fixings if fixings is UNCHANGED else clean_note(fixings, "the fixings"),
            )
            if new.name != old.name:
                refuse_twin(
                    new.name,
                    [p.name for p in self.positions(old.boat) if p.name != old.name],
                    "position",
                )
            if new != old:
                self._db.execute(
                    "UPDATE positions SET name = ?, pair = ?, fixings = ? WHERE boat = ? AND name = ?",
                    (new.name, new.pair, new.fixings, old.boat, old.name),
                )
        return new

    # what sits where, and when the boat is out

    def fit(
        self,
        boat: str,
        position: str,
        template: Template,
        fitted_on: date,
        *,
        alloy: str | None = None,
        new_mass_g: float | None = None,
        removed_on: date | None = None,
        sure: bool = False,
    ) -> Fitting:
        """Fit a new part. The one that sits there is taken off on that day. The template goes into the
        book whole, so that next year's photos meet the same one. sure : take a new mass that the template
        doesn't allow.

        Raises
        ------
        UsageError
            A part sat there at that time already, another template of that name is in the book, or the
            new mass is far from the template's.
        """
        if not sure:
            check_new_mass(template, alloy or template.alloy, new_mass_g)
        with self.writing():
            place = self.position(boat, position)
            self.keep_template(template)
            new = Fitting(
                place.boat,
                place.name,
                template.name,
                alloy or template.alloy,
                fitted_on,
                removed_on,
                _mass(new_mass_g),
            )
            if removed_on is not None and removed_on < fitted_on:
                raise UsageError(
                    f"The part at '{place.name}' of '{place.boat}' would be removed on {removed_on}, "
                    f"before it was fitted on {fitted_on}.",
                    "Correct one of the dates.",
                )
            sitting = next((f for f in self.fittings(place.boat, place.name) if f.removed_on is None), None)
            if sitting is not None and sitting.fitted_on < fitted_on:
                self._db.execute(
                    "UPDATE fittings SET removed_on = ? WHERE boat = ? AND position = ? AND fitted_on = ?",
                    (fitted_on.isoformat(), place.boat, place.name, sitting.fitted_on.isoformat()),
                )
            self._fitting(
                "INSERT INTO fittings (boat, position, fitted_on, removed_on, template, alloy, "
                "new_mass_g) VALUES (?, ?, ?, ?, ?, ?, ?)",
                (
                    new.boat,
                    new.position,
                    new.fitted_on.isoformat(),
                    iso_day(new.removed_on),
                    new.template,
                    new.alloy,
                    new.new_mass_g,
                ),
                new,
            )
        return new

    def change_fitting(
        self,
        boat: str,
        position: str,
        fitted_on: date,
        *,
        template: Template | None = None,
        alloy: str | None = None,
        new_mass_g: float | Unchanged | None = UNCHANGED,
        fitted: date | None = None,
        removed_on: date | Unchanged | None = UNCHANGED,
        sure: bool = False,
        why: str | None = None,
        by: str | None = None,
    ) -> Fitting:
        """Correct the part fitted on a day. `fitted` is the day on which it was really fitted. A
        `removed_on` of None puts the part back, a `new_mass_g` of None says that it wasn't weighed."""
        with self.writing(why, by):
            place = self.position(boat, position)
            old = self._fitting_on(place, fitted_on)
            if template is not None:
                self.keep_template(template)
            new = Fitting(
                old.boat,
                old.position,
                template.name if template else old.template,
                alloy or (template.alloy if template else old.alloy),
                fitted or old.fitted_on,
                old.removed_on if removed_on is UNCHANGED else removed_on,
                old.new_mass_g if new_mass_g is UNCHANGED else _mass(new_mass_g),
            )
            if new.removed_on is not None and new.removed_on < new.fitted_on:
                raise UsageError(
                    f"The part at '{place.name}' of '{place.boat}' would be removed on {new.removed_on}, "
                    f"before it was fitted on {new.fitted_on}.",
                    "Correct one of the dates.",
                )
            if not sure and new_mass_g is not UNCHANGED:
                check_new_mass(self.template(new.template), new.alloy, new.new_mass_g)
            if new != old:
                self._fitting(
                    "UPDATE fittings SET fitted_on = ?, removed_on = ?, template = ?, alloy = ?, "
                    "new_mass_g = ? WHERE boat = ? AND position = ? AND fitted_on = ?",
                    (
                        new.fitted_on.isoformat(),
                        iso_day(new.removed_on),
                        new.template,
                        new.alloy,
                        new.new_mass_g,
                        old.boat,
                        old.position,
                        old.fitted_on.isoformat(),
                    ),
                    new,
                )
        return new

    def _fitting(self, sql: str, values: Sequence[Any], new: Fitting) -> None:
        try:
            self._db.execute(sql, values)
        except sqlite3.IntegrityError as e:
            raise UsageError(
                f"Another part sat at '{new.position}' of '{new.boat}' at that time, by the book.",
                "Correct its dates first; 'anodewane season history' shows them.",
            ) from e

    def remove_fitting(
        self, boat: str, position: str, fitted_on: date, *, why: str | None = None, by: str | None = None
    ) -> None:
        """Take a part out of the book that was never fitted. The one before it, taken off that day, sits
        there again. The trace of changes keeps both.

        Raises
        ------
        UsageError
            No part was fitted on that day.
        """
        with self.writing(why, by):
            place = self.position(boat, position)
            parts = self.fittings(place.boat, place.name)
            gone = self._fitting_on(place, fitted_on)
            key = (place.boat, place.name, fitted_on.isoformat())
            self._db.execute("DELETE FROM fittings WHERE boat = ? AND position = ? AND fitted_on = ?", key)
            before = next((f for f in parts if f.removed_on == fitted_on and f.fitted_on < fitted_on), None)
            if before is not None:
                self._db.execute(
                    "UPDATE fittings SET removed_on = ? WHERE boat = ? AND position = ? AND fitted_on = ?",
                    (iso_day(gone.removed_on), place.boat, place.name, before.fitted_on.isoformat()),
                )

    def _fitting_on(self, place: Position, fitted_on: date) -> Fitting:
        found = next((f for f in self.fittings(place.boat, place.name) if f.fitted_on == fitted_on), None)
        if found is None:
            raise UsageError(
                f"No part was fitted at '{place.name}' of '{place.boat}' on {fitted_on}.",
                "See 'anodewane season history' for the dates.",
            )
        return found

    def keep_template(self, template: Template) -> None:
        """Put a template into the book, if it isn't there.

        Raises
        ------
        UsageError
            Another one of that name is there.
        """
        from anodewane.catalog.templates import template_digest, template_to_toml

        digest = template_digest(template)
        known = self._one("SELECT sha256 FROM templates WHERE name = ?", (template.name,))
        if known and known["sha256"] != digest:
            raise UsageError(
                f"The book has another template '{template.name}'.",
                "Give this one a name of its own; the parts of the old one were measured against the old "
                "one.",
            )
        if not known:
            with self.writing():
                self._db.execute(
                    "INSERT INTO templates VALUES (?, ?, ?, ?)",
                    (template.name, digest, template.alloy, template_to_toml(template)),
                )

    def haul_out(
        self,
        boat: str,
        hauled_on: date,
        launched_on: date | None = None,
        *,
        today: date | None = None,
        why: str | None = None,
        by: str | None = None,
    ) -> HaulOut:
        """Note that a boat came out of the water; what the book has already stays. A haul-out that the
        book has gets its launch, where that was unknown; one that was taken back is one again.

        today : refuse a day after it.

        Raises
        ------
        UsageError
            It would lie in the water and stand ashore at once, no launch lies between it and the haul-out
            before, or its day is still to come.
        """
        if today is not None and hauled_on > today:
            raise UsageError(
                f"{hauled_on} is still to come: it is {today}, by this machine's clock.",
                "Correct the date, or the clock.",
            )
        with self.writing():
            owner = self.boat(boat).name
            have = next((h for h in self.haul_outs(owner) if h.hauled_on == hauled_on), None)
            if have is not None and (launched_on is None or have.launched_on == launched_on):
                return have
            if have is not None and have.launched_on is not None:
                raise UsageError(
                    f"'{owner}' was launched on {have.launched_on}, by the book.",
                    "If it came out again since, note that with 'anodewane season haul-out' first; else "
                    "use --correct.",
                )
            new = HaulOut(owner, hauled_on, launched_on)
            self._refuse_overlap(new, [h for h in self.haul_outs(owner) if h.hauled_on != hauled_on])
            if have is None and self._one(
                "SELECT 1 FROM haul_outs WHERE boat = ? AND hauled_on = ?", (owner, hauled_on.isoformat())
            ):
                self._withdraw_haul_out(owner, hauled_on, why or "noted again", by, undo=True)
                if launched_on is not None:
                    return self.change_haul_out(owner, hauled_on, launched_on=launched_on, why=why, by=by)
            elif have is None:
                self._db.execute(
                    "INSERT INTO haul_outs VALUES (?, ?, ?)",
                    (owner, hauled_on.isoformat(), iso_day(launched_on)),
                )
            else:
                self._db.execute(
                    "UPDATE haul_outs SET launched_on = ? WHERE boat = ? AND hauled_on = ?",
                    (iso_day(launched_on), owner, hauled_on.isoformat()),
                )
        return new

    def withdraw_haul_out(
        self, boat: str, hauled_on: date, why: str, by: str | None = None, *, undo: bool = False
    ) -> HaulOut:
        """Take a haul-out back that never was, with all that was found at it: no judgement, weighing or
        overrule of it counts any more. With `undo` it is one again. It stays in the book.

        Raises
        ------
        UsageError
            The book has none on that day.
        """
        with self.writing():
            owner = self.boat(boat).name
            if undo:
                return self.haul_out(owner, hauled_on, why=why, by=by)
            found = self._haul_out_on(owner, hauled_on)
            self._withdraw_haul_out(owner, hauled_on, why, by)
        return found

    def _withdraw_haul_out(
        self, boat: str, hauled_on: date, why: str, by: str | None, *, undo: bool = False
    ) -> None:
        reason = clean_note(why, "the reason")
        if reason is None:
            raise UsageError("A haul-out is taken back for a reason.", "Say why.")
        self._db.execute(
            "INSERT INTO haul_out_withdrawals (boat, hauled_on, withdrawn, why, by) VALUES (?, ?, ?, ?, ?)",
            (boat, hauled_on.isoformat(), 0 if undo else 1, reason, clean_note(by, "the name")),
        )

    def _haul_out_on(self, boat: str, hauled_on: date) -> HaulOut:
        """The haul-out of that day.

        Raises
        ------
        UsageError
            There is none, with those that there are.
        """
        have = self.haul_outs(boat)
        found = next((h for h in have if h.hauled_on == hauled_on), None)
        if found is None:
            days = ", ".join(str(h.hauled_on) for h in have[-4:])
            raise UsageError(
                f"'{boat}' wasn't hauled out on {hauled_on}, by the book; it was on {days or 'no day'}.",
                "Correct the date, or note it first with 'anodewane season haul-out'.",
            )
        return found

    def launch(self, boat: str, launched_on: date) -> HaulOut:
        """Note that a boat went back: the latest haul-out up to that day gets its launch."""
        with self.writing():
            owner = self.boat(boat).name
            before = [h for h in self.haul_outs(owner) if h.hauled_on <= launched_on]
            if not before:
                raise UsageError(
                    f"'{owner}' wasn't hauled out before {launched_on}, by the book.",
                    "Note when it came out, or was fitted out, with 'anodewane season haul-out' first.",
                )
            return self.haul_out(owner, before[-1].hauled_on, launched_on)

    def change_haul_out(
        self,
        boat: str,
        hauled_on: date,
        *,
        hauled: date | None = None,
        launched_on: date | Unchanged | None = UNCHANGED,
        why: str | None = None,
        by: str | None = None,
    ) -> HaulOut:
        """Correct a haul-out's dates; its judgements follow. A `launched_on` of None takes the launch
        back: the boat stands ashore."""
        with self.writing(why, by):
            owner = self.boat(boat).name
            old = self._haul_out_on(owner, hauled_on)
            launched = old.launched_on if launched_on is UNCHANGED else launched_on
            new = HaulOut(owner, hauled or old.hauled_on, launched)
            self._refuse_overlap(new, [h for h in self.haul_outs(owner) if h.hauled_on != hauled_on])
            if new != old:
                self._db.execute(
                    "UPDATE haul_outs SET hauled_on = ?, launched_on = ? WHERE boat = ? AND hauled_on = ?",
                    (new.hauled_on.isoformat(), iso_day(new.launched_on), owner, hauled_on.isoformat()),
                )
        return new

    def _refuse_overlap(self, new: HaulOut, others: Iterable[HaulOut]) -> None:
        if new.launched_on is not None and new.launched_on < new.hauled_on:
            raise UsageError(
                f"'{new.boat}' would be launched on {new.launched_on}, before it was hauled out on "
                f"{new.hauled_on}.",
                "Correct one of the dates.",
            )
        for h in others:
            if h.hauled_on == new.hauled_on:
                raise UsageError(
                    f"'{new.boat}' was hauled out on {h.hauled_on} already, by the book.",
                    "Two haul-outs of one day can't be told apart; give another date.",
                )
            first, second = sorted((h, new), key=lambda k: k.hauled_on)
            between = [k for k in others if first.hauled_on < k.hauled_on < second.hauled_on]
            if first.launched_on is None and not between:
                raise UsageError(
                    f"'{new.boat}' stands ashore since {first.hauled_on}, by the book: no launch lies before "
                    f"{second.hauled_on}.",
                    f"Note it first: 'anodewane season launch BOOK \"{new.boat}\" DATE'. Where "
                    f"{first.hauled_on} is "
                    "wrong, correct it with --correct, or take it back with --take-back.",
                )
            if first.launched_on is not None and first.launched_on > second.hauled_on:
                raise UsageError(
                    f"'{new.boat}' stood ashore from {first.hauled_on} to {first.launched_on}, by the "
                    f"book, and can't be hauled out on {second.hauled_on}.",
                    "Correct one of the dates.",
                )


# --- inside -------------------------------------------------------------------------------------


def check_new_mass(template: Template, alloy: str, new_mass_g: float | None) -> None:
    """See that a new mass may be one of a template's parts.

    Raises
    ------
    UsageError
    """
    from anodewane.wear.metals import METALS
    from anodewane.wear.solids import new_mass_g as mass_of

    if new_mass_g is None:
        return
    densities = {str(m.alloy): m.density_g_cm3 for m in METALS.values()}
    expected = mass_of(template) * densities[alloy] / densities[template.alloy]
    if abs(new_mass_g / expected - 1) > NEW_MASS_FRAC:
        raise UsageError(
            f"A new {template.name} of {alloy} weighs about {expected:.0f} g, not {new_mass_g:g} g.",
            "Weigh it again, or correct the template or the alloy; --sure takes the weight as it is.",
        )


def _water(water: str | None) -> Water | None:
    if water is not None and water not in ("salt", "brackish", "fresh"):
        raise UsageError(f"'{water}' isn't a water.", "Give salt, brackish or fresh.")
    return water  # type: ignore[return-value]  # one of the three


def _mass(mass_g: float | None) -> float | None:
    if mass_g is not None and (not math.isfinite(mass_g) or not 0 < mass_g < 1e9):
        raise UsageError(f"'{mass_g}' isn't a mass in grams.", "Give what the scales say, in grams.")
    return None if mass_g is None else float(mass_g)
