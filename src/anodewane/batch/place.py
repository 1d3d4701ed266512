"""Where photos are read from and results are written to: a small protocol, and a folder on this machine.

The plan, the judge and the ledger know a `Place` and nothing more, so that the same code runs with photos and results on object storage. A place is small and can be
pickled: workers get a copy of it.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import stat
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, Protocol

from anodewane.errors import InputUnreadable, OutputNotWritable
from anodewane.files import MAX_INPUT_BYTES, read_bytes, write_atomic

LEDGER_NAME = "anodewane-ledger.jsonl"
LOCK_NAME = ".anodewane-lock"


@dataclass(frozen=True, slots=True)
class Entry:
    """One file of a place.

    name : relative, "/" between folders; size_bytes : None where it can't be told (a link that leads nowhere).
    stamp : text that changes whenever the content may have changed, or None where it can't be trusted (changed a moment ago): a content hash is cached under it.
    likeness : two files of equal content have equal likeness; here the size in bytes. Whatever has no equal needn't be hashed to know that it is no duplicate.
    """

    name: str
    size_bytes: int | None
    stamp: str | None
    likeness: str


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Something in a place that isn't gone into. kind : "output" (results of a batch), "link_loop" (a folder that was reached before), "unreadable"."""

    name: str
    kind: Literal["output", "link_loop", "unreadable"]
    detail: str


class Place(Protocol):
    """Files by relative name, "/" between folders. Errors are `InputUnreadable` when reading and `OutputNotWritable` when writing."""

    @property
    def address(self) -> str:
        """What a person calls it: a path or URL."""
        ...

    def entries(self, left_out: list[LeftOut] | None = None) -> Iterator[Entry]:
        """Every file, in no particular order; what isn't gone into is put on `left_out`. InputUnreadable when the place itself isn't there."""
        ...

    def read(self, name: str) -> bytes:
        """A file's content. InputUnreadable."""
        ...

    def is_there(self) -> bool:
        """Whether the place itself can still be reached: tells one unreadable file from a pulled-out disk."""
        ...

    def write(self, name: str, data: bytes) -> None:
        """Write a file whole or not at all, folders made as needed. OutputNotWritable."""
        ...

    def remove(self, name: str) -> None:
        """Remove a file; nothing happens when it isn't there. OutputNotWritable."""
        ...

    def lines(self, name: str) -> Iterator[bytes]:
        """The whole lines appended to `name` so far, in order; one cut short is left out or comes as it is. Nothing when there are none."""
        ...

    def append(self, name: str, lines: Iterable[bytes]) -> None:
        """Add lines (without line feed) for good, each whole or in a way that `lines` survives. One writer at a time. OutputNotWritable."""
        ...

    def lock(self) -> contextlib.AbstractContextManager[None]:
        """Hold the place for one run; ends with the process however it ends. OutputNotWritable when another run holds it."""
        ...
