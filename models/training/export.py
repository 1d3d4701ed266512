"""Write the trained weights as ONNX with their lock file: fp32, and int8 if asked for.

python export.py --weights OUT/segmenter.pt --manifest manifest.json --to ../ [--int8 --photos photos.zip]

The int8 graph is laid out for CPUs (`lay_out`): the same network, a quarter faster than as onnxruntime
lays it out itself (docs/decisions/0023-the-graph-taken-apart.md).
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
from net import IN_CHANNELS, UNet

from anodewane.segment.model_file import LOCK_FILE, LOCK_FORMAT, MODEL_FILE
from anodewane.stages.segment import CHANNEL_STEP, SCALE_MID_MM, SCALE_OCTAVES


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
        "manifest_sha256": None
        if manifest is None
        else hashlib.sha256(json.dumps(manifest, sort_keys=True).encode()).hexdigest(),
    }


def drawn(photos: Path) -> Iterator[np.ndarray]:
    """Pictures (1, 6, 224, 224) to calibrate on: drawn scenes, both looks."""
    from scenes import Library, Scenes

    scenes = Scenes(Library(photos, None, torch.device("cpu"), limit=120), 3)
    for far in (False, True, False):
        for x in scenes.batch(6, 224, far)[0].numpy():
            yield x[None]


def quantise(fp32: Path, pictures: list[np.ndarray], to: Path) -> None:
    """Static int8 (QDQ, per channel), calibrated on the pictures."""
    from onnxruntime.quantization import CalibrationDataReader, QuantFormat, QuantType, quantize_static

    class Reader(CalibrationDataReader):  # type: ignore[misc]
        def __init__(self) -> None:
            self.rows = iter([{"flat": x} for x in pictures])

        def get_next(self) -> Any:
            return next(self.rows, None)

    # 7-bit weights: without VNNI, x86 adds pairs of 8-bit products in 16 bits and clips
    quantize_static(
        str(fp32),
        str(to),
        Reader(),
        quant_format=QuantFormat.QDQ,
        per_channel=True,
        reduce_range=True,
        activation_type=QuantType.QUInt8,
        weight_type=QuantType.QInt8,
    )


# --- the graph laid out for CPUs -----------------------------------------------------------------


def apart(
    conv: torch.nn.Conv2d, norm: torch.nn.BatchNorm2d
) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """A 3 x 3 convolution over [what is below, doubled; the skip] as two: 2 x 2 over what is below, and
    3 x 3 over the skip.

    Doubling repeats each pixel, so of the nine taps several fall on the same one: for each of the four
    places within a doubled pixel, their sums over 2 x 2 pixels do the same with 4/9 of the work.

    Returns
    -------
    tuple
        Weights (4 C, below, 2, 2), place by place (row, column) in C channels each, over a
        picture with one pixel of margin all round; weights (C, skip, 3, 3); and the bias (C,),
        normalisation folded in.
    """
    below = conv.in_channels - conv.out_channels  # the skip has as many channels as the block gives
    weight, bias = torch.nn.utils.fusion.fuse_conv_bn_weights(
        conv.weight, conv.bias, norm.running_mean, norm.running_var, norm.eps, norm.weight, norm.bias
    )
    doubled, skip = weight[:, :below], weight[:, below:]
    places = []
    for row in (0, 1):
        for column in (0, 1):
            sums = torch.zeros(len(weight), below, 2, 2)
            for i in (-1, 0, 1):
                for j in (-1, 0, 1):
                    sums[:, :, (row + i) // 2 + 1 - row, (column + j) // 2 + 1 - column] += doubled[
                        :, :, i + 1, j + 1
                    ]
            places.append(sums)
    return torch.cat(places).detach(), skip.detach().clone(), bias.detach()


def spread(parts: torch.Tensor) -> torch.Tensor:
    """The four places' outputs (n, 4 C, h + 1, w + 1) as one picture (n, C, 2 h, 2 w)."""
    (h, w), four = (parts.shape[2] - 1, parts.shape[3] - 1), parts.chunk(4, 1)
    rows = [
        torch.stack([four[2 * r + c][:, :, r : r + h, c : c + w] for c in (0, 1)], -1).flatten(3)
        for r in (0, 1)
    ]
    return torch.stack(rows, 3).flatten(2, 3)


def _ranges(model: UNet, pictures: list[np.ndarray]) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    """For each up block, least and greatest of its first convolution's two halves over the pictures;
    their sum is held against the whole."""
    import torch.nn.functional as f

    ranges: list[list[list[float]]] = [[[0.0, 0.0], [0.0, 0.0]] for _ in model.up]

    def watch(k: int, x: torch.Tensor) -> None:
        block = model.up[k]
        below = x.shape[1] - block[0].out_channels
        low, skip, bias = apart(block[0], block[1])
        halves = (
            spread(f.conv2d(f.pad(x[:, :below, ::2, ::2], (1, 1, 1, 1)), low)),
            f.conv2d(x[:, below:], skip, bias, padding=1),
        )
        whole = block[1](block[0](x))
        assert float((halves[0] + halves[1] - whole).abs().max()) < 1e-3 * float(whole.abs().max()), (
            "taken apart it isn't the same"
        )
        for known, half in zip(ranges[k], halves, strict=True):
            known[:] = [min(known[0], float(half.min())), max(known[1], float(half.max()))]

    hooks = [
        block.register_forward_pre_hook(lambda _, inputs, k=k: watch(k, inputs[0]))
        for k, block in enumerate(model.up)
    ]
    with torch.no_grad():
        for x in pictures:
            model(torch.from_numpy(x))
    for hook in hooks:
        hook.remove()
    return [((a[0], a[1]), (b[0], b[1])) for a, b in ranges]


def lay_out(quantised: Path, model: UNet, pictures: list[np.ndarray], to: Path) -> None:
    """Lay the int8 graph out as onnxruntime does for CPUs, channels last, and take each up block's
    first convolution apart (`apart`)."""
    import onnx
    import onnxruntime as ort
    from onnx import helper, numpy_helper

    options = ort.SessionOptions()
    options.optimized_model_filepath = str(to)
    options.intra_op_num_threads = 1
    ort.InferenceSession(
        str(quantised), options, providers=["CPUExecutionProvider"], disabled_optimizers=["NchwcTransformer"]
    )
    proto = onnx.load(to)
    graph = proto.graph
    known = {i.name: numpy_helper.to_array(i) for i in graph.initializer}

    def constant(name: str, value: np.ndarray) -> str:
        if name not in known:
            known[name] = value
            graph.initializer.append(numpy_helper.from_array(value, name))
        return name

    def numbers(name: str, *values: int) -> str:
        return constant(name, np.array(values, np.int64))

    def scale_of(name: str, low: float, high: float) -> tuple[str, str]:
        step = np.float32((high - low) / 255)
        return constant(f"{name}_scale", step), constant(
            f"{name}_zero", np.uint8(np.clip(np.round(-low / step), 0, 255))
        )

    def convolution(
        name: str,
        inputs: tuple[str, str, str],
        weight: torch.Tensor,
        out: tuple[str, str],
        bias: torch.Tensor | None = None,
    ) -> Any:
        w = weight.numpy()
        step = np.maximum(np.abs(w).reshape(len(w), -1).max(1) / 63, 1e-9).astype(np.float32)
        names = [
            constant(
                f"{name}_weight", np.clip(np.round(w / step[:, None, None, None]), -63, 63).astype(np.int8)
            ),
            constant(f"{name}_step", step),
            constant(f"{name}_nothing", np.zeros(len(w), np.int8)),
            *out,
        ]
        if bias is not None:
            names.append(
                constant(f"{name}_bias", np.round(bias.numpy() / (known[inputs[1]] * step)).astype(np.int32))
            )
        k = w.shape[-1]
        more = {
            "kernel_shape": [k, k],
            "pads": [1, 1, 1, 1],
            "strides": [1, 1],
            "dilations": [1, 1],
            "group": 1,
            "channels_last": 1,
        }
        return helper.make_node("QLinearConv", [*inputs, *names], [name], domain="com.microsoft", **more)

    doubled: dict[str, str] = {}
    joined: dict[str, tuple[tuple[str, str, str], tuple[str, str, str]]] = {}
    ranges, nodes = _ranges(model, pictures), []
    for node in graph.node:
        if node.op_type == "Resize":
            doubled[node.output[0]] = node.input[0]
        elif node.op_type == "QLinearConcat":
            joined[node.output[0]] = (
                (doubled[node.input[2]], node.input[3], node.input[4]),
                tuple(node.input[5:8]),
            )
        elif node.op_type == "QLinearConv" and node.input[0] in joined:
            below, beside = joined[node.input[0]]
            k = len([n for n in nodes if n.op_type == "QLinearAdd"])
            block = model.up[k]
            channels = block[0].out_channels
            low, skip, bias = apart(block[0], block[1])
            at_low, at_skip = (
                scale_of(f"up{k}_{what}", *r) for what, r in zip(("low", "skip"), ranges[k], strict=True)
            )
            nodes += [
                convolution(f"up{k}_low", below, low, at_low),
                convolution(f"up{k}_skip", beside, skip, at_skip, bias),
            ]
            rows = []
            for row in (0, 1):
                places = []
                for column in (0, 1):
                    n = 2 * row + column
                    end = [2**31 - 1 if there else -1 for there in (row, column)]
                    limits = (
                        numbers(f"up{k}_from{n}", row, column, n * channels),
                        numbers(f"up{k}_to{n}", *end, (n + 1) * channels),
                    )
                    places.append(f"up{k}_place{n}")
                    nodes.append(
                        helper.make_node(
                            "Slice",
                            [f"up{k}_low", *limits, numbers("rows_columns_channels", 1, 2, 3)],
                            [places[-1]],
                        )
                    )
                # side by side among the channels is side by side in the row: only the shape's name changes
                nodes.append(helper.make_node("Concat", places, [f"up{k}_pairs{row}"], axis=3))
                nodes.append(
                    helper.make_node(
                        "Reshape", [f"up{k}_pairs{row}", numbers("row_by_row", 1, 0, -1)], [f"up{k}_row{row}"]
                    )
                )
                rows.append(f"up{k}_row{row}")
            nodes += [
                helper.make_node("Concat", rows, [f"up{k}_rows"], axis=2),
                helper.make_node("Shape", [f"up{k}_skip"], [f"up{k}_shape"]),
                helper.make_node("Reshape", [f"up{k}_rows", f"up{k}_shape"], [f"up{k}_spread"]),
                # what rectifies is the zero of the output's own scale
                helper.make_node(
                    "QLinearAdd",
                    [f"up{k}_spread", *at_low, f"up{k}_skip", *at_skip, node.input[6], node.input[7]],
                    [node.output[0]],
                    domain="com.microsoft",
                ),
            ]
        else:
            nodes.append(node)
    del graph.node[:]
    graph.node.extend(nodes)
    used = {name for node in nodes for name in node.input}
    kept = [i for i in graph.initializer if i.name in used]
    del graph.initializer[:]
    graph.initializer.extend(kept)
    del graph.value_info[:]
    domains = [
        d for d in proto.opset_import if d.domain in {node.domain for node in nodes}
    ]  # the others may be unknown to another version
    del proto.opset_import[:]
    proto.opset_import.extend(domains)
    onnx.checker.check_model(proto)
    onnx.save(proto, to)


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
    torch.onnx.export(
        model,
        (x,),
        str(path),
        input_names=["flat"],
        output_names=["metal_logit"],
        dynamic_axes=axes,
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
        small, pictures = a.to / "int8.onnx", list(drawn(a.photos))
        quantise(path, pictures, small)
        lay_out(small, model, pictures, path)
        small.unlink()
        kind = "int8"
    manifest = json.loads(a.manifest.read_text()) if a.manifest else None
    data = path.read_bytes()
    (a.to / LOCK_FILE).write_text(json.dumps(lock_of(data, kind, manifest), indent=1) + "\n")
    print(len(data), "bytes")


if __name__ == "__main__":
    main()
