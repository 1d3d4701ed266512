"""The record as JSON and back, with the JSON Schema that is made from it.

The record classes are the contract: keys, order and types come from them, so a new field needs no work
here. Numbers are rounded by the unit in their name (`figures.KEPT`; 4 decimals otherwise), to well below
what can be measured, so that a record is short and the same on every machine.
"""

from __future__ import annotations

import json
import math
from dataclasses import fields, is_dataclass
from functools import lru_cache, partial
from typing import Any

from anodewane.record import SCHEMA_VERSION, Verdict
from anodewane.show.figures import KEPT

VERBATIM = ("given", "settings", "lens")
"""Keys of the record whose numbers are kept to the last digit: it has to be judged again from them."""

SCHEMA_ID = f"urn:anodewane:record:{SCHEMA_VERSION}"


def verdict_to_plain(verdict: Verdict) -> dict[str, Any]:
    """Return the record as dicts, lists, text and rounded numbers, keys in the record's order.

    Raises
    ------
    ValueError
        A number is not finite: NaN would silently become null, and null means unknown.
    """
    plain: dict[str, Any] = _plain(verdict, 4, "record")
    return plain


def verdict_to_json(verdict: Verdict) -> str:
    """Return the record as JSON text: one line a top-level key, so that it reads and compares well,
    with a line feed at the end.

    Raises
    ------
    ValueError
        A number is not finite.
    """
    as_text = partial(json.dumps, ensure_ascii=False, allow_nan=False, separators=(", ", ": "))
    lines = (f'  "{key}": {as_text(value)}' for key, value in verdict_to_plain(verdict).items())
    return "{\n" + ",\n".join(lines) + "\n}\n"


def verdict_from_json(text: str | bytes) -> Verdict:
    """Read a record. Keys that this version doesn't know are passed over: later versions may add some.

    Raises
    ------
    ValueError
        Not JSON, a key missing, a value of the wrong type, not finite, or another major version
        of the schema.
    """
    verdict: Verdict = _adapter().validate_json(text, strict=True)  # "62" is not a number
    if verdict.schema_version.split(".")[0] != SCHEMA_VERSION.split(".")[0]:
        raise ValueError(
            f"schema_version: expected {SCHEMA_VERSION.split('.')[0]}.x, got {verdict.schema_version}"
        )
    verdict_to_plain(verdict)  # refuses what isn't finite
    return verdict


def record_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of the record, made from `anodewane.record.Verdict`."""
    made = _adapter().json_schema(mode="serialization")
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": SCHEMA_ID,
        **made,
        "title": "anodewane record",
    }


@lru_cache(maxsize=1)
def _adapter() -> Any:
    from pydantic import TypeAdapter

    return TypeAdapter(Verdict)


def _digits(name: str, inherited: int | None) -> int | None:
    if inherited is None or name in VERBATIM:
        return None
    return KEPT.get(name.rsplit("_", 1)[-1], inherited)


def _plain(value: Any, digits: int | None, where: str) -> Any:
    if isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError(f"{where}: expected a finite number, got {value}")
        if digits is None:
            return value
        return round(value, digits) + 0.0  # + 0.0 turns -0.0 into 0.0
    if value is None or isinstance(value, (str, bool, int)):
        return value
    if is_dataclass(value):
        return {
            f.name: _plain(getattr(value, f.name), _digits(f.name, digits), f"{where}.{f.name}")
            for f in fields(value)
        }
    if isinstance(value, dict):
        return {str(k): _plain(v, _digits(str(k), digits), f"{where}.{k}") for k, v in value.items()}
    if isinstance(value, (tuple, list)):
        if len(value) > 8 and isinstance(value[0], (tuple, list)) and isinstance(value[0][0], float):
            return _points(value, digits, where)
        return [_plain(v, digits, where) for v in value]
    if hasattr(value, "tolist"):  # a numpy number that slipped into a record
        return _plain(value.tolist(), digits, where)
    raise TypeError(f"{where}: a record holds plain values, got {type(value).__name__}")


def _points(value: Any, digits: int | None, where: str) -> Any:
    """A ring of points at once: an outline has thousands."""
    import numpy as np

    array = np.asarray(value, float)
    if not np.isfinite(array).all():
        raise ValueError(
            f"{where}: expected finite numbers, got {int((~np.isfinite(array)).sum())} that are not"
        )
    return (array if digits is None else np.round(array, digits) + 0.0).tolist()
