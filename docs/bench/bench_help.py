#!/usr/bin/env python3
"""How long `anodewane --help` takes against a bare `python -c "import click"`: best and median of
alternating runs."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

RUNS = 20
COMMANDS = {
    "import click": [sys.executable, "-c", "import click"],
    "anodewane --help": [sys.executable, "-m", "anodewane", "--help"],
    "anodewane judge --help": [sys.executable, "-m", "anodewane", "judge", "--help"],
}


def main() -> None:
    times: dict[str, list[float]] = {name: [] for name in COMMANDS}
    for _ in range(RUNS):
        for name, command in COMMANDS.items():
            start = time.perf_counter()
            subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
            times[name].append(time.perf_counter() - start)
    base = min(times["import click"])
    for name, t in times.items():
        print(
            f"{name:24} best {1000 * min(t):6.0f} ms   median {1000 * statistics.median(t):6.0f} ms   best "
            f"over 'import click' {min(t) / base:.2f}"
        )


if __name__ == "__main__":
    main()
