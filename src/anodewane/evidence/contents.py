"""What an evidence bag holds besides BagIt's own files, and the settings in it as a file.

`data/bag.json`, the index, says what belongs to what.
"""

from __future__ import annotations

import contextlib
import json
from dataclasses import asdict, fields
from typing import Any

from anodewane.errors import UsageError
from anodewane.record import Verdict
from anodewane.records import Given
from anodewane.settings import Settings
from anodewane.version import own_version

INDEX = "data/bag.json"
INDEX_FORMAT = 1
MAX_ORIGINAL_BYTES = 400_000_000

README = """What this is
============

An evidence bag: photos of sacrificial anodes, what was judged from them, and by what.
Its layout is BagIt 1.0 (RFC 8493).

data/originals/   the photos as they came, byte for byte (or copies without the place, where bag.json says so)
data/records/     what was judged, one JSON file for each part
data/overlays/    the same as pictures
data/report/      the report, as PDF and as a page
data/settings/    every setting that was used
data/templates/   the new parts that were compared with
data/handed/      outlines that were handed in, if any
data/bag.json     what belongs to what, with the SHA-256 of the model that was used

To see that nothing was changed, with nothing but the usual tools of a computer:

    sha256sum -c manifest-sha256.txt
    sha256sum -c tagmanifest-sha256.txt

With anodewane: 'anodewane evidence check' names every file that is changed, missing, extra or exchanged;
'anodewane evidence recheck' judges the originals again.
The SHA-256 of tagmanifest-sha256.txt is the bag's seal and stands for the whole of it: who has it from
elsewhere sees by it that nobody made the manifests anew.
"""


def settings_json(settings: Settings) -> bytes:
    """Settings as the very bytes whose SHA-256 begins with their digest, so that a later version, with
    more knobs or fewer, can still check them."""
    return json.dumps(asdict(settings), sort_keys=True, separators=(",", ":")).encode()


def settings_from_json(data: bytes) -> tuple[Settings, Given, tuple[str, ...]]:
    """Settings of a bag as this version understands them; what was given of the part, where that stands
    among them as before records of 1.2; and what isn't understood: knobs that this version doesn't have,
    and knobs that the bag doesn't state.

    Raises
    ------
    UsageError
        Not settings, or a value of the wrong type.
    """
    from anodewane.settings import settings_from_toml

    try:
        plain = json.loads(data)
        if not isinstance(plain, dict):
            raise TypeError("not an object")
    except (ValueError, TypeError, RecursionError) as e:
        raise UsageError(
            "The bag's settings aren't JSON that can be read.",
            "Check the bag with 'anodewane evidence check'.",
        ) from e
    try:
        given = Given(**_old_given(plain))
    except (TypeError, ValueError) as e:
        raise UsageError(
            "The bag's settings hold a measurement that can't be read.",
            "Check the bag with 'anodewane evidence check'.",
        ) from e
    known = {f.name for f in fields(Settings)}
    notes = [f"settings: '{k[:60]}' isn't a setting of this version" for k in sorted(plain) if k not in known]
    notes += [
        f"settings: '{k}' isn't in the bag, so its default is taken" for k in sorted(known - set(plain))
    ]
    # through the settings file's own reader, which checks every value
    text = "".join(
        f"{k} = {json.dumps(v, ensure_ascii=True)}\n"
        for k, v in plain.items()
        if k in known and v is not None
    )
    return settings_from_toml(text), given, tuple(notes)


def settings_of(v: Verdict) -> Settings | None:
    """The settings that a record was judged with; None where it doesn't tell them, or where this version
    knows others, so that their digest comes out another."""
    known = {f.name for f in fields(Settings)}
    if v.settings is None or not set(v.settings) <= known:
        return None
    settings = Settings(**v.settings)  # type: ignore[arg-type]  # each is like its knob: the digest says so
    return settings if settings.digest() == v.provenance.settings_digest else None


def _old_given(plain: dict[str, Any]) -> dict[str, Any]:
    """What a person knew of the part, as settings of records before 1.2 had it, and taken out of them."""
    line = (plain.pop("check_line_x_mm", None), plain.pop("check_line_y_mm", None))
    measured = plain.pop("check_line_given", False)
    weighed, thickness = plain.pop("weighed_g", None), plain.pop("thickness_given_mm", None)
    return {
        "weighed_g": weighed,
        "thickness_mm": thickness,
        "check_line_mm": line if measured and None not in line else None,
    }


def set_with() -> dict[str, str]:
    """Versions of what the bytes of overlays and reports depend on."""
    from importlib.metadata import PackageNotFoundError, version

    out = {"anodewane": own_version()}
    for name in ("jinja2", "numpy", "opencv-python-headless", "opencv-python", "pillow", "shapely", "typst"):
        with contextlib.suppress(PackageNotFoundError):
            out[name] = version(name)
    return out
