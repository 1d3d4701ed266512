"""Outlines as SVG path data: text to rings and back. Numbers are mm in the part frame, y up."""

from __future__ import annotations

import re
from typing import Any

import numpy as np

from anodewane.catalog.outlines import CHORD_MM
from anodewane.errors import UsageError
from anodewane.units import Floats, Rings

_TOKEN = re.compile(r"[MmLlHhVvZz]|[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
_STRAIGHT = re.compile(r"[MmLlHhVvZz0-9eE+\-.,\s]*")
_NUMBERS = {"M": 2, "L": 2, "H": 1, "V": 1}
MAX_PATH_CHARS = 2_000_000


def rings_from_path(text: str, what: str) -> list[Floats]:
    """Closed rings (n, 2) of path data, one a subpath, in the order written. Curves are sampled to
    `shapes.CHORD_MM`.

    Paths of straight lines are read here: svgelements takes some 45 ms for one of 300 points, its
    import included, and this 1 ms. Curves go to svgelements.

    Parameters
    ----------
    text : str
        SVG 1.1 path data, numbers in mm.
    what : str
        What it is, for the sentence of an error.

    Raises
    ------
    UsageError
        Not path data, or a subpath that isn't closed.
    """
    if len(text) > MAX_PATH_CHARS:
        raise UsageError(
            f"The outline of {what} is {len(text)} characters long.",
            f"Simplify it to at most {MAX_PATH_CHARS} characters.",
        )
    if _STRAIGHT.fullmatch(text):
        return _straight_rings(text, what)
    import svgelements

    try:
        return rings_from_segments(svgelements.Path(text), what)
    except UsageError:
        raise
    except Exception as e:
        # The library raises whatever comes up inside it (ValueError, AttributeError, IndexError), some of it
        # only when points are asked for.
        raise _not_a_path(what) from e


def rings_from_segments(path: Any, what: str, closed_gap_mm: float = 1e-6) -> list[Floats]:
    """Closed rings of an svgelements path, in its own units (mm). A subpath whose ends lie within
    `closed_gap_mm` counts as closed.

    Raises
    ------
    UsageError
        An open subpath or a number that isn't finite.
    """
    import svgelements

    rings: list[Floats] = []
    for subpath in path.as_subpaths():
        points: list[Any] = []
        closed = False
        for i, segment in enumerate(subpath):
            if i == 0 and not isinstance(
                segment, svgelements.Move
            ):  # a line straight after Z goes on from where that subpath began
                points.append([(segment.start.x, segment.start.y)])
            if isinstance(segment, svgelements.Move):
                points.append([(segment.end.x, segment.end.y)])
            elif isinstance(segment, svgelements.Close):
                closed = True
            elif isinstance(segment, svgelements.Line):
                points.append([(segment.end.x, segment.end.y)])
            else:
                points.append(_sampled(segment))
        ring = (
            np.concatenate([np.asarray(p, float).reshape(-1, 2) for p in points])
            if points
            else np.empty((0, 2))
        )
        if not np.isfinite(ring).all():
            raise _not_a_path(what)
        if len(ring) < 2:
            continue
        if np.linalg.norm(ring[0] - ring[-1]) <= closed_gap_mm:
            closed, ring = True, ring[:-1]
        if not closed:
            raise _open(what, ring)
        rings.append(ring)
    if not rings:
        raise _not_a_path(what)
    return rings


def path_from_rings(rings: Rings) -> str:
    """Path data of rings, one subpath a line, to a nanometre."""
    return "\n".join("M " + " L ".join(f"{_short(x)} {_short(y)}" for x, y in ring) + " Z" for ring in rings)


def _short(value: float) -> str:
    text = f"{value + 0.0:.6f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _straight_rings(text: str, what: str) -> list[Floats]:
    tokens = _TOKEN.findall(text)
    if "".join(tokens) != re.sub(r"[\s,]", "", text):
        raise _not_a_path(what)
    rings: list[Floats] = []
    points: list[tuple[float, float]] = []
    command, closed = "", True
    x = y = start_x = start_y = 0.0
    i = 0

    def finish() -> None:
        if len(points) < 2:
            return
        ring = np.array(points)
        if not np.isfinite(ring).all():
            raise _not_a_path(what)
        if not closed and np.linalg.norm(ring[0] - ring[-1]) > 1e-6:
            raise _open(what, ring)
        rings.append(ring if closed else ring[:-1])

    while i < len(tokens):
        token = tokens[i]
        if token.isalpha():
            command, i = token, i + 1
            if command in "Zz":
                closed = True
                finish()
                points, x, y = [], start_x, start_y
                continue
            if command in "Mm":
                finish()
                points, closed = [], False
        take = _NUMBERS.get(command.upper(), 0)
        numbers = tokens[i : i + take]
        if (
            take == 0
            or len(numbers) < take
            or any(n.isalpha() for n in numbers)
            or (not rings and not points and command not in "Mm")
        ):
            raise _not_a_path(what)
        values = [float(n) for n in numbers]
        relative = command.islower()
        if command in "Hh":
            x = x * relative + values[0]
        elif command in "Vv":
            y = y * relative + values[0]
        else:
            x, y = x * relative + values[0], y * relative + values[1]
        if command in "Mm":
            start_x, start_y = x, y
            command = "l" if relative else "L"
        elif not points:  # a line straight after Z goes on from the start of the subpath that was closed
            points, closed = [(start_x, start_y)], False
        points.append((x, y))
        i += take
    finish()
    if not rings:
        raise _not_a_path(what)
    return rings


def _sampled(segment: Any) -> Floats:
    """Points on a curve after its start: twice as many until the chords keep within `CHORD_MM`, by
    their middles and quarters."""
    n = 4
    while True:
        t = np.linspace(0, 1, 4 * n + 1)
        fine = np.asarray(segment.npoint(t), float).reshape(-1, 2)
        chord = fine[::4]
        if n >= 1024 or not np.isfinite(fine).all():
            return chord[1:]
        worst = 0.0
        for k in (1, 2, 3):
            a, b = chord[:-1], chord[1:]
            along = b - a
            length2 = np.maximum(np.sum(along * along, axis=1), 1e-18)
            off = fine[k::4] - a
            at = np.clip(np.sum(off * along, axis=1) / length2, 0, 1)
            worst = max(worst, float(np.linalg.norm(off - at[:, None] * along, axis=1).max()))
        if worst <= CHORD_MM:
            return chord[1:]
        n *= 2


def _not_a_path(what: str) -> UsageError:
    return UsageError(
        f"The outline of {what} isn't SVG path data.",
        'Write it like "M 0 0 L 150 0 L 150 75 L 0 75 Z", numbers in millimetres, one closed subpath for the '
        "outline and each hole.",
    )


def _open(what: str, ring: Floats) -> UsageError:
    (x0, y0), (x1, y1) = ring[0], ring[-1]
    return UsageError(
        f"A line of {what} isn't closed: it begins at {x0:.2f}, {y0:.2f} and ends at {x1:.2f}, {y1:.2f}.",
        "Close it, or delete it if it is no outline.",
    )
