"""Figures as they are told: rounded once and in one way, so that a share reads the same in the sentence of
a reason, on the command line, the picture, the page, the contact sheet, the season's list and the report.

A value is first rounded to what the record keeps (`KEPT`), so that a judgement and its record read back
give the same figure, and then to what is told, halves away from nought. Nothing is ever told as "-0".
"""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal
from types import MappingProxyType

from anodewane.record import Interval

KEPT = MappingProxyType(
    {
        "px": 2,
        "mm": 3,
        "mm2": 1,
        "mm3": 0,
        "deg": 2,
        "g": 1,
        "pct": 2,
        "frac": 4,
        "sd": 4,
        "budget": 3,
        "coverage": 4,
    }
)
"""Decimals that a record keeps, by the last word of the nearest name that has a unit."""


def number(
    value: float, digits: int = 0, *, unit: str | None = None, decimal: str = ".", minus: str = "-"
) -> str:
    """A figure in words.

    Parameters
    ----------
    value : float
    digits : int
        Decimals told.
    unit : str, optional
        The suffix of the value's name: it is first rounded to what the record keeps of that (`KEPT`).
        None for what a record held already, or never will.
    decimal, minus : str
        As the language and the medium write them.

    Examples
    --------
    >>> number(39.4966, unit="pct"), number(39.5), number(-0.3), number(-1.25, 1)
    ('40', '40', '0', '-1.3')
    """
    kept = float(value) if unit is None else round(float(value), max(KEPT[unit], digits))
    exact = Decimal(repr(kept))
    told = exact.quantize(Decimal(1).scaleb(-digits), ROUND_HALF_UP)
    text = f"{abs(told):f}".replace(".", decimal)
    return f"{minus}{text}" if told < 0 else text


def percent(share: Interval | float) -> str:
    """ "34 %" """
    return f"{_whole(share.value if isinstance(share, Interval) else share)} %"


def span(share: Interval) -> str:
    """ "28 to 41 %" """
    return f"{_whole(share.low)} to {_whole(share.high)} %"


def percent_and_span(share: Interval) -> str:
    """ "34 % (28 to 41)" """
    return f"{percent(share)} ({_whole(share.low)} to {_whole(share.high)})"


def _whole(share_pct: float) -> str:
    return number(share_pct, unit="pct")


def grams(mass_g: float) -> str:
    """ "212 g" """
    return f"{number(mass_g, unit='g')} g"


def millimetres(length_mm: float) -> str:
    """ "3.4 mm" """
    return f"{number(length_mm, 1, unit='mm')} mm"
