"""Keep standard output for the answer: whatever else prints, Python or a C library, goes to
standard error."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable, Iterator
from typing import Any

import click

from anodewane.errors import OutputNotWritable


def on_terminal() -> bool:
    """Whether a person reads standard output: asked before `answer_only` puts it aside."""
    try:
        return sys.stdout.isatty()
    except (AttributeError, ValueError):
        return False


@contextlib.contextmanager
def answer_only() -> Iterator[Callable[[str], None]]:
    """Yield the one function that writes to standard output; inside, everything else printed goes to
    standard error.

    The real output is kept aside as a private file descriptor and descriptor 1 is pointed at standard
    error, so that a C library's ``printf`` is caught as well as ``print``. Where standard output isn't
    the process's own (under a test runner), only Python's stream is changed.

    Raises
    ------
    OutputNotWritable
        When the answer can't be written, e.g. to a full disk.
    """
    stream = sys.stdout
    stream.flush()
    private = -1
    try:
        if stream.fileno() == 1:
            sys.stderr.flush()
            private = os.dup(1)
            os.dup2(2, 1)
    except (OSError, ValueError, AttributeError):
        private = -1

    def answer(text: str) -> None:
        data = text.encode("utf-8")
        try:
            if private >= 0:
                while data:
                    data = data[os.write(private, data) :]
            else:
                stream.write(text)
                stream.flush()
        except BrokenPipeError as e:
            raise OutputNotWritable(
                "Nobody reads standard output any more.", "Write the record to a file with --out."
            ) from e
        except OSError as e:
            raise OutputNotWritable(
                f"Standard output can't be written: {e.strerror or e}.",
                "Free some space, or write the record to a file with --out.",
            ) from e

    sys.stdout = sys.stderr
    try:
        yield answer
    finally:
        sys.stdout = stream
        if private >= 0:
            _flush_c()
            sys.stderr.flush()
            os.dup2(private, 1)
            os.close(private)


def _flush_c() -> None:
    """Empty the C library's buffer while descriptor 1 still leads to standard error; a late flush would
    land in the answer."""
    import ctypes

    with contextlib.suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).fflush(None)


class Telling:
    """What a command says: lines for people, and a record for programs.

    Piped, or with --json, standard output gets the record as one line of JSON and standard error the
    lines. On a terminal standard output gets the lines, and nobody has to look at JSON.
    """

    def __init__(self, as_json: bool) -> None:
        self._record = as_json or not on_terminal()
        self._answer: Callable[[str], None] | None = None

    @contextlib.contextmanager
    def answering(self) -> Iterator[Telling]:
        """As `answer_only`."""
        with answer_only() as answer:
            self._answer = answer
            yield self

    def line(self, text: str) -> None:
        """A line for people."""
        if self._record or self._answer is None:
            click.echo(text, err=True)
        else:
            self._answer(f"{text}\n")

    def record(self, plain: dict[str, Any]) -> None:
        """The record, where it is wanted."""
        import json

        if self._record and self._answer is not None:
            self._answer(json.dumps(plain, ensure_ascii=False) + "\n")
