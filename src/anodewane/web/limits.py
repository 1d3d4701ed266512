"""How much the page takes: sizes, waits, rates, and how many of each at once."""

from __future__ import annotations

from dataclasses import dataclass

Rate = tuple[float, float]
"""Requests a second, and how many at once."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Every limit of one server."""

    body_bytes: int = 2_000_000
    """Of any request; photos come in pieces of `piece_bytes`."""
    piece_bytes: int = 1_000_000
    body_s: float = 60.0
    """A body that takes longer is given up; the phone sends the piece again."""
    wait_s: float = 5.0
    """How long an answer waits for a judgement before it says that there is none yet."""

    waiting_photos: int = 200
    """Photos that wait at once; more stay on their phones, which ask again."""
    quick_looks: int = 6
    """Quick looks under way at once; a phone that gets none goes without."""
    quick_s: float = 20.0
    """A quick look that takes longer comes too late to be of use."""
    quick_pixels: int = 4_000_000
    """Of a reduced copy; the page sends 1280 pixels along the long side."""
    draw_s: float = 120.0
    """How long a request waits for a picture."""

    upload_bytes: int = 60_000_000
    """A 50 MP phone photo is 10 to 25 MB as JPEG."""
    upload_pixels: int = 64_000_000
    """Larger pictures take more than 2 GB to judge; the command `judge` takes them."""
    open_uploads: int = 60
    """Uploads under way of one phone."""
    known_uploads: int = 20_000
    """Uploads remembered in all; the oldest finished ones are forgotten first."""
    keep_days: float = 30.0
    """How long an unfinished upload waits for its phone, and how long a finished one is remembered."""
    kept_reports: int = 40
    """Reports kept beside the book, so that one that was made is there at once."""
    free_bytes: int = 500_000_000
    """Room that has to stay on the disk."""

    header_s: float = 10.0
    """A connection from which no whole header comes in this time is closed."""
    connections_per_address: int = 20
    """A browser opens six; of 120 in all, nobody takes more than this."""

    session_s: float = 14 * 3600.0
    """A long day in the yard."""
    pairing_s: float = 15 * 60.0
    sessions: int = 200
    links: int = 50
    paired_rate: Rate = (40.0, 400.0)
    stranger_rate: Rate = (2.0, 60.0)
    pairing_rate: Rate = (0.2, 10.0)


LIMITS = Limits()
