"""Paper sizes and what printers do to a page, as data: what a sheet's edges and its print can be."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["HABITS", "PAPERS", "Habit", "Paper"]


@dataclass(frozen=True, slots=True)
class Paper:
    """A trimmed size. name; short_mm, long_mm: its sides; tolerance_mm: one-sigma of each side; common:
    how often printers hold it, relatively (common practice, a guess)."""

    name: str
    short_mm: float
    long_mm: float
    tolerance_mm: float
    common: float


INCH = 25.4

PAPERS: tuple[Paper, ...] = (
    # ISO 216:2007: 148 x 210, 210 x 297, 297 x 420 mm. It allows 1.5 mm up to 150 mm and 2 mm up to 600
    # mm; paper as sold keeps to about a quarter of that (common practice).
    Paper("A5", 148.0, 210.0, 0.35, 0.3),
    Paper("A4", 210.0, 297.0, 0.4, 10.0),
    Paper("A3", 297.0, 420.0, 0.4, 0.3),
    # ANSI/ASME Y14.1 size A, and its half (Invoice, Statement)
    Paper("US Letter", 8.5 * INCH, 11 * INCH, 0.4, 10.0),
    Paper("half US Letter", 5.5 * INCH, 8.5 * INCH, 0.4, 0.3),
    Paper("US Legal", 8.5 * INCH, 14 * INCH, 0.4, 0.3),
)


@dataclass(frozen=True, slots=True)
class Habit:
    """One thing that printers do. scale: printed over true length; sd: one-sigma; weight: how often, of
    all prints that nobody measured; words: what it is called."""

    scale: float
    sd: float
    weight: float
    words: str


HABITS: tuple[Habit, ...] = (
    Habit(1.00, 0.003, 0.62, "100 %"),
    Habit(0.97, 0.006, 0.09, "shrunk to the printable area"),
    Habit(0.94, 0.006, 0.07, "fitted to another page size"),
    Habit(1.03, 0.006, 0.04, "enlarged to print without a border"),
    Habit(0.98, 0.030, 0.18, "some other scale"),
)
"""Common practice, no published survey was found: print dialogues offer "actual size", "fit" and "shrink
to printable area"; margins of 3 to 6 mm make 97 to 94 % of A4 and Letter, A4 on Letter is 94.1 %,
borderless printing enlarges by 2 to 4 %. Weights are a guess on the wary side: four in ten prints that
nobody measured aren't true."""
