"""What the book says: its SQL for reading, and its rows decoded into records."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from anodewane.book.entries import (
    Accept,
    Boat,
    BoatEntries,
    Change,
    Fitting,
    HaulOut,
    Judgement,
    Overrule,
    Position,
    Reading,
    Weight,
)
from anodewane.book.file import BookFile
from anodewane.book.names import clean_name, near_names, twin_of
from anodewane.errors import UsageError
from anodewane.record import Interval

if TYPE_CHECKING:
    from anodewane.book.calibrate import Calibration
    from anodewane.records import Template
    from anodewane.settings import Settings

_READING = """
    j.boat, j.position, j.hauled_on, j.kind, j.template, j.status, j.verdict,
    j.mass_pct, j.mass_low_pct, j.mass_high_pct, j.area_pct, j.area_low_pct, j.area_high_pct,
    j.coverage, j.new_g, j.remaining_g, j.remaining_low_g, j.remaining_high_g, j.mass_method,
    j.seen_pct, j.seen_low_pct, j.seen_high_pct, j.photo_sha256, j.record_sha256, j.reasons, j.budget"""

_RECENT = """j.hauled_on >= coalesce((
    SELECT f.fitted_on FROM fittings f WHERE f.boat = j.boat AND f.position = j.position
    ORDER BY f.fitted_on DESC LIMIT 1 OFFSET 1), '')"""
"""The part before the present one: its readings are compared with the present part's first."""

_WITHDRAWN = """(
    SELECT CASE w.withdrawn WHEN 1 THEN w.why END FROM withdrawals w
    WHERE w.judgement = j.id ORDER BY w.id DESC LIMIT 1)"""

_WEIGHING_WITHDRAWN = """(
    SELECT CASE w.withdrawn WHEN 1 THEN w.why END FROM weighing_withdrawals w
    WHERE w.weighing = weighings.id ORDER BY w.id DESC LIMIT 1)"""


def _haul_out_withdrawn(table: str) -> str:
    """Why the haul-out of a row never was; NULL where it was."""
    # the table's name is one of ours
    return f"""(
    SELECT CASE w.withdrawn WHEN 1 THEN w.why END FROM haul_out_withdrawals w
    WHERE w.boat = {table}.boat AND w.hauled_on = {table}.hauled_on
    ORDER BY w.id DESC LIMIT 1)"""  # noqa: S608


class BookQueries(BookFile):
    """Everything that can be read from an open book."""

    def _select(
        self, columns: str, table: str, order: str, *, also: str = "", **where: str | None
    ) -> list[sqlite3.Row]:
        """Rows in which the columns named have these values (None: any), and which `also` holds of."""
        given = {k.replace("__", "."): v for k, v in where.items() if v is not None}
        conditions = [*(f"{k} = ?" for k in given), *([also] if also else [])]
        which = f"WHERE {' AND '.join(conditions)}" if conditions else ""
        sql = f"SELECT {columns} FROM {table} {which} ORDER BY {order}"  # noqa: S608 - values are bound
        return self._all(sql, list(given.values()))

    # boats, positions, parts, haul-outs

    def boat(self, name: str) -> Boat:
        """The boat of that name, in whatever case.

        Raises
        ------
        UsageError
            There is none, with the names that are near.
        """
        row = self._one("SELECT name, water, note FROM boats WHERE name = ?", (clean_name(name, "boat"),))
        if row is None:
            have = [r["name"] for r in self._all("SELECT name FROM boats")]
            if (twin := twin_of(name, have)) is not None:
                return self.boat(twin)
            raise UsageError(
                f"The book has no boat '{name}'.",
                near_names(name, have, "Add it with 'anodewane season boat'."),
            )
        return Boat(**row)

    def has_boat(self, name: str) -> bool:
        """Whether there is a boat of that name."""
        return self._one("SELECT 1 FROM boats WHERE name = ?", (name,)) is not None

    def position(self, boat: str, name: str) -> Position:
        """The position of that name on a boat, in whatever case.

        Raises
        ------
        UsageError
            There is none, with the names that are near.
        """
        owner = self.boat(boat).name
        row = self._one(
            "SELECT boat, name, pair, fixings FROM positions WHERE boat = ? AND name = ?",
            (owner, clean_name(name, "position")),
        )
        if row is None:
            have = [r["name"] for r in self._all("SELECT name FROM positions WHERE boat = ?", (owner,))]
            if (twin := twin_of(name, have)) is not None:
                return self.position(owner, twin)
            raise UsageError(
                f"'{owner}' has no position '{name}' in the book.",
                near_names(name, have, "Add it with 'anodewane season position'."),
            )
        return Position(**row)

    def boats(self) -> tuple[Boat, ...]:
        """Every boat, by name."""
        return tuple(Boat(**r) for r in self._select("name, water, note", "boats", "name"))

    def positions(self, boat: str | None = None) -> tuple[Position, ...]:
        """Positions of a boat or of all, by boat and name."""
        rows = self._select("boat, name, pair, fixings", "positions", "boat, name", boat=boat)
        return tuple(Position(**r) for r in rows)

    def fittings(self, boat: str | None = None, position: str | None = None) -> tuple[Fitting, ...]:
        """Parts by boat, position and day of fitting."""
        columns = "boat, position, template, alloy, fitted_on, removed_on, new_mass_g"
        rows = self._select(columns, "fittings", "boat, position, fitted_on", boat=boat, position=position)
        return tuple(
            Fitting(
                r["boat"],
                r["position"],
                r["template"],
                r["alloy"],
                _day(r["fitted_on"]),
                _day(r["removed_on"]) if r["removed_on"] else None,
                r["new_mass_g"],
            )
            for r in rows
        )

    def haul_outs(self, boat: str | None = None) -> tuple[HaulOut, ...]:
        """Haul-outs by boat and day, without those that were taken back."""
        rows = self._select(
            "boat, hauled_on, launched_on",
            "haul_outs",
            "boat, hauled_on",
            also=f"{_haul_out_withdrawn('haul_outs')} IS NULL",
            boat=boat,
        )
        return tuple(
            HaulOut(r["boat"], _day(r["hauled_on"]), _day(r["launched_on"]) if r["launched_on"] else None)
            for r in rows
        )

    def last_day(self, boat: str) -> date | None:
        """The last day on which the book has anything of a boat; None without."""
        days = [d for h in self.haul_outs(boat) for d in (h.hauled_on, h.launched_on) if d is not None]
        days += [d for f in self.fittings(boat) for d in (f.fitted_on, f.removed_on) if d is not None]
        return max(days, default=None)

    # judgements and what belongs to them

    def readings(
        self,
        boat: str | None = None,
        position: str | None = None,
        hauled_on: date | None = None,
        *,
        settings: Settings | None = None,
        _recent: bool = False,
    ) -> tuple[Reading, ...]:
        """The judgements that count, by boat, position and haul-out, with the weights that count.

        Where a part was weighed, `consumed_pct` goes by the weight (settings: `scales_sd_g`,
        `mass_computed_sd_frac`).
        """
        rows = self._select(
            _READING,
            "judgements j",
            "j.boat, j.position, j.hauled_on",
            also=" AND ".join(
                ["j.counts = 1", f"{_haul_out_withdrawn('j')} IS NULL", *([_RECENT] if _recent else [])]
            ),
            j__boat=boat,
            j__position=position,
            j__hauled_on=iso_day(hauled_on),
        )
        scales = self._on_scales(boat)
        return tuple(_reading(r, scales, settings) for r in rows)

    def _on_scales(self, boat: str | None) -> _OnScales:
        """The weights that count by part and haul-out, and the parts that were weighed new."""
        rows = self._select(
            "boat, position, hauled_on, mass_g",
            "weighings",
            "id",
            also=f"{_WEIGHING_WITHDRAWN} IS NULL",
            boat=boat,
        )
        left = {(r["boat"], r["position"], r["hauled_on"]): r["mass_g"] for r in rows}
        new: dict[tuple[str, str], list[sqlite3.Row]] = {}
        if left:
            for r in self._select(
                "boat, position, fitted_on, removed_on, new_mass_g",
                "fittings",
                "fitted_on",
                also="new_mass_g IS NOT NULL",
                boat=boat,
            ):
                new.setdefault((r["boat"], r["position"]), []).append(r)
        return _OnScales(
            left, new, {name: self.template(name) for name in self._weighed_templates(boat, left)}
        )

    def _weighed_templates(self, boat: str | None, left: object) -> list[str]:
        """Names of the templates in the book of which a part may have been weighed."""
        if not left:
            return []
        rows = self._select("DISTINCT template", "fittings", "template", boat=boat)
        return [r["template"] for r in rows]

    def entries(
        self, boat: str | None = None, *, settings: Settings | None = None, recent: bool = False
    ) -> tuple[BoatEntries, ...]:
        """All that states are computed from, of one boat or of all, by name.

        recent : leave out readings from before the part that sat there before the present one, which no
        rate or warning looks at.
        """
        boats = (self.boat(boat),) if boat is not None else self.boats()
        name = boats[0].name if boat is not None else None
        positions = _by_boat(self.positions(name))
        fittings = _by_boat(self.fittings(name))
        haul_outs = _by_boat(self.haul_outs(name))
        readings = _by_boat(self.readings(name, settings=settings, _recent=recent))
        return tuple(
            BoatEntries(
                b,
                tuple(positions.get(b.name, ())),
                tuple(fittings.get(b.name, ())),
                tuple(haul_outs.get(b.name, ())),
                tuple(readings.get(b.name, ())),
            )
            for b in boats
        )

    def judgements(
        self, boat: str, position: str | None = None, hauled_on: date | None = None
    ) -> tuple[Judgement, ...]:
        """Every judgement of a boat, those that don't count and withdrawn ones too, by position,
        haul-out and moment of judging."""
        owner = self.boat(boat).name
        rows = self._select(
            "j.id, j.photo_name, j.judged_at, j.judged_by, j.recorded_at, j.counts, "
            f"coalesce({_WITHDRAWN}, {_haul_out_withdrawn('j')}) AS withdrawn, {_READING}",
            "judgements j",
            "j.position, j.hauled_on, j.judged_at, j.id",
            j__boat=owner,
            j__position=self.position(owner, position).name if position else None,
            j__hauled_on=iso_day(hauled_on),
        )
        scales = self._on_scales(owner)
        return tuple(
            Judgement(
                id=r["id"],
                reading=_reading(r, scales, None),
                photo_name=r["photo_name"],
                judged_at=r["judged_at"],
                judged_by=r["judged_by"],
                recorded_at=r["recorded_at"],
                mass_method=r["mass_method"],
                counts=bool(r["counts"]) and r["withdrawn"] is None,
                withdrawn=r["withdrawn"],
            )
            for r in rows
        )

    def judgement(self, number: int) -> Judgement:
        """The judgement of that number.

        Raises
        ------
        UsageError
            There is none.
        """
        row = self._one("SELECT boat, position FROM judgements WHERE id = ?", (number,))
        if row is None:
            raise UsageError(
                f"The book has no judgement {number}.", "'anodewane season history' shows the numbers."
            )
        return next(j for j in self.judgements(row["boat"], row["position"]) if j.id == number)

    def places_of_photo(self, sha256: str) -> tuple[tuple[str, str, date], ...]:
        """Boat, position and haul-out of every judgement of a photo that wasn't withdrawn."""
        rows = self._select(
            "DISTINCT j.boat, j.position, j.hauled_on",
            "judgements j",
            "j.boat, j.position, j.hauled_on",
            also=f"coalesce({_WITHDRAWN}, {_haul_out_withdrawn('j')}) IS NULL",
            j__photo_sha256=sha256,
        )
        return tuple((r["boat"], r["position"], _day(r["hauled_on"])) for r in rows)

    def weighings(self, boat: str | None = None) -> tuple[Weight, ...]:
        """Every weighing, those that a later one stands in for too, in the order of entry."""
        rows = self._select(
            f"id, boat, position, hauled_on, mass_g, by, note, at, {_WEIGHING_WITHDRAWN} AS withdrawn",
            "weighings",
            "id",
            boat=boat,
        )
        return tuple(Weight(**_dated(r)) for r in rows)

    def overrules(self, boat: str | None = None) -> tuple[Overrule, ...]:
        """Every overrule in the order of entry; of one part and haul-out the last counts, if it stands."""
        rows = self._select(
            "o.boat AS boat, o.position AS position, o.hauled_on AS hauled_on, o.verdict AS verdict, "
            "o.why AS why, o.by AS by, o.at AS at, l.judgement AS judgement, coalesce(j.counts, 1) AS stands",
            "overrules o LEFT JOIN overruled_judgements l ON l.overrule = o.id "
            "LEFT JOIN judgements j ON j.id = l.judgement",
            "o.id",
            o__boat=boat,
        )
        return tuple(Overrule(**{**_dated(r), "stands": bool(r["stands"])}) for r in rows)

    def accepts(self, boat: str | None = None) -> tuple[Accept, ...]:
        """Every accept in the order of entry, also of judgements that no longer count."""
        rows = self._select(
            "j.id AS judgement, boat, position, hauled_on, record_sha256, a.by AS by, a.at AS at",
            "accepts a JOIN judgements j ON j.id = a.judgement",
            "a.id",
            boat=boat,
        )
        return tuple(Accept(**_dated(r)) for r in rows)

    def record_json(self, sha256: str) -> bytes:
        """A record, byte for byte as it was judged."""
        row = self._one("SELECT json FROM records WHERE sha256 = ?", (sha256,))
        if row is None:
            raise UsageError(
                f"The book has no record '{sha256}'.", "'anodewane season history --json' has their digests."
            )
        return str(row["json"]).encode()

    def changes(self) -> tuple[Change, ...]:
        """Every correction, oldest first."""
        return tuple(
            Change(
                r["at"],
                r["what"],
                json.loads(r["before"]),
                json.loads(r["after"]) if r["after"] else None,
                r["why"],
                r["by"],
            )
            for r in self._select("at, what, before, after, why, by", "changes", "id")
        )

    # templates and their calibrations

    def template(self, name: str) -> Template:
        """A template as the book keeps it."""
        from anodewane.catalog.templates import template_from_toml

        row = self._one("SELECT toml FROM templates WHERE name = ?", (name,))
        if row is None:
            raise UsageError(
                f"The book has no template '{name}'.",
                near_names(
                    name, self.template_names(), "It comes in with the first part of it that is fitted."
                ),
            )
        return template_from_toml(row["toml"])

    def template_names(self) -> list[str]:
        """The templates that the book keeps."""
        return [r["name"] for r in self._select("name", "templates", "name")]

    def calibration(self, template: str) -> Calibration | None:
        """The latest calibration that was kept of a template."""
        from anodewane.book.calibrate import Calibration

        rows = self._select("*", "calibrations", "id DESC LIMIT 1", template=template)
        if not rows:
            return None
        r = rows[0]
        before = _spread(r, "half_gone_before", "pct")
        after = _spread(r, "half_gone_after", "pct")
        assert before is not None
        assert after is not None
        return Calibration(template, r["n"], r["scale"], r["scale_sd"], r["part_sd"], before, after)

    def state_digest(self, boat: str) -> str:
        """SHA-256 of everything that the book holds of a boat: the same as long as nothing changes."""
        held = (
            self.boat(boat),
            self.positions(boat),
            self.fittings(boat),
            self.haul_outs(boat),
            self.judgements(boat),
            self.weighings(boat),
            self.overrules(boat),
            self.accepts(boat),
            [self.calibration(t) for t in self.template_names()],
        )
        return hashlib.sha256(repr(held).encode()).hexdigest()

    # what was computed and is kept (`listing`)

    def not_kept(self, digest: str, boat: str | None = None) -> list[str]:
        """Boats of which nothing computed by these rules is kept."""
        rows = self._all(
            "SELECT b.name FROM boats b LEFT JOIN reckoned r ON r.boat = b.name "
            "WHERE r.digest IS NOT ? AND (? IS NULL OR b.name = ?) ORDER BY b.name",
            (digest, boat, boat),
        )
        return [r["name"] for r in rows]

    def kept(self, what: str, boat: str | None = None) -> list[str]:
        """What is kept of a boat or of all, by name: "lines", "cells", "notices" or "orders"."""
        assert what in ("lines", "cells", "notices", "orders")
        return [r[what] for r in self._select(what, "reckoned", "boat", boat=boat)]


# --- rows into records ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _OnScales:
    """What was weighed. left : grams by boat, position and haul-out; new : rows of the parts that were
    weighed new, by boat and position; templates : of the parts on record, by name."""

    left: dict[tuple[str, str, str], float]
    new: dict[tuple[str, str], list[sqlite3.Row]]
    templates: dict[str, Template]

    def new_mass_g(self, boat: str, position: str, hauled_on: str) -> float | None:
        """New mass of the part that came out on a day, None where it wasn't weighed then."""
        for part in self.new.get((boat, position), ()):
            if part["fitted_on"] < hauled_on and (
                part["removed_on"] is None or hauled_on <= part["removed_on"]
            ):
                return float(part["new_mass_g"])
        return None


def _reading(r: sqlite3.Row, scales: _OnScales, settings: Settings | None) -> Reading:
    boat, position, hauled_on = r["boat"], r["position"], r["hauled_on"]
    consumed = _spread(r, "mass", "pct")
    remaining = _spread(r, "remaining", "g")
    alone = _spread(r, "seen", "pct")
    coverage, new_g, method = r["coverage"], r["new_g"], r["mass_method"]
    weighed = scales.left.get((boat, position, hauled_on)) if r["kind"] == "wear" else None
    if weighed is not None and consumed is not None and new_g is not None and coverage is not None:
        if method != "weighed":
            alone = consumed
        if method != "weighed" or remaining is None or abs(weighed - remaining.value) > 0.05:
            new_mass = scales.new_mass_g(boat, position, hauled_on)
            template = scales.templates.get(r["template"] or "")
            stated = template is not None and template.new_mass_g is not None
            consumed, remaining = _by_weight(weighed, new_mass, new_g, stated, coverage, settings)
    return Reading(
        boat=boat,
        position=position,
        hauled_on=_day(hauled_on),
        kind=r["kind"],
        template=r["template"] or "",
        status=r["status"],
        verdict=r["verdict"],
        consumed_pct=consumed,
        area_pct=_spread(r, "area", "pct"),
        coverage=coverage,
        new_g=new_g,
        remaining_g=remaining,
        weighed_g=weighed,
        photo_sha256=r["photo_sha256"],
        record_sha256=r["record_sha256"],
        reasons=_codes(r["reasons"]),
        budget=_causes(r["budget"]),
        seen_pct=alone,
    )


def _by_weight(
    weighed_g: float,
    weighed_new_g: float | None,
    new_g: float,
    stated: bool,
    coverage: float,
    settings: Settings | None,
) -> tuple[Interval, Interval]:
    """Mass consumed (points) and left (g) of a part that was weighed after its photo was judged.
    weighed_new_g : what it weighed new; without it new_g, as the template states or computes it."""
    from anodewane.book.rates import normal_quantile
    from anodewane.settings import Settings
    from anodewane.wear.weighed import weighed_part

    s = settings or Settings()
    z = normal_quantile(coverage)
    if weighed_new_g is not None:
        of_new = s.scales_sd_g / weighed_new_g
    else:
        of_new = s.mass_known_sd_frac if stated else s.mass_computed_sd_frac
    w = weighed_part(weighed_g, weighed_new_g or new_g, of_new, s)
    gone, sd = 100 * (1 - w.share), 100 * w.share_sd
    return (
        Interval(gone, gone - z * sd, min(gone + z * sd, 100.0)),
        Interval(w.left_g, max(w.left_g - z * w.left_sd_g, 0.0), w.left_g + z * w.left_sd_g),
    )


def _spread(r: sqlite3.Row, name: str, unit: str) -> Interval | None:
    """An interval from its three columns."""
    value = r[f"{name}_{unit}"]
    return None if value is None else Interval(value, r[f"{name}_low_{unit}"], r[f"{name}_high_{unit}"])


@lru_cache(maxsize=4096)  # few sets of reasons, many readings
def _codes(text: str) -> tuple[str, ...]:
    return tuple(json.loads(text)) if text != "[]" else ()


def _causes(text: str) -> tuple[tuple[str, float], ...]:
    return tuple(json.loads(text).items()) if text != "{}" else ()


def _by_boat(items: Iterable[Any]) -> dict[str, list[Any]]:
    out: dict[str, list[Any]] = {}
    for item in items:
        out.setdefault(item.boat, []).append(item)
    return out


def _dated(r: sqlite3.Row) -> dict[str, Any]:
    """A row's columns by name, its haul-out as a date."""
    return {**r, "hauled_on": _day(r["hauled_on"])}


def _day(text: str) -> date:
    return date.fromisoformat(text)


def iso_day(day: date | None) -> str | None:
    """A date as the book keeps it."""
    return day.isoformat() if day is not None else None
