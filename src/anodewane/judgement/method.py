"""How photos are judged: the same for every part of a run. What is known of one part is `records.Given`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from anodewane.record import LensProfile
from anodewane.records import Template
from anodewane.settings import Settings
from anodewane.stages.segment import Segmenter, get_segmenter


@dataclass(frozen=True, slots=True)
class FaceScale:
    """How fast the faces of one template's parts waste, against the law that `Settings` states for all:
    what weighed parts of the template have shown."""

    scale: float
    """Thickness lost over what the law says."""
    scale_sd: float
    """One-sigma of that, as a share of the thickness lost."""
    part_sd: float
    """One-sigma from part to part of this template, as a share of the thickness lost."""


@dataclass(frozen=True, slots=True)
class Method:
    """How photos are judged. Pickles, so that it can be sent to a worker once."""

    settings: Settings = field(default_factory=Settings)
    """Every knob."""
    segmenter: Segmenter | str = "network"
    """Who tells metal from the rest: one of those that are known by name, or another of its kind."""
    lens: LensProfile | None = None
    """The phone's lens as `anodewane camera` measured it."""
    face_scales: Mapping[str, FaceScale] = field(default_factory=dict)
    """The season's book's, by the template's name; the others go by the law as it is."""

    def settings_for(self, template: Template | None) -> Settings:
        """The settings that parts of a template are judged with; None: the template isn't known."""
        own = self.face_scales.get(template.name) if template is not None else None
        if own is None:
            return self.settings
        return replace(
            self.settings, face_scale=own.scale, face_scale_sd=own.scale_sd, face_ratio_sd=own.part_sd
        )

    def get_segmenter(self) -> Segmenter:
        """The segmenter.

        Raises
        ------
        UsageError
            No segmenter has that name.
        ModelError
            The network's file is missing or altered.
        """
        return get_segmenter(self.segmenter) if isinstance(self.segmenter, str) else self.segmenter
