"""What is done with one photo, or with the photos of one part: a pure function of a small item and the
run's configuration, to run in any process on any machine."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any, Literal

from anodewane.batch.place import Place, shown_name
from anodewane.errors import InputUnreadable, ModelError, OutputNotWritable
from anodewane.judgement.method import Method
from anodewane.record import Verdict
from anodewane.records import Given, Template

THUMBNAIL_PX = 400

State = Literal["judged", "cannot_judge", "unreadable", "crashed", "fault"]
"""unreadable : the file isn't a photo that can be read, or couldn't be fetched; crashed : the worker
died over it; fault : a mistake of ours, told in the reason."""


@dataclass(frozen=True, slots=True)
class Item:
    """One photo to judge. name : in the source; out_name : what its outputs are called after; template
    : key into `RunConfig.templates`, None lets the judge choose; given : what a person knows of the part.
    digest : of everything besides the photo that decides the result; others : names of further photos
    of the same part, to be judged together with it."""

    name: str
    out_name: str
    template: str | None
    given: Given
    digest: str
    stamp: str | None = None
    others: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class RunConfig:
    """What all photos of a run share; pickled to the workers. templates : by the key that items name."""

    source: Place
    out: Place
    method: Method
    templates: dict[str, Template]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one photo: small and plain, one line of the ledger. None is unknown.

    final : whether running it again would give the same, so that a later run needn't. files : outputs
    by name with their size in bytes. others : name and SHA-256 of each further photo of the part, where
    several were judged together.
    """

    name: str
    out_name: str
    digest: str
    status: State
    final: bool
    photo_sha256: str | None = None
    stamp: str | None = None
    size_bytes: int | None = None
    verdict: Literal["replace", "monitor", "ok"] | None = None
    consumed_pct: float | None = None
    consumed_low_pct: float | None = None
    consumed_high_pct: float | None = None
    coverage: float | None = None
    area_pct: float | None = None
    template: str | None = None
    template_chosen: bool | None = None
    alloy: str | None = None
    taken: str | None = None
    label_boat: str | None = None
    label_position: str | None = None
    reasons: tuple[tuple[str, str, str | None], ...] = ()
    files: tuple[tuple[str, int], ...] = ()
    record_sha256: str | None = None
    seconds: float = 0.0
    others: tuple[tuple[str, str | None], ...] = ()


def outcome_to_plain(outcome: Outcome) -> dict[str, Any]:
    """As a dict of plain values, for the ledger."""
    return {f.name: getattr(outcome, f.name) for f in fields(outcome)}


def outcome_from_plain(plain: dict[str, Any]) -> Outcome:
    """Read one back; keys that this version doesn't know are passed over. TypeError or ValueError
    when it isn't one."""
    known = {f.name for f in fields(Outcome)}
    values = {k: v for k, v in plain.items() if k in known}
    values["reasons"] = tuple(
        (str(c), str(m), r if r is None else str(r)) for c, m, r in values.get("reasons", ())
    )
    values["files"] = tuple((str(n), int(s)) for n, s in values.get("files", ()))
    values["others"] = tuple((str(n), s if s is None else str(s)) for n, s in values.get("others", ()))
    return Outcome(**values)


def record_name(out_name: str) -> str:
    """The record of the photo `out_name`: the photo's own ending is kept, so that a.jpg and a.heic get
    records of their own."""
    return f"{out_name}.json"


def overlay_name(out_name: str) -> str:
    """The picture of the judgement."""
    return f"{out_name}.overlay.jpg"


def thumbnail_name(out_name: str) -> str:
    """The small picture for the contact sheet."""
    return f"thumbnails/{out_name}.jpg"


def judge_item(item: Item, config: RunConfig) -> Outcome:
    """Judge one photo, or several of one part together, and write record, overlay and thumbnail.

    Returns
    -------
    Outcome
        Also for a photo that can't be read, and for a fault of ours: a bad photo is a row, not a stop.

    Raises
    ------
    OutputNotWritable, ModelError
        What would befall every other photo too.
    """
    import time

    began = time.perf_counter()
    try:
        outcome = _judge(item, config)
    except InputUnreadable as e:
        # It was never seen whole: another run may fare better, with the disk plugged in again.
        outcome = Outcome(
            item.name,
            item.out_name,
            item.digest,
            "unreadable",
            final=False,
            reasons=(("unreadable", e.message, e.remedy),),
        )
    except (OutputNotWritable, ModelError):
        raise
    except Exception as e:
        where = e.__traceback__
        while where is not None and where.tb_next is not None:
            where = where.tb_next
        at = f" ({Path(where.tb_frame.f_code.co_filename).name}:{where.tb_lineno})" if where else ""
        reason = (
            "fault",
            f"An unexpected fault: {type(e).__name__}: {e}{at}.",
            "Please report it with the output of 'anodewane doctor' and, if you may, the photo.",
        )
        outcome = Outcome(item.name, item.out_name, item.digest, "fault", final=False, reasons=(reason,))
    return replace(outcome, stamp=item.stamp, seconds=round(time.perf_counter() - began, 3))


def _judge(item: Item, config: RunConfig) -> Outcome:
    """Judge what can be read. InputUnreadable when the file can't be fetched."""
    import hashlib

    from anodewane.judgement.pipeline import judge
    from anodewane.show.canvas import encode_picture
    from anodewane.show.overlay import overlay
    from anodewane.stages.load import load_photo

    data = config.source.read(item.name)
    sha256 = hashlib.sha256(data).hexdigest()
    base = Outcome(
        item.name,
        item.out_name,
        item.digest,
        "unreadable",
        final=True,
        photo_sha256=sha256,
        size_bytes=len(data),
    )
    if item.others:
        return _judge_together(item, config, data, base)
    try:
        photo = load_photo(data, shown_name(item.name))
    except InputUnreadable as e:
        return replace(base, reasons=(("unreadable", e.message, e.remedy),))
    del data
    verdict = judge(photo, _template(item, config), item.given, config.method)
    picture = overlay(photo, verdict)
    return _written(
        item, config, base, verdict, encode_picture(picture, ".jpg"), _thumbnail(picture, photo.rgb.shape)
    )


def _judge_together(item: Item, config: RunConfig, first: bytes, base: Outcome) -> Outcome:
    """Several photos of one part."""
    import hashlib

    from anodewane.show.canvas import encode_picture
    from anodewane.show.overlay import overlay
    from anodewane.show.overlay_of_views import overlay_together
    from anodewane.stages.load import load_photo
    from anodewane.views.together import judge_together

    files = [
        (first, shown_name(item.name)),
        *((config.source.read(name), shown_name(name)) for name in item.others),
    ]
    base = replace(
        base,
        others=tuple(
            (n, hashlib.sha256(data).hexdigest()) for n, (data, _) in zip(item.others, files[1:], strict=True)
        ),
    )
    try:
        photos = [load_photo(data, name) for data, name in files]
    except InputUnreadable as e:
        return replace(
            base,
            reasons=(
                (
                    "unreadable",
                    e.message,
                    f"{e.remedy} Or leave it out: the part's other photos are judged without it.",
                ),
            ),
        )
    verdict = judge_together(photos, _template(item, config), item.given, config.method)
    above = next((p for p in photos if p.source.sha256 == verdict.photo.sha256), photos[0])
    small = _thumbnail(overlay(above, verdict), above.rgb.shape)
    return _written(
        item, config, base, verdict, encode_picture(overlay_together(photos, verdict), ".jpg"), small
    )


def _template(item: Item, config: RunConfig) -> Template | None:
    return config.templates[item.template] if item.template is not None else None


def _written(
    item: Item, config: RunConfig, base: Outcome, verdict: Verdict, picture: bytes, thumbnail: bytes
) -> Outcome:
    """Write an item's outputs down; its outcome."""
    import hashlib

    from anodewane.show.record_json import verdict_to_json

    record = verdict_to_json(verdict).encode()
    outputs = (
        (overlay_name(item.out_name), picture),
        (thumbnail_name(item.out_name), thumbnail),
        (record_name(item.out_name), record),  # last: whoever finds a record finds its pictures
    )
    for name, content in outputs:
        config.out.write(name, content)
    label = getattr(verdict, "label", None)
    consumed, figures = verdict.consumed, verdict.template
    mass = consumed.mass_pct if consumed else None
    return replace(
        base,
        # a part that was measured and not known counts among those that couldn't be judged
        status="judged" if verdict.status == "judged" else "cannot_judge",
        verdict=verdict.verdict,
        consumed_pct=_rounded(mass.value if mass else None),
        consumed_low_pct=_rounded(mass.low if mass else None),
        consumed_high_pct=_rounded(mass.high if mass else None),
        coverage=consumed.coverage if consumed else None,
        area_pct=_rounded(consumed.area_pct.value if consumed else None),
        template=figures.name if figures else None,
        template_chosen=figures.chosen if figures else None,
        alloy=figures.alloy if figures else None,
        taken=verdict.photo.taken,
        label_boat=getattr(label, "boat", None),
        label_position=getattr(label, "position", None),
        reasons=tuple((r.code, r.message, r.remedy) for r in verdict.reasons),
        files=tuple((name, len(content)) for name, content in outputs),
        record_sha256=hashlib.sha256(record).hexdigest(),
    )


def read_label_item(item: Item, config: RunConfig) -> Outcome:
    """Read what the label on the sheet says of boat and position, before photos are put together by it.
    "unreadable" where that can't be known."""
    import hashlib

    from anodewane.errors import CannotJudge
    from anodewane.stages.card import find_card
    from anodewane.stages.label import read_label
    from anodewane.stages.load import load_photo
    from anodewane.stages.plane import locate_camera

    out = Outcome(item.name, item.out_name, item.digest, "unreadable", final=False, stamp=item.stamp)
    try:
        data = config.source.read(item.name)
        out = replace(out, photo_sha256=hashlib.sha256(data).hexdigest(), size_bytes=len(data))
        photo = load_photo(data, shown_name(item.name))
        settings, lens = config.method.settings, config.method.lens
        sighting = find_card(photo, settings=settings)
        steep = replace(settings, max_tilt_deg=LABEL_TILT_DEG)
        plane = locate_camera(photo, sighting, steep, lens, item.given.check_line_mm)
        label = read_label(photo, plane, sighting.layout)
    except CannotJudge:
        label = None
    except Exception:  # the judge comes upon it too, and tells it
        return out
    return replace(
        out,
        status="judged",
        final=True,
        label_boat=label.boat if label else None,
        label_position=label.position if label else None,
    )


LABEL_TILT_DEG = 75.0
"""A label is looked for in photos from the side too."""


def _rounded(value: float | None) -> float | None:
    """As the record rounds percentages."""
    return None if value is None else round(value, 2) + 0.0


def _thumbnail(picture: Any, photo_shape: tuple[int, ...]) -> bytes:
    """The overlay without its caption, small: the picture part keeps the photo's proportions."""
    import cv2

    from anodewane.show.canvas import encode_picture

    height = min(picture.shape[0], round(picture.shape[1] * photo_shape[0] / photo_shape[1]))
    scale = THUMBNAIL_PX / max(height, picture.shape[1])
    size = (max(1, round(picture.shape[1] * scale)), max(1, round(height * scale)))
    return encode_picture(cv2.resize(picture[:height], size, interpolation=cv2.INTER_AREA), ".jpg")
