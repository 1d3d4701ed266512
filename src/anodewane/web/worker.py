"""What a worker process of the page does: judge a photo, draw it, look at a reduced copy of it."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from anodewane.judgement.method import Method
    from anodewane.records import Given, Photo, Template

VIEW_LONG_SIDE_PX = 2048
"""Of a photo's upright copy: the finger works on it."""


@dataclass(frozen=True, slots=True)
class Task:
    """What a worker needs, pickled to it. handed : a person's outline, with by and when."""

    photo: Path
    template: Template | None
    given: Given
    method: Method
    handed: bytes | None = None
    by: str | None = None
    when: str | None = None


def judge_task(task: Task) -> bytes:
    """Judge a photo and return its record; its picture is drawn after that (`overlay_task`), while the
    book takes the record.

    Raises
    ------
    InputUnreadable, UsageError, ModelError
    """
    from anodewane.judgement.pipeline import judge
    from anodewane.show.record_json import verdict_to_json

    photo, given = _loaded(task.photo), task.given
    if task.handed is not None:
        from anodewane.record import Manual
        from anodewane.records import ManualOutline
        from anodewane.stages.painted import painted_mask
        from anodewane.web.corrections import read_correction

        correction = read_correction(task.handed)
        mask = painted_mask(photo, correction.rings_px, correction.strokes)
        manual = Manual(task.by, task.when, hashlib.sha256(task.handed).hexdigest())
        given = replace(given, outline=ManualOutline(mask, manual))
    return verdict_to_json(judge(photo, task.template, given, task.method)).encode()


@lru_cache(maxsize=1)
def _loaded(file: Path) -> Photo:
    """A photo, decoded; the last one is kept for its picture. Files in the yard are called by their
    digests, so a name is always the same photo."""
    from anodewane.files import read_bytes
    from anodewane.stages.load import load_photo

    return load_photo(read_bytes(file), file.name)


def overlay_task(photo: Path, record: bytes, file: Path) -> None:
    """Draw a judgement into `file`. On the worker that judged it the photo is decoded already."""
    from anodewane.files import write_atomic

    write_atomic(file, draw_task(photo, record))


def warm_task() -> None:
    """Load what a judgement needs before the first photo comes: it takes longer than the judgement."""
    import anodewane.judgement.pipeline
    import anodewane.show.overlay
    import anodewane.show.record_json  # noqa: F401
    from anodewane.segment.model_file import shared_session

    shared_session()


def draw_task(photo: Path, record: bytes | None) -> bytes:
    """A picture for the page: a judgement's overlay, or the photo itself upright and without
    any of its EXIF."""
    import cv2

    from anodewane.show.canvas import encode_picture
    from anodewane.show.overlay import overlay
    from anodewane.show.record_json import verdict_from_json

    decoded = _loaded(photo)
    _loaded.cache_clear()  # no photo stays in memory without need
    if record is not None:
        return encode_picture(overlay(decoded, verdict_from_json(record), caption=False), ".jpg")
    height, width = decoded.rgb.shape[:2]
    scale = min(1.0, VIEW_LONG_SIDE_PX / max(height, width))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    small: Any = cv2.resize(decoded.rgb, size, interpolation=cv2.INTER_AREA)
    return encode_picture(small, ".jpg")
