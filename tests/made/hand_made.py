"""Records made by hand, for tests of what comes after the judgement."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from anodewane.record import (
    SCHEMA_VERSION,
    AreaFigures,
    Consumed,
    HoleFinding,
    Interval,
    Label,
    Limits,
    Manual,
    MassFigures,
    Outline,
    PhotoFigures,
    Provenance,
    Reason,
    RecessionFigures,
    ScaleFigures,
    TemplateFigures,
    Verdict,
)
from anodewane.records import Given, ManualOutline, MetalMask


def ring(
    n: int = 90, radius: float = 300.0, centre: tuple[float, float] = (600.0, 450.0)
) -> tuple[tuple[float, float], ...]:
    """A flattened circle in photo pixels."""
    t = np.linspace(0, 2 * np.pi, n, endpoint=False)
    return tuple(
        (float(centre[0] + 1.4 * radius * np.cos(a)), float(centre[1] + radius * np.sin(a))) for a in t
    )


def judged(**changes: Any) -> Verdict:
    """A part to be replaced."""
    made = Verdict(
        schema_version=SCHEMA_VERSION,
        status="judged",
        verdict="replace",
        reasons=(
            Reason(
                "past_limit", "About 62 % of the metal is gone: at or past the limit.", "Replace the part."
            ),
        ),
        limits=Limits(50.0, 30.0, "half of the mass gone, the usual rule for pleasure craft"),
        consumed=Consumed(Interval(35.224, 33.1, 37.0), Interval(62.0, 55.0, 70.0), 0.9),
        area=AreaFigures(9000.0, 5830.0),
        mass=MassFigures(800.0, Interval(304.0, 240.0, 360.0), "recession"),
        recession_mm=RecessionFigures(
            mean=5.1,
            p95=8.2,
            max=11.0,
            worst_part_mm=(40.0, 20.0),
            one_sided=False,
            side_mm=0.6,
            worse_side=(1.0, 0.0),
            worst_photo_px=(800.0, 630.0),
        ),
        remaining_thickness_mm=Interval(10.0, 8.0, 12.0),
        holes=(HoleFinding(0, 9.0, 12.5, 3.5, 20.0, "grown"),),
        pieces_lost=0,
        outline=Outline((ring(radius=240),), (ring(radius=24, centre=(0.0, 0.0)),)),
        scale=ScaleFigures(
            "card",
            12.3,
            704.0,
            0.11,
            40,
            0.4,
            (100.0, 100.0),
            "exif",
            ((40.0, 500.0), (400.0, 500.0), (400.0, 760.0), (40.0, 760.0)),
            (210.0, 148.0),
        ),
        template=TemplateFigures(
            "plate-made-up", "flush", "plate", "zinc", 24.0, "ab" * 32, False, 10.0, False, "holes", (ring(),)
        ),
        label=Label("Ñandú", "skeg aft"),
        photo=PhotoFigures("Ñandú 3.jpg", "0123456789abcdef" * 4, 1200, 900, "2026-03-14T10:22:31"),
        budget={"print_scale": 0.8, "edge": 0.35},
        cautions=(),
        provenance=Provenance("0.1.0", "0123456789abcdef", "classical", None, {"numpy": "2.4.6"}, None),
    )
    return replace(made, **changes)


def refused(**changes: Any) -> Verdict:
    """A photo that can't be judged."""
    made = judged(
        status="cannot_judge",
        verdict=None,
        reasons=(
            Reason(
                "no_sheet",
                "No scale sheet is seen in the photo (0 markers read).",
                "Lay the printed sheet flat beside the part.",
            ),
        ),
        consumed=None,
        area=None,
        mass=None,
        recession_mm=None,
        remaining_thickness_mm=None,
        holes=(),
        pieces_lost=None,
        outline=None,
        scale=None,
        template=None,
        budget={},
    )
    return replace(made, **changes)


def signed(verdict: Verdict) -> Verdict:
    """With a handed outline."""
    return replace(
        verdict,
        provenance=replace(
            verdict.provenance, segmenter="manual", manual=Manual("M. Example", "2026-03-15", "cd" * 32)
        ),
    )


def outlined(mask: MetalMask, **more: float) -> Given:
    """What is given where a person outlined the metal so."""
    return Given(**more, outline=ManualOutline(mask, Manual(None, None, "0" * 64)))  # type: ignore[arg-type]
