"""Everything in one command: pack, train, export.

python models/training/retrain.py FOLDER [FOLDER ...] --minutes 25 [--panoramas DIR] [--to models]

FOLDER: photos with masks (data.py says which), for example from `python -m anodewane.testing FOLDER
--count 1000`. Needs torch and onnx beside the package.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("folders", type=Path, nargs="+")
    ap.add_argument("--minutes", type=float, default=25)
    ap.add_argument("--panoramas", type=Path)
    ap.add_argument("--to", type=Path, default=HERE.parent)
    ap.add_argument(
        "--work", type=Path, help="where to keep packed photos and weights; a temporary folder by default"
    )
    a, train_options = ap.parse_known_args()  # what it doesn't know goes on to train.py
    with tempfile.TemporaryDirectory() as temporary:
        work = a.work or Path(temporary)
        work.mkdir(parents=True, exist_ok=True)

        def run(script: str, *arguments: object) -> None:
            subprocess.run([sys.executable, str(HERE / script), *map(str, arguments)], check=True)

        manifest = (a.to if a.to != HERE.parent else HERE) / "manifest.json"
        a.to.mkdir(parents=True, exist_ok=True)
        run("data.py", *a.folders, "--photos", work / "photos.zip", "--manifest", manifest)
        grounds: list[object] = []
        if a.panoramas:
            run("grounds.py", a.panoramas, "--grounds", work / "grounds.zip")
            grounds = ["--grounds", work / "grounds.zip"]
        run(
            "train.py",
            "--photos",
            work / "photos.zip",
            *grounds,
            "--out",
            work,
            "--minutes",
            a.minutes,
            *train_options,
        )
        run(
            "export.py",
            "--weights",
            work / "segmenter.pt",
            "--manifest",
            manifest,
            "--to",
            a.to,
            "--int8",
            "--photos",
            work / "photos.zip",
        )


if __name__ == "__main__":
    main()
