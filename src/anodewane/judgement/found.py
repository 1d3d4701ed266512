"""What the stages of one judgement have found so far."""

from __future__ import annotations

from dataclasses import dataclass, field

from anodewane.judgement.method import Method
from anodewane.record import Label
from anodewane.records import CardSighting, Given, MetalMask, Photo, Placement, Plane, Template, Wear
from anodewane.settings import Settings


@dataclass(slots=True)
class Found:
    """What the stages have found so far; a refusal leaves the later fields empty."""

    photo: Photo
    given: Given = field(default_factory=Given)
    method: Method = field(default_factory=Method)
    template: Template | None = None
    chosen: bool = False
    may_be: tuple[str, ...] = ()
    sighting: CardSighting | None = None
    plane: Plane | None = None
    label: Label | None = None
    mask: MetalMask | None = None
    placement: Placement | None = None
    wear: Wear | None = None
    segmenter: str | None = None
    model_sha256: str | None = None

    @property
    def settings(self) -> Settings:
        """The settings that this part is judged with."""
        return self.method.settings_for(None if self.chosen else self.template)
