"""Whose photo is judged next: each phone has its own line, and the lines take turns."""

from __future__ import annotations

from collections import OrderedDict, deque


class Turns:
    """Waiting photos by phone. Not safe by itself between threads: `Judging` locks around it."""

    def __init__(self) -> None:
        self._lines: OrderedDict[str, deque[str]] = OrderedDict()

    def __len__(self) -> int:
        return sum(map(len, self._lines.values()))

    def add(self, owner: str, number: str, *, urgent: bool = False) -> None:
        """Put a photo at the end of its phone's line, or at its front."""
        line = self._lines.setdefault(owner, deque())
        if urgent:
            line.appendleft(number)
        else:
            line.append(number)

    def next(self) -> str | None:
        """The first of the line whose turn it is; that line then goes to the end."""
        for owner in list(self._lines):
            line = self._lines[owner]
            if line:
                self._lines.move_to_end(owner)
                return line.popleft()
            del self._lines[owner]
        return None
