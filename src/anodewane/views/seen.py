"""A photo on its way through a joint fit, and one side of a part as its photos show it."""

from __future__ import annotations

from dataclasses import dataclass

from anodewane.judgement.found import Found
from anodewane.records import (
    CardSighting,
    ManualOutline,
    MetalMask,
    Photo,
    Plane,
)
from anodewane.views.agree import Agreement
from anodewane.views.face import FaceHeights
from anodewane.views.fit import SolidFit
from anodewane.views.law import (
    Setting,
)
from anodewane.views.model import Solid

MOST = 8
"""Photos of one part that are judged together."""

FACE_FROM_DEG = 27.0
"""Elevation above the bench from which a photo shows the face well enough to be matched."""


@dataclass(slots=True)
class View:
    """One photo on its way through. mask is None until it is found; as_it_is : whether the sheet was
    found in the photo as it is."""

    photo: Photo
    sighting: CardSighting
    plane: Plane
    mask: MetalMask | None
    outline: ManualOutline | None = None
    elevation_deg: float = 90.0
    as_it_is: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """One side of a part as its photos show it. views[0] is the one from above; found : what it says
    alone; matched : heights of the face, face_views : the photos that they were matched between;
    hidden_mm, hidden_sd_mm : mean thickness over the plan that the solid has too much
    (`law.hidden_mm`)."""

    views: tuple[View, ...]
    found: Found
    solid: Solid
    setting: Setting
    fit: SolidFit
    agreements: tuple[Agreement, ...]
    matched: FaceHeights | None
    face_views: tuple[int, ...]
    hidden_mm: float
    hidden_sd_mm: float


def named(view: View, text: str) -> str:
    return f"'{view.photo.source.name}': {text}"
