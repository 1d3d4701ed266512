"""Entries of an invented yard, for tests of the book's reckoning."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from anodewane.book.entries import Boat, BoatEntries, Fitting, HaulOut, Position, Reading
from anodewane.book.rates import WearRate, fit_all, of_part, rate_of, series_of, spells
from anodewane.record import Interval
from anodewane.settings import BookRules, Settings

PLATE = "plate-150x75x20-2slots"
BUDGET = (
    ("print_scale", 0.6),
    ("camera", 0.4),
    ("edge", 1.2),
    ("limb", 1.0),
    ("thickness", 4.5),
    ("casting", 1.2),
)
NEW_G = 1500.0


def reading(
    position: str,
    hauled_on: date,
    gone: float | None,
    half_width: float = 8.0,
    *,
    boat: str = "Gannet",
    kind: str = "wear",
    verdict: str | None = "ok",
    reasons: tuple[str, ...] = (),
    budget: tuple[tuple[str, float], ...] = BUDGET,
    weighed_g: float | None = None,
    seen: Interval | None = None,
    template: str = PLATE,
    new_g: float | None = NEW_G,
) -> Reading:
    """A reading of `gone` per cent, give or take `half_width`; None is a photo that couldn't be judged."""
    span = None if gone is None else Interval(gone, gone - half_width, gone + half_width)
    area = None if gone is None else Interval(gone * 0.45, gone * 0.45 - 1.5, gone * 0.45 + 1.5)
    status = "judged" if gone is not None else "cannot_judge"
    sha = f"{boat}/{position}/{hauled_on}/{kind}"
    outcome = verdict if gone is not None else None
    what = (boat, position, hauled_on, kind, template, status, outcome)
    return Reading(*what, span, area, 0.9, new_g, None, weighed_g, sha, sha, reasons, budget, seen)


def fitting(position: str, fitted_on: date, **more: object) -> Fitting:
    """A zinc plate of the yard's usual template, unless told otherwise."""
    return Fitting(
        **{
            "boat": "Gannet",
            "position": position,
            "template": PLATE,
            "alloy": "zinc",
            "fitted_on": fitted_on,
            **more,
        }
    )  # type: ignore[arg-type]


def winters(first: int, last: int, boat: str = "Gannet") -> tuple[HaulOut, ...]:
    """Hauled every 15 October and launched on the next 15 April; after the last October the boat
    stands ashore."""
    return tuple(
        HaulOut(boat, date(y, 10, 15), date(y + 1, 4, 15) if y < last else None)
        for y in range(first, last + 1)
    )


def boat_of(
    fittings: tuple[Fitting, ...],
    readings: tuple[Reading, ...],
    haul_outs: tuple[HaulOut, ...],
    *,
    pair: str | None = None,
    water: str | None = "salt",
    fixings: str | None = None,
    name: str = "Gannet",
) -> BoatEntries:
    """A boat with a position for every name among its fittings and readings."""
    names = dict.fromkeys([f.position for f in fittings] + [r.position for r in readings])
    return BoatEntries(
        Boat(name, water),
        tuple(Position(name, n, pair, fixings) for n in names),
        fittings,
        haul_outs,
        readings,
    )  # type: ignore[arg-type]


def wear_rate(
    fitting: Fitting,
    haul_outs: Sequence[HaulOut],
    readings: Sequence[Reading],
    settings: Settings,
    rules: BookRules,
) -> WearRate | None:
    """How fast one part wears, from the readings of it (those of other parts are passed over); None
    without a judged reading after time in the water."""
    in_water = spells(haul_outs, fitting.fitted_on)
    series = series_of(
        fitting,
        in_water,
        of_part(fitting, readings, in_water[0].hauled_on if in_water else None),
        settings,
        rules,
    )
    return None if series is None else rate_of(fitting, series, fit_all([series], rules)[0], settings, rules)
