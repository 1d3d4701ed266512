"""Cut grounds for training from panoramas (OpenEXR, CC0) and from scikit-image's own textures: what lies at
the photographer's feet, seen from above.

    python grounds.py [--panoramas DIR] [--textures DIR] --grounds grounds.zip

The panoramas' folder holds .exr files, or the `hdri/*.exr.js` of the npm package @pmndrs/assets (base64 in
a module).
Training goes without this file too: made grounds take its place.
"""

from __future__ import annotations

import argparse
import base64
import re
import tempfile
import zipfile
from pathlib import Path

import cv2
import numpy as np

SIDE = 384
VIEWS = ((0.0, 0.0, 2.2), (2.0, 0.0, 1.6), (-2.0, 1.0, 1.6), (0.0, -2.5, 1.6))
"""Centre x, y and half width of each square of ground, in heights of the camera."""


def read_exr(path: Path) -> np.ndarray:
    import OpenEXR

    data = (
        path.read_bytes()
        if path.suffix == ".exr"
        else base64.b64decode(re.search(r"base64,([A-Za-z0-9+/=]+)", path.read_text()).group(1))
    )  # type: ignore[union-attr]
    with tempfile.NamedTemporaryFile(suffix=".exr") as f:
        f.write(data)
        f.flush()
        channels = OpenEXR.File(f.name).channels()
        joined = next((channels[n].pixels[..., :3] for n in ("RGB", "RGBA") if n in channels), None)
        return np.asarray(
            np.stack([channels[c].pixels for c in "RGB"], -1) if joined is None else joined, np.float32
        )


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("--panoramas", type=Path)
    ap.add_argument("--grounds", type=Path, required=True)
    ap.add_argument("--textures", type=Path, help="folder of grounds photographed from above, NAME.jpg")
    a = ap.parse_args()
    out = []
    for path in sorted([*a.panoramas.glob("*.exr"), *a.panoramas.glob("*.exr.js")]) if a.panoramas else []:
        sky = read_exr(path)
        h, w = sky.shape[:2]
        for cx, cy, half in VIEWS:
            u = np.linspace(-half, half, SIDE)
            x, y = np.meshgrid(cx + u, cy + u)
            down, round_ = np.arctan2(1.0, np.hypot(x, y)), np.arctan2(y, x)
            mx, my = (
                ((round_ / (2 * np.pi) + 0.5) * w - 0.5).astype(np.float32),
                ((0.5 + down / np.pi) * h - 0.5).astype(np.float32),
            )
            t = cv2.remap(sky, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
            t = np.clip(t / max(1e-6, float(np.percentile(t.mean(-1), 90))) * 0.6, 0, 1)
            out.append(
                (np.where(t <= 0.0031308, 12.92 * t, 1.055 * t ** (1 / 2.4) - 0.055) * 255).astype(np.uint8)
            )
    for path in sorted(a.textures.glob("*.jpg")) if a.textures else []:
        texture = cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_COLOR)[..., ::-1]
        out.append(cv2.resize(texture, (SIDE, SIDE), interpolation=cv2.INTER_AREA))
    import skimage.data

    for name, tint in (("brick", (170, 100, 80)), ("grass", (90, 130, 60)), ("gravel", (150, 140, 125))):
        grey = cv2.resize(getattr(skimage.data, name)(), (SIDE, SIDE), interpolation=cv2.INTER_AREA)[
            ..., None
        ]
        out += [np.repeat(grey, 3, 2), np.clip(grey / grey.mean() * np.array(tint), 0, 255).astype(np.uint8)]
    with zipfile.ZipFile(a.grounds, "w", zipfile.ZIP_STORED) as z:
        for i, t in enumerate(out):
            z.writestr(
                f"{i:03d}.jpg",
                cv2.imencode(".jpg", t[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 88])[1].tobytes(),
            )
    print(len(out), "grounds")


if __name__ == "__main__":
    main()
