"""What a run has to do: a folder's plan held against the ledger and the outputs that are there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import TypedDict

from anodewane.batch.key import Keys
from anodewane.batch.known import KnownParts
from anodewane.batch.ledger import Ledger
from anodewane.batch.parts import Part, each_alone, of_one_part, with_labels
from anodewane.batch.place import Place
from anodewane.batch.placing import Placing, settle
from anodewane.batch.plan import Plan, hash_photos
from anodewane.batch.work import Item, Outcome
from anodewane.errors import InputUnreadable, UsageError
from anodewane.judgement.method import Method
from anodewane.records import Given, Template

GRADES = ("replace", "monitor", "ok", "cannot_judge", "unreadable", "crashed", "fault")
"""What `Request.only` may name: the verdicts and what stands in their place."""


class Asked(TypedDict, total=False):
    """What `judge_folder` and `plan_folder` are asked; as in `Request`."""

    template: Template | None
    check_line_mm: tuple[float, float] | None
    method: Method
    only: Sequence[str]
    levels: tuple[str, ...] | None
    parts: KnownParts | None
    same_part: bool
    skip: bool


@dataclass(frozen=True, slots=True)
class Request:
    """What a run is asked to do.

    Raises
    ------
    UsageError
        `only` names no verdict.
    """

    template: Template | None = None
    """The new part, for photos to which no photos.csv gives another; None takes the best fit of the
    library, photo by photo."""
    check_line_mm: tuple[float, float] | None = None
    """What the 100 mm lines of the sheet measure that all photos show."""
    method: Method = field(default_factory=Method)
    """How photos are judged; its segmenter by name."""
    only: Sequence[str] = ()
    """Judge again those photos only whose last outcome is one of these (`GRADES`), whatever it was made
    with; others stay as they are."""
    levels: tuple[str, ...] | None = None
    """What the folders stand for, from `placing.parse_levels`."""
    parts: KnownParts | None = None
    """Gives a template for each boat and position, before `template` and after photos.csv, and what
    weighed parts of each have shown. Labels are then read before anything is judged, and the library
    never stands in for a part that isn't known."""
    skip: bool = False
    """Judge what `parts` can take in and leave out the rest, instead of stopping before it."""
    same_part: bool = False
    """Judge two to eight photos of one boat and position together, as photos of one part that lay still;
    others by themselves (`parts.of_one_part`)."""

    def __post_init__(self) -> None:
        for grade in self.only:
            if grade not in GRADES:
                raise UsageError(
                    f"There is no outcome '{grade}' to judge again.", f"Known: {', '.join(GRADES)}."
                )

    @property
    def own_method(self) -> Method:
        """The method, with what the book's weighed parts have shown."""
        if self.parts is None:
            return self.method
        return replace(self.method, face_scales={**self.method.face_scales, **self.parts.face_scales})


@dataclass(frozen=True, slots=True)
class Job:
    """A folder's plan held against the ledger. items : what is to be judged; kept : outcomes that hold,
    by photo name; moved : outcomes whose outputs need only be copied to a new name, by photo name;
    parts : what is judged, every photo in one of them but for duplicates."""

    plan: Plan
    parts: tuple[Part, ...]
    items: tuple[Item, ...]
    kept: Mapping[str, Outcome]
    moved: Mapping[str, Outcome]
    templates: Mapping[str, Template]
    problems: tuple[str, ...] = ()
    """What the book can't take in, by photo; it isn't judged."""


def plan_job(request: Request, source: Place, ledger: Ledger, plan: Plan, target: Place) -> Job:
    """Hold a plan against the ledger and the outputs that are there."""
    if request.same_part:
        plan, units = _put_together(plan, source, ledger, request.levels)
    else:
        units = each_alone(plan)
    keys = Keys(request.own_method)
    templates: dict[str, Template] = {}
    default = keys.template(request.template, templates)
    by_list: dict[tuple[str, str], str | None] = {}
    there = {e.name: e.size_bytes for e in target.entries()} if ledger.started else {}
    items: list[Item] = []
    kept: dict[str, Outcome] = {}
    moved: dict[str, Outcome] = {}
    problems: list[str] = []
    heard: dict[str, tuple[Placing, ...]] = {}
    if request.parts is not None:
        heard = {p.name: p.placings for p in with_labels(plan, known_labels(plan, ledger)).photos}
    for unit in units:
        photo, others = unit.first, unit.others
        key = default
        if unit.template is not None:
            where = (unit.template_folder, unit.template)
            if where not in by_list:
                by_list[where] = keys.template(_listed_template(unit, source), templates)
            key = by_list[where]
        if request.parts is not None:
            at = settle(unit.placings if others else heard[photo.name])
            named = templates[key] if key is not None else None
            part = request.parts.template_at(at.boat, at.position) if at.boat and at.position else None
            if unit.template is None and part is not None:
                key, named = keys.template(part, templates), None
            problem = request.parts.problem_at(at.boat, at.position, named)
            if problem is not None:
                problems.append(f"{photo.shown}: {problem}")
                continue
        given = Given(unit.weighed_g, unit.thickness_mm, request.check_line_mm)
        item = Item(
            photo.name,
            photo.out_name,
            key,
            given,
            keys.of(key, templates.get(key) if key else None, given, bool(others)),
            photo.stamp,
            tuple(n for n, _ in others),
        )
        if request.only:
            last = ledger.latest(photo.name)
            if last is not None and tuple(n for n, _ in last.others) != item.others:
                continue  # of another part
            if last is not None and (last.verdict or last.status) in request.only:
                items.append(item)
            elif (
                last is not None
                and (photo.sha256 is None or last.photo_sha256 in (None, photo.sha256))
                and last.others == others
            ):
                kept[photo.name] = last
            continue
        done = ledger.finished(photo.name, photo.sha256, item.digest, others) if photo.sha256 else None
        if done is not None and _whole(done, there) and done.out_name == photo.out_name:
            kept[photo.name] = done
            continue
        old = ledger.moved(photo.name, photo.sha256, item.digest, others) if photo.sha256 else None
        if old is not None and old.name != photo.name and _whole(old, there):
            moved[photo.name] = old
        else:
            items.append(item)
    return Job(
        plan,
        units,
        tuple(items),
        MappingProxyType(kept),
        MappingProxyType(moved),
        MappingProxyType(templates),
        tuple(problems),
    )


def _put_together(
    plan: Plan, source: Place, ledger: Ledger, levels: tuple[str, ...] | None
) -> tuple[Plan, tuple[Part, ...]]:
    """Photos by boat and position, labels heard; and the contents of those that are judged together
    hashed, for a result goes by all of them."""
    from anodewane.views.together import MOST

    plan, units = of_one_part(with_labels(plan, known_labels(plan, ledger)), levels, MOST)
    unknown = [p.name for u in units if len(u.photos) > 1 for p in u.photos if p.sha256 is None]
    found = hash_photos(unknown, source)
    plan = with_hashes(plan, found)
    by_name = {p.name: p for p in plan.photos}
    units = tuple(
        replace(u, photos=tuple(replace(p, sha256=by_name[p.name].sha256) for p in u.photos)) for u in units
    )
    hashes = tuple(
        (p.name, p.stamp, found[p.name], p.likeness)
        for p in plan.photos
        if p.stamp is not None and p.name in found
    )
    return replace(plan, hashes=(*plan.hashes, *hashes)), units


def known_labels(plan: Plan, ledger: Ledger) -> dict[str, tuple[str | None, str | None]]:
    """What is known of the photos' labels, by photo name."""
    reader = label_reader()
    found = {p.name: ledger.label_of(p.sha256, reader) for p in plan.photos if p.sha256 is not None}
    return {name: label for name, label in found.items() if label is not None}


def label_reader() -> str:
    """By which a label's reading is known in the ledger: a later version may read more of them."""
    from anodewane.version import own_version

    return own_version()


def with_hashes(plan: Plan, found: Mapping[str, str]) -> Plan:
    """The plan with the SHA-256 of photos, by name."""
    return replace(
        plan, photos=tuple(replace(p, sha256=found[p.name]) if p.name in found else p for p in plan.photos)
    )


def _listed_template(part: Part, source: Place) -> Template:
    """The template that a photos.csv names: a built-in one, or a file beside the list."""
    from anodewane.catalog.templates import builtin_templates, load_template, template_from_toml

    assert part.template is not None
    try:
        if part.template in builtin_templates() or not part.template.casefold().endswith(".toml"):
            return load_template(part.template)
        return template_from_toml(
            source.read(f"{part.template_folder}{part.template.removeprefix('./')}").decode("utf-8-sig")
        )
    except (UsageError, InputUnreadable) as e:
        raise UsageError(
            f"The template '{part.template}' of photos.csv, for '{part.first.shown}', can't be used: "
            f"{e.message}",
            e.remedy,
        ) from e
    except UnicodeDecodeError as e:
        raise UsageError(
            f"The template '{part.template}' of photos.csv, for '{part.first.shown}', isn't text in UTF-8.",
            "Save it as UTF-8 text.",
        ) from e


def _whole(outcome: Outcome, there: Mapping[str, int | None]) -> bool:
    """Whether its outputs lie there at the size that was written."""
    return all(there.get(name) == size for name, size in outcome.files)
