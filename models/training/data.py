"""Pack a folder of photos with masks for training, and list every file that goes in with its SHA-256.

    python data.py FOLDER [FOLDER ...] --photos photos.zip --manifest manifest.json

Two kinds of photo go in, also mixed. Blank paper, for any sheet to be printed on: NNN.jpg, NNN.metal.png
(remaining metal, antialiased), NNN.paper.png (visible paper)
and NNN.json with at least `layout` ("card" or "mat"), `paper_mm`, `paper_px` (its corners: bottom-left,
bottom-right, top-right, top-left as the paper is read).
Printed sheets, as `python -m anodewane.testing FOLDER` writes them: NNN.jpg, NNN.metal.png and
NNN.truth.json with the same keys and `sheet` (the layout's name).
Photos are brought to 1024 x 768. Masks stay lossless; photos of that size stay as they are.
Steel straps of a cast part (`straps`, `part_world`, `camera_world`, `focal_px`) are drawn as foreign.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import zipfile
from pathlib import Path

import cv2
import numpy as np

SIZE = (1024, 768)
KEPT = (
    "layout",
    "sheet",
    "paper_mm",
    "paper_px",
    "part_in_frame",
    "sheet_in_frame",
    "consumed_area",
    "ground",
    "part",
    "seed",
    "tilt_deg",
    "distance_mm",
    "foreign_known",
)


def paper_mask(corners_px: list[list[float]], metal: np.ndarray) -> np.ndarray:
    """What is seen of the sheet: the quadrilateral of its corners, less the metal."""
    paper = np.zeros_like(metal)
    cv2.fillPoly(paper, [np.round(np.array(corners_px) * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    return np.minimum(paper, 255 - metal)


def strap_mask(record: dict, metal: np.ndarray) -> np.ndarray:
    """What is seen of steel straps that stick out of a cast part: their boxes as the camera sees them, less
    the metal."""
    seen = np.zeros_like(metal)
    if not record.get("straps"):
        return seen
    part, camera = np.array(record["part_world"]), np.array(record["camera_world"])
    for x0, y0, x1, y1, z0, z1 in record["straps"]:
        box = (
            np.array([[x, y, z, 100.0] for x in (x0, x1) for y in (y0, y1) for z in (z0, z1)]) / 100
        )  # scene units of 100 mm
        eye = (np.linalg.inv(camera) @ (part @ box.T))[:3]
        # the camera looks down its own z axis, y up
        px = record["focal_px"] * eye[:2] / -eye[2] * np.array([[1.0], [-1.0]])
        px += (np.array([[record["width"]], [record["height"]]]) - 1) / 2
        hull = cv2.convexHull(px.T.astype(np.float32))
        cv2.fillPoly(seen, [np.round(hull * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    return np.minimum(seen, 255 - metal)


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
                printed = path.name.endswith(".truth.json")
                stem = path.name.removesuffix(".truth.json" if printed else ".json")
                record = json.loads(path.read_text())
                jpg = (folder / f"{stem}.jpg").read_bytes()
                rows.append([f"{folder.name}/{stem}", hashlib.sha256(jpg).hexdigest()])
                picture = cv2.imdecode(np.frombuffer(jpg, np.uint8), cv2.IMREAD_COLOR)
                metal = cv2.imread(str(folder / f"{stem}.metal.png"), cv2.IMREAD_GRAYSCALE)
                paper = (
                    paper_mask(record["paper_px"], metal)
                    if printed
                    else cv2.imread(str(folder / f"{stem}.paper.png"), cv2.IMREAD_GRAYSCALE)
                )
                foreign = strap_mask(record, metal)
                record["foreign_known"] = 0.0 if "straps" in record else 0.2
                resized = picture.shape[1::-1] != SIZE
                if resized:
                    zoom = SIZE[0] / picture.shape[1]
                    picture, metal, paper, foreign = (
                        cv2.resize(m, SIZE, interpolation=cv2.INTER_AREA)
                        for m in (picture, metal, paper, foreign)
                    )
                    record["paper_px"] = [[(v + 0.5) * zoom - 0.5 for v in p] for p in record["paper_px"]]
                masks = [metal, paper, foreign]
                key = f"{folder.name}-{int(record.get('seed', 0)):04d}-{stem}"
                if resized:
                    jpg = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes()
                z.writestr(f"{key}.jpg", jpg)
                z.writestr(
                    f"{key}.png",
                    cv2.imencode(".png", np.vstack(masks), [cv2.IMWRITE_PNG_COMPRESSION, 3])[1].tobytes(),
                )
                z.writestr(
                    f"{key}.json",
                    json.dumps({k: record[k] for k in KEPT if k in record} | {"printed": printed}),
                )

    a.manifest.write_text(json.dumps({"photos": rows, "held_out": "number % 20 == 7"}, indent=0) + "\n")
    print(f"{len(rows)} photos, {a.photos.stat().st_size / 1e6:.0f} MB")


if __name__ == "__main__":
    main()
