"""Which tests may be skipped, and what was skipped beyond that."""

from __future__ import annotations

import re
from collections.abc import Iterable

MAY_SKIP = (
    r"no trial photos beside the checkout",
    r"root may write anywhere",
    r"needs another user",
    r"torch is for training alone",
)
"""Reasons (regular expressions) that a whole and sound machine may have: the trial photos are no part of
the project, and what root may do can't be refused to it."""


def unexpected(skips: Iterable[tuple[str, str]]) -> list[str]:
    """Of tests and the reasons why they were skipped, those whose reason isn't in `MAY_SKIP`."""
    return [
        f"{test}: {reason}"
        for test, reason in skips
        if not any(re.search(allowed, reason) for allowed in MAY_SKIP)
    ]
