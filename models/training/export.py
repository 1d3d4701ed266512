"""Write the trained weights as ONNX with their lock file: fp32, and int8 if asked for.

python export.py --weights OUT/segmenter.pt --manifest manifest.json --to ../ [--int8 --photos photos.zip
        --things things.zip]

The int8 graph is stored as onnxruntime lays it out for CPUs (`lay_out`), so that opening it costs little; its
first convolutions stay in floating point (docs/decisions/0024-real-surfaces.md).
"""

from __future__ import annotations

import argparse
import hashlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import torch
from net import IN_CHANNELS, OUT_CHANNELS, Segmenter

from anodewane.segment.model_file import LOCK_FILE, LOCK_FORMAT, MODEL_FILE
from anodewane.stages.segment import CHANNEL_STEP, SCALE_MID_MM, SCALE_OCTAVES


def lock_of(model: bytes, kind: str, manifest: dict[str, Any] | None) -> dict[str, Any]:
    return {
        "format": LOCK_FORMAT,
        "sha256": hashlib.sha256(model).hexdigest(),
        "bytes": len(model),
        "kind": kind,
        "input": {"name": "flat", "shape": [1, IN_CHANNELS, None, None]},
        "output": {"name": "logits", "shape": [1, OUT_CHANNELS, None, None]},
        "classes": ["metal", "foreign"],
        "sides_multiple_of": CHANNEL_STEP,
        "normalisation": {
            "channels": ["red", "green", "blue", "sheet", "print", "scale"],
            "rgb": "sRGB 0 to 1, less 0.5; 0 outside the photo",
            "sheet, print": "0 to 1, less 0.5",
            "scale": f"log2(mm_per_px / {SCALE_MID_MM}) / {SCALE_OCTAVES}",
        },
        "licence": "MIT",
        "trained_from": "models/training/manifest.json",
        "manifest_sha256": None
        if manifest is None
        else hashlib.sha256(json.dumps(manifest, sort_keys=True).encode()).hexdigest(),
    }


def drawn(photos: list[Path], things: Path | None, count: int) -> Iterator[np.ndarray]:
    """Pictures (1, 6, 224, 224) to calibrate on: drawn scenes, both looks."""
    from materials import Library
    from scenes import Scenes

    library = Library(photos, None, torch.device("cpu"), limit=count, reduced=True, things_zip=things)
    scenes = Scenes(library, 3)
    for far in (False, True, False):
        for x in scenes.batch(count // 3, 224, far)[0].numpy():
            yield x[None]


def quantise(fp32: Path, pictures: list[np.ndarray], to: Path) -> None:
    """Static int8 (QDQ, per channel), calibrated on the pictures."""
    from onnxruntime.quantization import CalibrationDataReader, QuantFormat, QuantType, quantize_static

    class Reader(CalibrationDataReader):  # type: ignore[misc]
        def __init__(self) -> None:
            self.rows = iter([{"flat": x} for x in pictures])

        def get_next(self) -> Any:
            return next(self.rows, None)

    import onnx
    from onnxruntime.quantization.shape_inference import quant_pre_process

    folded = to.with_suffix(".folded.onnx")
    quant_pre_process(str(fp32), str(folded), skip_symbolic_shape=True)
    exact = [n.name for n in onnx.load(folded).graph.node if n.op_type == "Conv" and n.name.startswith(EXACT)]
    # 7-bit weights: without VNNI, x86 adds pairs of 8-bit products in 16 bits and clips
    quantize_static(
        str(folded),
        str(to),
        Reader(),
        quant_format=QuantFormat.QDQ,
        per_channel=True,
        reduce_range=True,
        activation_type=QuantType.QUInt8,
        weight_type=QuantType.QInt8,
        nodes_to_exclude=exact,
    )
    folded.unlink()


EXACT = ("/stem/", "/blocks.0/")
"""What stays in floating point: the first convolutions see the edge itself. In int8 it moved by 0.26 px on
18 training pictures, so by 0.10 px, for the same time."""


def lay_out(quantised: Path, to: Path) -> None:
    """Lay the int8 graph out as onnxruntime does for CPUs, channels last, so that opening it costs little."""
    import onnx
    import onnxruntime as ort

    options = ort.SessionOptions()
    options.optimized_model_filepath = str(to)
    options.intra_op_num_threads = 1
    ort.InferenceSession(
        str(quantised), options, providers=["CPUExecutionProvider"], disabled_optimizers=["NchwcTransformer"]
    )
    proto = onnx.load(to)
    # domains that no node uses may be unknown to another version
    used = {node.domain for node in proto.graph.node}
    domains = [d for d in proto.opset_import if d.domain in used]
    del proto.opset_import[:]
    proto.opset_import.extend(domains)
    del proto.graph.value_info[:]
    onnx.checker.check_model(proto)
    onnx.save(proto, to)


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("--weights", type=Path, required=True)
    ap.add_argument("--manifest", type=Path)
    ap.add_argument("--to", type=Path, required=True)
    ap.add_argument("--int8", action="store_true")
    ap.add_argument("--photos", type=Path, nargs="+", help="what int8 is calibrated on")
    ap.add_argument("--things", type=Path)
    ap.add_argument("--calibrate", type=int, default=36, help="on so many pictures")
    a = ap.parse_args()
    model = Segmenter()
    model.load_state_dict(torch.load(a.weights, map_location="cpu", weights_only=True)["model"])
    model.eval()
    a.to.mkdir(parents=True, exist_ok=True)
    path = a.to / MODEL_FILE
    x = torch.zeros(1, IN_CHANNELS, 256, 256)
    sides = {2: "h", 3: "w"}
    torch.onnx.export(
        model,
        (x,),
        str(path),
        input_names=["flat"],
        output_names=["logits"],
        dynamic_axes={"flat": sides, "logits": sides},
        opset_version=17,
        dynamo=False,
    )
    import onnxruntime as ort

    probe = torch.randn(1, IN_CHANNELS, 160, 192) * 0.3
    with torch.no_grad():
        want = model(probe).numpy()
    got = ort.InferenceSession(str(path), providers=["CPUExecutionProvider"]).run(
        None, {"flat": probe.numpy()}
    )[0]
    print("largest difference between torch and onnxruntime, logits:", float(np.abs(want - got).max()))
    kind = "fp32"
    if a.int8:
        small = a.to / "int8.onnx"
        quantise(path, list(drawn(a.photos, a.things, a.calibrate)), small)
        lay_out(small, path)
        small.unlink()
        kind = "int8"
    manifest = json.loads(a.manifest.read_text()) if a.manifest else None
    data = path.read_bytes()
    (a.to / LOCK_FILE).write_text(json.dumps(lock_of(data, kind, manifest), indent=1) + "\n")
    print(len(data), "bytes")


if __name__ == "__main__":
    main()
