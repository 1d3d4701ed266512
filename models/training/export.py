"""Write the trained weights as ONNX with their lock file: fp32, and int8 if asked for.

python export.py --weights OUT/segmenter.pt --manifest manifest.json --to ../ [--int8 --photos photos.zip]
"""

from __future__ import annotations

import argparse
import hashlib
import json
from pathlib import Path
from typing import Any

import numpy as np
import torch
from net import IN_CHANNELS, UNet

from anodewane.stages.segment import CHANNEL_STEP, SCALE_MID_MM, SCALE_OCTAVES
from anodewane.weights import LOCK_FILE, LOCK_FORMAT, MODEL_FILE


def lock_of(model: bytes, kind: str, manifest: dict[str, Any] | None) -> dict[str, Any]:
    return {
        "format": LOCK_FORMAT,
        "sha256": hashlib.sha256(model).hexdigest(),
        "bytes": len(model),
        "kind": kind,
        "input": {"name": "flat", "shape": [1, IN_CHANNELS, None, None]},
        "output": {"name": "metal_logit", "shape": [1, 1, None, None]},
        "sides_multiple_of": CHANNEL_STEP,
        "normalisation": {
            "channels": ["red", "green", "blue", "sheet", "print", "scale"],
            "rgb": "sRGB 0 to 1, less 0.5; 0 outside the photo",
            "sheet, print": "0 to 1, less 0.5",
            "scale": f"log2(mm_per_px / {SCALE_MID_MM}) / {SCALE_OCTAVES}",
        },
        "licence": "MIT",
        "trained_from": "models/training/manifest.json",
        "manifest_sha256": None if manifest is None else hashlib.sha256(json.dumps(manifest, sort_keys=True).encode()).hexdigest(),
    }


def quantise(fp32: Path, photos: Path, to: Path) -> None:
    """Static int8 (QDQ, per channel), calibrated on drawn scenes."""
    from onnxruntime.quantization import CalibrationDataReader, QuantFormat, QuantType, quantize_static
    from scenes import Library, Scenes

    scenes = Scenes(Library(photos, None, torch.device("cpu"), limit=120), 3)

    class Reader(CalibrationDataReader):  # type: ignore[misc]
        def __init__(self) -> None:
            batches = [scenes.batch(6, 224, far)[0].numpy() for far in (False, True, False)]
            self.rows = iter([{"flat": x[i : i + 1]} for x in batches for i in range(len(x))])

        def get_next(self) -> Any:
            return next(self.rows, None)

    # 7-bit weights: without VNNI, x86 adds pairs of 8-bit products in 16 bits and clips
    quantize_static(
        str(fp32), str(to), Reader(), quant_format=QuantFormat.QDQ, per_channel=True, reduce_range=True, activation_type=QuantType.QUInt8, weight_type=QuantType.QInt8
    )


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("--weights", type=Path, required=True)
    ap.add_argument("--manifest", type=Path)
    ap.add_argument("--to", type=Path, required=True)
    ap.add_argument("--int8", action="store_true")
    ap.add_argument("--photos", type=Path)
    a = ap.parse_args()
    saved = torch.load(a.weights, map_location="cpu", weights_only=True)
    model = UNet(tuple(saved["widths"]))
    model.load_state_dict(saved["model"])
    model.eval()
    a.to.mkdir(parents=True, exist_ok=True)
    path = a.to / MODEL_FILE
    x = torch.zeros(1, IN_CHANNELS, 256, 256)
    axes = {"flat": {2: "h", 3: "w"}, "metal_logit": {2: "h", 3: "w"}}
    torch.onnx.export(model, (x,), str(path), input_names=["flat"], output_names=["metal_logit"], dynamic_axes=axes, opset_version=17, dynamo=False)
    import onnxruntime as ort

    probe = torch.randn(1, IN_CHANNELS, 160, 192) * 0.3
    with torch.no_grad():
        want = model(probe).numpy()
    got = ort.InferenceSession(str(path), providers=["CPUExecutionProvider"]).run(None, {"flat": probe.numpy()})[0]
    print("largest difference between torch and onnxruntime, logits:", float(np.abs(want - got).max()))
    kind = "fp32"
    if a.int8:
        small = a.to / "int8.onnx"
        quantise(path, a.photos, small)
        small.replace(path)
        kind = "int8"
    manifest = json.loads(a.manifest.read_text()) if a.manifest else None
    data = path.read_bytes()
    (a.to / LOCK_FILE).write_text(json.dumps(lock_of(data, kind, manifest), indent=1) + "\n")
    print(len(data), "bytes")


if __name__ == "__main__":
    main()
