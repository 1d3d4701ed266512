"""Pack a folder of photos with masks for training, and list every file that goes in with its SHA-256.

    python data.py FOLDER [FOLDER ...] --photos photos.zip --manifest manifest.json

A photo NNN has NNN.jpg (sheet still blank), NNN.metal.png (remaining metal, antialiased), NNN.paper.png (visible paper) and NNN.json with at least
`layout` ("card" or "mat"), `paper_mm`, `paper_px` (its corners: bottom-left, bottom-right, top-right, top-left as the paper is
read). Masks stay lossless; photos become WebP at quality 88.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import zipfile
from pathlib import Path

import cv2
import numpy as np

KEPT = ("layout", "paper_mm", "paper_px", "part_in_frame", "sheet_in_frame", "consumed_area", "ground", "part", "seed", "tilt_deg", "distance_mm")


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("folders", type=Path, nargs="+")
    ap.add_argument("--photos", type=Path, required=True)
    ap.add_argument("--manifest", type=Path, required=True)
    a = ap.parse_args()
    rows = []
    with zipfile.ZipFile(a.photos, "w", zipfile.ZIP_STORED) as z:
        for folder in a.folders:
            for path in sorted(folder.glob("*.json")):
                stem = path.stem
                record = json.loads(path.read_text())
                jpg = (folder / f"{stem}.jpg").read_bytes()
                picture = cv2.imdecode(np.frombuffer(jpg, np.uint8), cv2.IMREAD_COLOR)
                masks = [cv2.imread(str(folder / f"{stem}.{kind}.png"), cv2.IMREAD_GRAYSCALE) for kind in ("metal", "paper")]
                key = f"{folder.name}-{int(record.get('seed', 0)):04d}-{stem}"
                z.writestr(f"{key}.webp", cv2.imencode(".webp", picture, [cv2.IMWRITE_WEBP_QUALITY, 88])[1].tobytes())
                z.writestr(f"{key}.png", cv2.imencode(".png", np.vstack(masks), [cv2.IMWRITE_PNG_COMPRESSION, 9])[1].tobytes())
                z.writestr(f"{key}.json", json.dumps({k: record[k] for k in KEPT if k in record}))
                rows.append([f"{folder.name}/{stem}", hashlib.sha256(jpg).hexdigest()])
    a.manifest.write_text(json.dumps({"photos": rows, "held_out": "number % 20 == 7"}, indent=0) + "\n")
    print(f"{len(rows)} photos, {a.photos.stat().st_size / 1e6:.0f} MB")


if __name__ == "__main__":
    main()
