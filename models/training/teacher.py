"""Let a general salient-object network mark the one thing in each photo of a folder, and keep where its two
looks agree.

    python teacher.py PHOTOS NETWORK.onnx --masks DIR [--take 230]

The second look is closer, round what the first one found. DIR gets NAME.png (0 to 255) and agreed.json, the
overlap of
the two looks. The network's input is 320 x 320, as published with U2-Net (Qin et al. 2020, Apache 2.0).
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np

MEAN, SPREAD = np.float32([0.485, 0.456, 0.406]), np.float32([0.229, 0.224, 0.225])


def look(session: Any, rgb: np.ndarray) -> np.ndarray:
    x = cv2.resize(rgb, (320, 320), interpolation=cv2.INTER_AREA if max(rgb.shape) > 320 else cv2.INTER_CUBIC)
    x = (x.astype(np.float32) / x.max() - MEAN) / SPREAD
    p = session.run(
        [session.get_outputs()[0].name], {session.get_inputs()[0].name: x.transpose(2, 0, 1)[None]}
    )[0][0, 0]
    p = (p - p.min()) / (np.ptp(p) + 1e-6)
    return cv2.resize(p, rgb.shape[1::-1], interpolation=cv2.INTER_LINEAR)


def two_looks(session: Any, rgb: np.ndarray) -> tuple[np.ndarray | None, float]:
    """The second look's map (h, w), None where nothing is seen, and the overlap of both."""
    first = look(session, rgb)
    rows, cols = np.nonzero(first > 0.5)
    if len(rows) < 300:
        return None, 0.0
    (h, w), pad = first.shape, int(0.18 * max(np.ptp(rows), np.ptp(cols))) + 6
    top, bottom = max(0, rows.min() - pad), min(h, rows.max() + pad)
    left, right = max(0, cols.min() - pad), min(w, cols.max() + pad)
    second = np.zeros_like(first)
    second[top:bottom, left:right] = look(session, np.ascontiguousarray(rgb[top:bottom, left:right]))
    a, b = first > 0.5, second > 0.5
    return second, float((a & b).sum() / max(1, (a | b).sum()))


def main() -> None:
    import onnxruntime as ort

    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("photos", type=Path)
    ap.add_argument("network", type=Path)
    ap.add_argument("--masks", type=Path, required=True)
    ap.add_argument("--take", type=int, help="at most so many photos")
    a = ap.parse_args()
    a.masks.mkdir(parents=True, exist_ok=True)
    options = ort.SessionOptions()
    options.intra_op_num_threads = 1
    session = ort.InferenceSession(str(a.network), options, providers=["CPUExecutionProvider"])
    agreed = {}
    for file in sorted(a.photos.glob("*.jpg"))[: a.take]:
        picture = cv2.imdecode(np.frombuffer(file.read_bytes(), np.uint8), cv2.IMREAD_COLOR)
        mask, agreed[file.stem] = two_looks(session, np.ascontiguousarray(picture[..., ::-1]))
        if mask is not None:
            (a.masks / f"{file.stem}.png").write_bytes(
                cv2.imencode(".png", (mask * 255).astype(np.uint8))[1].tobytes()
            )
    (a.masks / "agreed.json").write_text(json.dumps(agreed))
    print(sum(v > 0.94 for v in agreed.values()), "of", len(agreed), "agreed on")


if __name__ == "__main__":
    main()
