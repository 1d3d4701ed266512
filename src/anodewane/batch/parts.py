"""Which photos show one part: those of one boat and position, where a batch judges them together."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, replace

from anodewane.batch.placing import Placing, Settled, set_apart_by, settle
from anodewane.batch.plan import Plan, PlannedPhoto


@dataclass(frozen=True, slots=True)
class Part:
    """What is judged as one: a photo alone, or the photos of one part in order of their names; outputs
    are called after the first.

    template, template_folder, weighed_g, thickness_mm : as in `PlannedPhoto`, for all of them; twins :
    names of photos left out for having the content of one of them.
    """

    photos: tuple[PlannedPhoto, ...]
    template: str | None
    template_folder: str
    weighed_g: float | None
    thickness_mm: float | None
    twins: tuple[str, ...] = ()

    @property
    def first(self) -> PlannedPhoto:
        """The photo that name and outputs are taken from."""
        return self.photos[0]

    @property
    def others(self) -> tuple[tuple[str, str | None], ...]:
        """Name and SHA-256 of each further photo."""
        return tuple((p.name, p.sha256) for p in self.photos[1:])

    @property
    def placings(self) -> tuple[Placing, ...]:
        """What each source says of where it belongs, strongest first; a low photo's label may be past
        reading, so all photos have their say."""
        said = dict.fromkeys(
            g for by in ("csv", "label", "folder") for p in self.photos for g in p.placings if g.by == by
        )
        return tuple(said)


def alone(photo: PlannedPhoto) -> Part:
    """A photo that is judged by itself."""
    return Part((photo,), photo.template, photo.template_folder, photo.weighed_g, photo.thickness_mm)


def each_alone(plan: Plan) -> tuple[Part, ...]:
    """Every photo by itself, duplicates left out."""
    return tuple(alone(p) for p in plan.photos if p.duplicate_of is None)


def with_labels(plan: Plan, labels: Mapping[str, tuple[str | None, str | None]]) -> Plan:
    """Give photos what the label on the sheet says: boat and position by photo name. It stands behind
    the list and before the folders."""

    def labelled(p: PlannedPhoto) -> PlannedPhoto:
        boat, position = labels.get(p.name) or labels.get(p.duplicate_of or "") or (None, None)
        if not boat and not position:
            return p
        n = sum(g.by == "csv" for g in p.placings)
        return replace(p, placings=(*p.placings[:n], Placing(boat, position, "label"), *p.placings[n:]))

    return replace(plan, photos=tuple(map(labelled, plan.photos)))


def of_one_part(plan: Plan, levels: tuple[str, ...] | None, most: int) -> tuple[Plan, tuple[Part, ...]]:
    """Put photos of one boat and position together.

    Folders of dates and folders below the position's set photos apart; so does what a photos.csv says
    of template, weight and thickness. More than `most` are judged one by one, which is told.

    Returns
    -------
    Plan
        With what is to be told, and duplicates pointing to photos that are judged by themselves.
    tuple of Part
        In order of their first photos' names.
    """
    groups: dict[tuple[object, ...], list[PlannedPhoto]] = {}
    for p in plan.photos:
        at = settle(p.placings)
        key: tuple[object, ...] = (p.name,)
        if at.boat is not None and at.position is not None:
            key = (_plain(at.boat), _plain(at.position), set_apart_by(p.name, levels))
        groups.setdefault(key, []).append(p)
    notes = list(plan.notes)
    parts: dict[str, Part] = {}
    single: set[str] = set()
    for group in groups.values():
        photos, twins = _once(group)
        at = settle(group[0].placings)
        if len(photos) > 1 and len(photos) <= most and (odd := _differs(photos)) is None:
            notes += [
                f"{shown} is the same photo as {other}: it is used once." for shown, other in twins.values()
            ]
            parts[photos[0].name] = _together(photos, tuple(twins))
            continue
        if len(photos) > most:
            notes.append(
                f"{_where(at)} has {len(photos)} photos, more than {most} of one part: each was judged by "
                "itself. Leave some out, or sort them into folders by part."
            )
        elif len(photos) > 1:
            notes.append(
                f"{_where(at)}: photos.csv gives its photos more than one {odd}: each was judged by "
                "itself. Sort them into folders by part, or give one."
            )
        single.update(p.name for p in group)
    original: dict[str, str] = {}
    kept = []
    for p in plan.photos:
        if p.name in single:
            # a photo whose twin is judged with others must be judged by itself here
            first = original.setdefault(p.duplicate_of or p.name, p.name)
            p = replace(p, duplicate_of=None if first == p.name else first)
            if p.duplicate_of is None:
                parts[p.name] = alone(p)
        kept.append(p)
    return replace(plan, photos=tuple(kept), notes=tuple(notes)), tuple(
        parts[p.name] for p in plan.photos if p.name in parts
    )


def _plain(text: str) -> str:
    return unicodedata.normalize("NFC", text).casefold()


def _where(at: Settled) -> str:
    return f"{at.boat}, {at.position}"


def _once(group: list[PlannedPhoto]) -> tuple[list[PlannedPhoto], dict[str, tuple[str, str]]]:
    """Photos of different content, and the others by name with what is told of them."""
    seen: dict[str, PlannedPhoto] = {}
    photos, twins = [], {}
    for p in group:
        first = seen.setdefault(p.sha256, p) if p.sha256 is not None else p
        if first is p:
            photos.append(p)
        else:
            twins[p.name] = (p.shown, first.shown)
    return photos, twins


def _differs(photos: list[PlannedPhoto]) -> str | None:
    """What the list says of these photos in more than one way, in words; None where they may be one part."""
    for what, word in (("template", "template"), ("weighed_g", "weight"), ("thickness_mm", "thickness")):
        if (
            len(
                {
                    (v, p.template_folder if what == "template" else "")
                    for p in photos
                    if (v := getattr(p, what)) is not None
                }
            )
            > 1
        ):
            return word
    return None


def _together(photos: list[PlannedPhoto], twins: tuple[str, ...]) -> Part:
    def said(what: str) -> PlannedPhoto:
        return next((p for p in photos if getattr(p, what) is not None), photos[0])

    by_template = said("template")
    return Part(
        tuple(replace(p, duplicate_of=None) for p in photos),
        by_template.template,
        by_template.template_folder,
        said("weighed_g").weighed_g,
        said("thickness_mm").thickness_mm,
        twins,
    )
