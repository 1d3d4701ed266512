"""``python -m anodewane.testing OUT --count N --seed S``: photos with exact truth, for anyone who wants
to train or to evaluate."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path


def main(argv: list[str] | None = None) -> int:
    """Write NNNN.jpg, NNNN.metal.png and NNNN.truth.json into OUT."""
    parser = argparse.ArgumentParser(prog="python -m anodewane.testing", description=__doc__)
    parser.add_argument("out", type=Path, help="folder to write into; made if missing")
    parser.add_argument("--count", type=int, default=10, help="how many photos (10)")
    parser.add_argument("--seed", type=int, default=0, help="the same seed makes the same photos (0)")
    parser.add_argument(
        "--width", type=int, default=2016, help="px, the height is three quarters of it (2016)"
    )
    parser.add_argument(
        "--first",
        type=int,
        default=0,
        help="number of the first photo to make: goes on with a set that was broken off",
    )
    options = parser.parse_args(argv)
    import itertools

    from anodewane.testing.sets import library_templates, random_photos

    options.out.mkdir(parents=True, exist_ok=True)
    photos = random_photos(
        options.count,
        options.seed,
        first=options.first,
        width=options.width,
        height=options.width * 3 // 4,
        templates=library_templates(),
    )
    for i, photo in zip(itertools.count(options.first), photos, strict=False):
        photo.write(options.out, f"{i:04d}")
        t = photo.truth
        metal, area = 100 * t["consumed_volume"], 100 * t["consumed_area"]
        gone = f"{metal:.0f} % of the metal gone, {area:.0f} % of the area"
        sys.stderr.write(f"{i:04d} {t['part']}: {gone}, {t['sheet']} on {t['ground']}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
