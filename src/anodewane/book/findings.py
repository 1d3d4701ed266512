"""What the book keeps of what was found: judgements with their records, weighings, overrules, accepts
and calibrations. All of these are only ever added; triggers in the file refuse anything else.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterable
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Literal

from anodewane.book.entries import NewJudgement, Position, RecordCounts, Weight
from anodewane.book.fleet import FleetBook
from anodewane.book.names import clean_note
from anodewane.errors import InputUnreadable, UsageError
from anodewane.record import Interval

if TYPE_CHECKING:
    from anodewane.book.calibrate import Calibration
    from anodewane.record import Verdict
    from anodewane.settings import Settings


WEIGHT_SHARES = (0.02, 1.15)
"""Of the new mass: what is left of a part weighs between them, as a judgement holds it too."""

LAST_DIGITS = 0.11
"""Points and grams by which two judgements of one photo may differ by the order of sums alone: a step in
the last digit that a record keeps."""


class FindingsBook(FleetBook):
    """Writes judgements and what people add to them."""

    def record(self, judgements: Iterable[NewJudgement], settings: Settings | None = None) -> RecordCounts:
        """Keep judgements with their records. Boats and positions must be there; a haul-out is added
        where it isn't. One that the book has already is passed over.

        A record judged with a weight adds that weight too.

        Raises
        ------
        InputUnreadable
            What isn't a record.
        UsageError
            No such boat or position.
        """
        from anodewane.show.record_json import verdict_from_json

        new = known = 0
        with self.writing():
            for j in judgements:
                try:
                    verdict = verdict_from_json(j.record)
                    text = j.record.decode("utf-8")
                except ValueError as e:
                    raise InputUnreadable(
                        f"The record for '{j.position}' of '{j.boat}' isn't one: {_first_line(e)}.",
                        "Give a record as 'anodewane judge' wrote it.",
                    ) from e
                place = self.position(j.boat, j.position)
                self.haul_out(place.boat, j.hauled_on)
                if self._add(j, verdict, text, place, settings):
                    new += 1
                else:
                    known += 1
        return RecordCounts(new, known)

    def _add(
        self, j: NewJudgement, v: Verdict, text: str, place: Position, settings: Settings | None
    ) -> bool:
        digest = hashlib.sha256(j.record).hexdigest()
        if self._known(j, v, digest, place):
            return False
        self._db.execute("INSERT INTO records VALUES (?, ?) ON CONFLICT DO NOTHING", (digest, text))
        judged = v.status == "judged"
        weighed = v.mass.remaining_g.value if judged and v.mass and v.mass.method == "weighed" else None
        seen = self._seen(v, settings) if weighed is not None else None
        by = j.judged_by or (v.provenance.manual.by if v.provenance.manual else None)
        row = {
            "boat": place.boat,
            "position": place.name,
            "hauled_on": j.hauled_on.isoformat(),
            "kind": j.kind,
            "record_sha256": digest,
            "photo_sha256": v.photo.sha256,
            "photo_name": v.photo.name,
            "judged_at": moment(j.judged_at),
            "judged_by": clean_note(by, "the name"),
            "status": v.status,
            "verdict": v.verdict,
            "template": v.template.name if v.template else None,
            "template_sha256": v.template.sha256 if v.template else None,
            **_spread("mass", "pct", v.consumed.mass_pct if v.consumed else None),
            **_spread("area", "pct", v.consumed.area_pct if v.consumed else None),
            "coverage": v.consumed.coverage if v.consumed else None,
            "new_g": v.mass.new_g if v.mass else None,
            **_spread("remaining", "g", v.mass.remaining_g if v.mass else None),
            "mass_method": v.mass.method if v.mass else None,
            **_spread("seen", "pct", seen),
            "reasons": json.dumps([r.code for r in v.reasons]),
            "budget": json.dumps(v.budget),
        }
        # names from above
        sql = f"INSERT INTO judgements ({', '.join(row)}) VALUES ({', '.join('?' * len(row))})"  # noqa: S608
        self._db.execute(sql, tuple(row.values()))
        if weighed is not None and j.kind == "wear":
            self._db.execute(
                "INSERT INTO weighings (boat, position, hauled_on, mass_g, note) VALUES (?, ?, ?, ?, ?)",
                (place.boat, place.name, j.hauled_on.isoformat(), weighed, "given with the photo"),
            )
        return True

    def _known(self, j: NewJudgement, v: Verdict, digest: str, place: Position) -> bool:
        """Whether the book has this judgement: the record itself, or another of the same photo, judged in
        the same way. Such records may differ in their last digits, and by their names."""
        from anodewane.show.record_json import verdict_from_json

        rows = self._all(
            "SELECT record_sha256 FROM judgements WHERE boat = ? AND position = ? AND hauled_on = ? "
            "AND kind = ? AND photo_sha256 = ?",
            (place.boat, place.name, j.hauled_on.isoformat(), j.kind, v.photo.sha256),
        )
        if any(r["record_sha256"] == digest for r in rows):
            return True
        others = (verdict_from_json(self.record_json(r["record_sha256"])) for r in rows)
        return any(_same_judgement(v, other) for other in others)

    def _seen(self, v: Verdict, settings: Settings | None) -> Interval | None:
        """Mass consumed as the photo alone says, of a record that was judged with a weight; None where
        the template isn't in the book as it was judged."""
        from anodewane.book.calibrate import seen_alone
        from anodewane.settings import Settings

        if v.consumed is None or v.template is None:
            return None
        known = self._one("SELECT sha256 FROM templates WHERE name = ?", (v.template.name,))
        if not known or known["sha256"] != v.template.sha256:
            return None
        return seen_alone(
            self.template(v.template.name), v.consumed.area_pct, v.consumed.coverage, settings or Settings()
        )

    def withdraw(self, judgement: int, why: str, by: str | None = None, *, undo: bool = False) -> None:
        """Take a judgement out of the count (wrong part, wrong boat), or back into it with `undo`. It
        stays in the book."""
        with self.writing():
            if not self._one("SELECT 1 FROM judgements WHERE id = ?", (judgement,)):
                raise UsageError(
                    f"The book has no judgement {judgement}.", "'anodewane season history' shows the numbers."
                )
            reason = clean_note(why, "the reason")
            if reason is None:
                raise UsageError("A judgement is withdrawn for a reason.", "Say why.")
            self._db.execute(
                "INSERT INTO withdrawals (judgement, withdrawn, why, by) VALUES (?, ?, ?, ?)",
                (judgement, 0 if undo else 1, reason, clean_note(by, "the name")),
            )

    def weigh(
        self,
        boat: str,
        position: str,
        hauled_on: date,
        mass_g: float,
        by: str | None = None,
        note: str | None = None,
        *,
        sure: bool = False,
    ) -> None:
        """Note what was left of a part on the scales, clean and dry. A later weighing of the same part
        counts before an earlier one. sure : take a weight that the part can't have.

        Raises
        ------
        UsageError
            The part is heavier than a new one, or next to nothing is left of it.
        """
        with self.writing():
            place = self.position(boat, position)
            if not math.isfinite(mass_g) or not 0 <= mass_g < 1e9:
                raise UsageError(f"'{mass_g}' isn't a mass in grams.", "Give what the scales say, in grams.")
            self._haul_out_on(place.boat, hauled_on)
            if not sure:
                self._check_weight(place, hauled_on, float(mass_g))
            self._db.execute(
                "INSERT INTO weighings (boat, position, hauled_on, mass_g, by, note) VALUES (?, ?, ?, ?, "
                "?, ?)",
                (
                    place.boat,
                    place.name,
                    hauled_on.isoformat(),
                    float(mass_g),
                    clean_note(by, "the name"),
                    clean_note(note, "the note"),
                ),
            )

    def _check_weight(self, place: Position, hauled_on: date, mass_g: float) -> None:
        from anodewane.wear.solids import new_mass_g

        part = next(
            (
                f
                for f in self.fittings(place.boat, place.name)
                if f.fitted_on < hauled_on and (f.removed_on is None or hauled_on <= f.removed_on)
            ),
            None,
        )
        if part is None:
            return
        full = part.new_mass_g or new_mass_g(self.template(part.template))
        low, high = WEIGHT_SHARES
        if not low * full < mass_g < high * full:
            raise UsageError(
                f"{mass_g:g} g can't be what is left of a {part.template} of about {full:.0f} g new.",
                "Weigh it again, clean, dry and without bolts, or correct the part; --sure takes the weight "
                "as it is.",
            )

    def withdraw_weighing(
        self, boat: str, position: str, hauled_on: date, why: str, by: str | None = None
    ) -> Weight:
        """Take the weighing that counts out of the count; the one before it counts again.

        Raises
        ------
        UsageError
            There is none.
        """
        with self.writing():
            place = self.position(boat, position)
            here = [
                w
                for w in self.weighings(place.boat)
                if (w.position, w.hauled_on, w.withdrawn) == (place.name, hauled_on, None)
            ]
            reason = clean_note(why, "the reason")
            if reason is None:
                raise UsageError("A weighing is withdrawn for a reason.", "Say why.")
            if not here:
                raise UsageError(
                    f"Nothing was weighed at '{place.name}' of '{place.boat}' when hauled out {hauled_on}.",
                    "See 'anodewane season history' for the weighings.",
                )
            self._db.execute(
                "INSERT INTO weighing_withdrawals (weighing, withdrawn, why, by) VALUES (?, 1, ?, ?)",
                (here[-1].id, reason, clean_note(by, "the name")),
            )
        return here[-1]

    def overrule(
        self,
        boat: str,
        position: str,
        hauled_on: date,
        verdict: Literal["replace", "monitor", "ok"] | None,
        why: str,
        by: str,
    ) -> None:
        """A person's own verdict over a part at a haul-out; the photo's stays beside it. None takes an
        earlier one back. It is of the judgement that counts now: a later photo speaks for itself. Saying
        it twice changes nothing."""
        with self.writing():
            place = self.position(boat, position)
            self._haul_out_on(place.boat, hauled_on)
            reason, who = clean_note(why, "the reason"), clean_note(by, "the name")
            if reason is None or who is None:
                raise UsageError("A verdict is overruled by somebody, for a reason.", "Say who and why.")
            of = self._one(
                "SELECT id FROM judgements WHERE boat = ? AND position = ? AND hauled_on = ? "
                "AND kind = 'wear' AND counts = 1",
                (place.boat, place.name, hauled_on.isoformat()),
            )
            number = of["id"] if of else None
            here = [
                o for o in self.overrules(place.boat) if (o.position, o.hauled_on) == (place.name, hauled_on)
            ]
            last = here[-1] if here else None
            if last and (last.verdict, last.why, last.by, last.judgement) == (verdict, reason, who, number):
                return
            added = self._db.execute(
                "INSERT INTO overrules (boat, position, hauled_on, verdict, why, by) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                (place.boat, place.name, hauled_on.isoformat(), verdict, reason, who),
            )
            if number is not None:
                self._db.execute("INSERT INTO overruled_judgements VALUES (?, ?)", (added.lastrowid, number))

    def accept(self, judgement: int, by: str) -> None:
        """Somebody stands by a judgement, by its number. Saying it twice changes nothing.

        Raises
        ------
        UsageError
            There is no such judgement, it doesn't count, or it judged nothing.
        """
        with self.writing():
            who = clean_note(by, "the name")
            if who is None:
                raise UsageError("A judgement is accepted by somebody.", "Say who.")
            j = self.judgement(judgement)
            if not j.counts:
                raise UsageError(
                    f"Judgement {judgement} doesn't count: it was withdrawn, or a later one stands.",
                    "Accept the one that stands.",
                )
            if j.reading.status != "judged":
                raise UsageError(
                    f"Judgement {judgement} is a refusal; there is no verdict to accept.",
                    "Take the photo again.",
                )
            self._db.execute("INSERT OR IGNORE INTO accepts (judgement, by) VALUES (?, ?)", (judgement, who))

    def keep_calibration(self, c: Calibration) -> None:
        """Keep a template's calibration: `judge --book` reads photos of its parts by the latest one."""
        b, a = c.half_gone_before, c.half_gone_after
        with self.writing():
            self._db.execute(
                "INSERT INTO calibrations (template, n, scale, scale_sd, part_sd, half_gone_before_pct, "
                "half_gone_before_low_pct, half_gone_before_high_pct, "
                "half_gone_after_pct, half_gone_after_low_pct, half_gone_after_high_pct) VALUES (?, ?, ?, "
                "?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    c.template,
                    c.n,
                    c.scale,
                    c.scale_sd,
                    c.part_sd,
                    b.value,
                    b.low,
                    b.high,
                    a.value,
                    a.low,
                    a.high,
                ),
            )

    def keep(self, digest: str, of_boats: dict[str, tuple[str, ...]]) -> None:
        """Keep what was computed: lines, cells, notices and orders a boat."""
        with self.writing():
            self._db.executemany(
                "INSERT OR REPLACE INTO reckoned VALUES (?, ?, ?, ?, ?, ?)",
                [(name, digest, *parts) for name, parts in of_boats.items()],
            )


# --- inside -------------------------------------------------------------------------------------


def _spread(name: str, unit: str, i: Interval | None) -> dict[str, float | None]:
    ends = (None, None, None) if i is None else (i.value, i.low, i.high)
    return dict(zip((f"{name}_{unit}", f"{name}_low_{unit}", f"{name}_high_{unit}"), ends, strict=True))


def moment(at: datetime) -> str:
    """A moment as the book keeps it, UTC to the millisecond."""
    return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.") + f"{at.microsecond // 1000:03}Z"


def _first_line(e: Exception) -> str:
    lines = [line.strip() for line in str(e).splitlines() if line.strip()]
    return "; ".join(lines[1:3] if len(lines) > 2 else lines[:1])[:200].rstrip(".")


def _same_judgement(a: Verdict, b: Verdict) -> bool:
    """Whether two records of one photo are of one judgement: made in the same way, with the same figures
    but for their last digits."""
    made = [
        (
            v.provenance.anodewane,
            v.provenance.settings_digest,
            v.provenance.segmenter,
            v.provenance.model_sha256,
            v.provenance.manual,
            v.template.sha256 if v.template else None,
            v.status,
            v.verdict,
            [r.code for r in v.reasons],
        )
        for v in (a, b)
    ]
    if made[0] != made[1]:
        return False
    first, second = (_figures(v) for v in (a, b))
    return first.keys() == second.keys() and all(abs(first[k] - second[k]) <= LAST_DIGITS for k in first)


def _figures(v: Verdict) -> dict[str, float]:
    """What a judgement measured: points and grams by name."""
    found = {f"budget {cause}": sd for cause, sd in v.budget.items()}
    spreads: dict[str, Interval] = {}
    if v.consumed is not None:
        spreads |= {"mass": v.consumed.mass_pct, "area": v.consumed.area_pct}
    if v.mass is not None:
        spreads |= {"left": v.mass.remaining_g}
    for name, i in spreads.items():
        found |= {name: i.value, f"{name} low": i.low, f"{name} high": i.high}
    return found
