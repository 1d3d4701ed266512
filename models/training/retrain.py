"""Everything in one command: pack, train, export.

    python models/training/retrain.py FOLDER [FOLDER ...] --minutes 25 [--to models]
        [--panoramas DIR] [--textures DIR] [--metal DIR] [--coins DIR] [--foreign DIR --teacher NETWORK.onnx]
        [--start WEIGHTS.pt]

FOLDER: photos with masks (data.py says which), for example from `python -m anodewane.testing FOLDER
--count 1000`. Real things: things.py says which. `--start models/weights` goes on from the shipped
weights; a pretrained encoder's file begins anew (net.py says which). What it doesn't know goes on to
train.py. Needs torch, onnx and onnxscript beside the package.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("folders", type=Path, nargs="+")
    ap.add_argument("--minutes", type=float, default=25)
    for folder in ("panoramas", "textures", "metal", "coins", "foreign"):
        ap.add_argument(f"--{folder}", type=Path)
    ap.add_argument("--teacher", type=Path, help="the network that marks what is in the photos of --foreign")
    ap.add_argument("--start", type=Path)
    ap.add_argument("--to", type=Path, default=HERE.parent)
    ap.add_argument(
        "--work", type=Path, help="where to keep packed photos and weights; a temporary folder by default"
    )
    a, train_options = ap.parse_known_args()
    with tempfile.TemporaryDirectory() as temporary:
        work = a.work or Path(temporary)
        work.mkdir(parents=True, exist_ok=True)
        a.to.mkdir(parents=True, exist_ok=True)

        def run(script: str, *arguments: object) -> None:
            subprocess.run([sys.executable, str(HERE / script), *map(str, arguments)], check=True)

        manifest = (a.to if a.to != HERE.parent else HERE) / "manifest.json"
        photos, things = work / "photos.zip", work / "things.zip"
        run("data.py", *a.folders, "--photos", photos, "--manifest", manifest)
        materials: list[object] = ["--photos", photos]
        real = [o for k in ("metal", "coins", "foreign") if (v := getattr(a, k)) for o in (f"--{k}", v)]
        if a.foreign:
            run("teacher.py", a.foreign, a.teacher, "--masks", work / "masks")
            real += ["--masks", work / "masks"]
        if real:
            run("things.py", "--things", things, "--manifest", manifest, *real)
            materials += ["--things", things]
        made = list(materials)
        if a.panoramas or a.textures:
            sources = [o for k in ("panoramas", "textures") if (v := getattr(a, k)) for o in (f"--{k}", v)]
            run("grounds.py", *sources, "--grounds", work / "grounds.zip")
            made += ["--grounds", work / "grounds.zip"]
        start = ["--start", a.start] if a.start else []
        run("train.py", *made, *start, "--out", work, "--minutes", a.minutes, *train_options)
        weights = work / "segmenter.pt"
        run("export.py", "--weights", weights, "--manifest", manifest, "--to", a.to, "--int8", *materials)
        print(json.dumps({"weights": str(weights), "model": str(a.to)}))


if __name__ == "__main__":
    main()
