"""Make the drawn sample photos again: ``python sample_images/make.py``. Everything in them is invented and
drawn by `anodewane.testing`; the path-traced ones are kept as files.

``--only NAME`` makes one. The HEIC needs pillow-heif, which the development extra brings.
"""

from __future__ import annotations

import argparse
import io
import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from anodewane.catalog.templates import builtin_templates, template_to_toml
from anodewane.testing import (
    RenderedPhoto,
    Scene,
    WearPattern,
    encode_jpeg,
    erode,
    look_at,
    placement,
    render,
    waste_to,
)

HERE = Path(__file__).parent
YARD = "Low Marsh Yard (invented)"


@dataclass(frozen=True)
class Sample:
    """One photo: whose part, how it wore, where the camera stood and what should come out."""

    name: str
    boat: str
    position: str
    template: str
    consumed: float
    verdict: str | None
    reason: str
    """Code of the first reason; several where the interval decides which."""
    wear: WearPattern
    part: tuple[float, tuple[float, float]]
    camera: dict[str, Any]
    scene: dict[str, Any] = field(default_factory=dict)
    file: str = "jpg"
    orientation: int = 1


SAMPLES = (
    Sample(
        "replace", "Marram", "rudder, port", "plate-150x75x20-2slots", 0.68, "replace", "past_limit",
        WearPattern(face_ratio=1.25, skirt_mm=2.0, skirt_share=0.8, unevenness=0.25, pit_mm=0.6,
        rounding=0.6, seed=11),
        (8.0, (5.0, -128.0)),
        {"target_mm": (0, -48), "distance_mm": 800, "tilt_deg": 7, "azimuth_deg": 200, "roll_deg": 86,
        "f35": 52.0},
        {"layout": "card", "label": "Marram rudder port", "ground": "planks",
         "sun_height_deg": 55, "sun_share": 0.45, "sun_radius_deg": 6, "metal_light": 0.5, "seed": 3},
    ),
    Sample(
        "watch", "Marram", "transom", "plate-120x60x16-2holes", 0.35, "monitor", "watch could_be_past_limit",
        WearPattern(face_ratio=1.25, skirt_mm=1.5, skirt_share=0.85, unevenness=0.2, pit_mm=0.4,
        rounding=0.5, seed=12),
        (-6.0, (0.0, 2.0)),
        {"target_mm": (5, 0), "distance_mm": 820, "tilt_deg": 5, "azimuth_deg": 20, "roll_deg": 92,
        "f35": 52.0},
        {"layout": "mat-a4", "label": "Marram transom", "ground": "tarp",
         "sun_height_deg": 60, "sun_share": 0.35, "sun_radius_deg": 10, "metal_light": 0.3, "seed": 4},
    ),
    Sample(
        "sound", "Sea Aster", "keel, aft", "ring-90x42x18", 0.12, "ok", "sound",
        WearPattern(face_ratio=1.0, unevenness=0.15, pit_mm=0.2, rounding=0.4, seed=13),
        (0.0, (-8.0, 130.0)),
        {"target_mm": (0, 35), "distance_mm": 760, "tilt_deg": 9, "azimuth_deg": -60, "roll_deg": 150,
        "f35": 52.0},
        {"layout": "card", "label": "Sea Aster keel aft", "ground": "brick", "ground_light": 0.7,
         "sun_height_deg": 50, "sun_share": 0.5, "sun_radius_deg": 3, "metal_light": 0.5, "seed": 18},
    ),
    Sample(
        "no-wear", "Sea Aster", "shaft bracket", "teardrop-plain", 0.0, "ok", "no_measurable_wear",
        WearPattern(seed=14),
        (12.0, (4.0, -3.0)),
        {"target_mm": (0, 0), "distance_mm": 850, "tilt_deg": 4, "azimuth_deg": 120, "roll_deg": 88,
        "f35": 52.0},
        {"layout": "mat-a4", "label": "Sea Aster bracket", "ground": "concrete",
         "sun_height_deg": 62, "sun_share": 0.3, "sun_radius_deg": 12, "metal_light": 0.33,
         "metal_mottle": 0.15, "bump": 0.05, "seed": 5},
    ),
    Sample(
        "refuse", "Glasswort", "skeg", "plate-120x60x16-2holes", 0.30, None, "sheet_too_little",
        WearPattern(face_ratio=1.2, unevenness=0.2, rounding=0.5, seed=15),
        (70.0, (152.0, 10.0)),
        {"target_mm": (398, 10), "distance_mm": 420, "tilt_deg": 10, "azimuth_deg": 10, "roll_deg": 90,
        "f35": 26.0},
        {"layout": "card", "label": "Glasswort skeg", "ground": "planks", "sun_share": 0.5,
        "metal_light": 0.5, "seed": 6},
    ),
    Sample(
        "rod", "Glasswort", "sea cock strainer", "rod-180x25", 0.62, "replace", "past_limit",
        WearPattern(unevenness=0.15, uneven_scale_mm=60, pit_mm=0.3, rounding=0.6, seed=19),
        (4.0, (0.0, 108.0)),
        {"target_mm": (0, 25), "distance_mm": 780, "tilt_deg": 8, "azimuth_deg": 75, "roll_deg": -5,
        "f35": 52.0},
        {"layout": "card", "label": "Glasswort strainer", "ground": "tarp",
         "sun_height_deg": 55, "sun_share": 0.4, "sun_radius_deg": 8, "metal_light": 0.5, "seed": 11},
    ),
    Sample(
        "turned", "Samphire", "rudder, starboard", "triangle-120x105x22-1hole", 0.62, "replace", "past_limit",
        WearPattern(face_ratio=1.25, skirt_mm=2.0, skirt_share=0.8, unevenness=0.2, pit_mm=0.4,
        rounding=0.6, seed=17),
        (160.0, (8.0, 0.0)),
        {"target_mm": (0, 0), "distance_mm": 880, "tilt_deg": 6, "azimuth_deg": 250, "roll_deg": 93,
        "f35": 52.0},
        {"layout": "mat-a4", "label": "Samphire rudder stbd", "ground": "brick",
         "sun_height_deg": 60, "sun_share": 0.3, "sun_radius_deg": 12, "metal_light": 0.28, "seed": 8},
        orientation=6,
    ),
    Sample(
        "phone", "Samphire", "keel, forward", "plate-95x95x18-1hole", 0.20, "ok", "sound",
        WearPattern(face_ratio=1.25, unevenness=0.15, rounding=0.5, seed=18),
        (20.0, (0.0, -135.0)),
        {"target_mm": (0, -40), "distance_mm": 800, "tilt_deg": 5, "azimuth_deg": 90, "roll_deg": 100,
        "f35": 52.0},
        {"layout": "card", "label": "Samphire keel fwd", "ground": "tarp",
         "sun_height_deg": 58, "sun_share": 0.4, "sun_radius_deg": 8, "metal_light": 0.5, "blur_px": 1.6,
         "noise": 5e-5, "seed": 21},
        file="heic",
    ),
)  # fmt: skip


def template_of(sample: Sample) -> Any:
    """The new part: a built-in one, or for "teardrop-plain" one of the yard's own, drawn full
    to its outline."""
    if sample.template != "teardrop-plain":
        return builtin_templates()[sample.template]
    from dataclasses import replace

    return replace(builtin_templates()["teardrop-130x65x26-2holes"], name="teardrop-plain", fill_factor=1.0)


def photo_of(sample: Sample) -> RenderedPhoto:
    """Render a sample, without EXIF and file format."""
    width, height = (4032, 3024) if sample.file == "heic" else (2016, 1512)
    scene = {"noise": 1.5e-4, "jpeg_quality": 82, "vignette": 0.08} | sample.scene
    template = template_of(sample)
    solid = (
        waste_to(template, sample.wear, sample.consumed) if sample.consumed else erode(template, sample.wear)
    )
    camera = dict(sample.camera)
    eye = look_at(camera.pop("target_mm"), width=width, height=height, k1=0.004, **camera)
    return render(
        template,
        solid,
        eye,
        Scene(**scene),
        sheet_from_part=placement(*sample.part),
        width=width,
        height=height,
        split="sample",
    )


def file_of(sample: Sample, photo: RenderedPhoto) -> bytes:
    """The photo as the phone stores it."""
    if sample.file == "jpg":
        return photo.jpeg(sample.orientation)
    import pillow_heif
    from PIL import Image

    with Image.open(
        io.BytesIO(encode_jpeg(photo.rgb[:8, :8], f35=photo.f35, seed=photo.scene.seed))
    ) as small:
        exif = small.getexif().tobytes()
    buffer = io.BytesIO()
    pillow_heif.from_pillow(Image.fromarray(photo.rgb)).save(buffer, quality=35, exif=exif)
    return buffer.getvalue()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", help="name of the one sample to make")
    parser.add_argument("--masks", type=Path, help="also write the true masks into this folder")
    options = parser.parse_args()
    (HERE / "templates").mkdir(exist_ok=True)
    for sample in SAMPLES:
        if options.only not in (None, sample.name):
            continue
        photo = photo_of(sample)
        data = file_of(sample, photo)
        (HERE / f"{sample.name}.{sample.file}").write_bytes(data)
        own = {
            "yard": YARD,
            "boat": sample.boat,
            "position": sample.position,
            "file": f"{sample.name}.{sample.file}",
            "template": f"templates/{sample.template}.toml",
        }
        expected = {"verdict": sample.verdict, "one_of_reasons": sample.reason.split()}
        (HERE / f"{sample.name}.truth.json").write_text(
            json.dumps(own | {"expected": expected} | photo.truth, indent=1) + "\n"
        )
        (HERE / "templates" / f"{sample.template}.toml").write_text(template_to_toml(template_of(sample)))
        if options.masks:
            photo.write(options.masks, sample.name)
        print(
            f"{sample.name}.{sample.file}: {len(data) // 1000} kB, "
            f"{100 * photo.truth['consumed_volume']:.1f} % gone"
        )


if __name__ == "__main__":
    main()
