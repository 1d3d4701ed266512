"""Boat and position by folder, label and list: the rule of docs/batch.md, case by case."""

from __future__ import annotations

import pytest

from anodewane.batch.placing import Placing, parse_levels, placing_by_folders, settle
from anodewane.errors import UsageError


@pytest.mark.parametrize(
    ("name", "boat", "position"),
    [
        ("Kittiwake/shaft port/IMG_0001.jpg", "Kittiwake", "shaft port"),
        ("Kittiwake/shaft port/before/IMG_0001.jpg", "Kittiwake", "shaft port"),
        ("Kittiwake/shaft-port.jpg", "Kittiwake", "shaft port"),
        ("Kittiwake/shaft_port (2).JPG", "Kittiwake", "shaft port"),
        ("Kittiwake/hull 2.jpg", "Kittiwake", "hull 2"),
        ("Anne-Marie/keel.heic", "Anne-Marie", "keel"),
        ("Kittiwake/IMG_0001.jpg", "Kittiwake", None),
        ("Kittiwake/IMG_E0001 (3).jpg", "Kittiwake", None),
        ("Kittiwake/DSC01234.jpg", "Kittiwake", None),
        ("Kittiwake/P1010001.JPG", "Kittiwake", None),
        ("Kittiwake/20261013_101112.jpg", "Kittiwake", None),
        ("Kittiwake/PXL_20261013_101112345.MP.jpg", "Kittiwake", None),
        ("Kittiwake/photo 3.jpg", "Kittiwake", None),
        ("Kittiwake/3.jpg", "Kittiwake", None),
        ("Kittiwake/4f5e6a7b-1234-4abc-8def-001122334455.jpg", "Kittiwake", None),
        ("shaft port.jpg", None, "shaft port"),
        ("IMG_0001.jpg", None, None),
        ("2026/Kittiwake/shaft port/IMG_0001.jpg", "Kittiwake", "shaft port"),
        ("2026-10-14/Kittiwake/shaft-port.jpg", "Kittiwake", "shaft port"),
        ("17/shaft port/IMG_0001.jpg", "17", "shaft port"),
        ("DCIM/100ABCDE/IMG_0001.jpg", None, None),
        ("Cafe\u0301  au  Lait/keel.jpg", "Café au Lait", "keel"),
    ],
)
def test_the_rule_of_folders(name: str, boat: str | None, position: str | None) -> None:
    assert placing_by_folders(name) == Placing(boat, position, "folder")


@pytest.mark.parametrize(
    ("levels", "name", "boat", "position"),
    [
        ("-/boat/position", "north yard/Kittiwake/keel/IMG_1.jpg", "Kittiwake", "keel"),
        ("-/boat", "north yard/Kittiwake/keel.jpg", "Kittiwake", "keel"),
        ("position/boat", "keel/Kittiwake/IMG_1.jpg", "Kittiwake", "keel"),
        ("position", "keel/IMG_0001.jpg", None, "keel"),
        ("boat/position", "2026/keel/IMG_0001.jpg", "2026", "keel"),
    ],
)
def test_levels_that_are_named(levels: str, name: str, boat: str | None, position: str | None) -> None:
    assert placing_by_folders(name, parse_levels(levels)) == Placing(boat, position, "folder")


@pytest.mark.parametrize("text", ["", "-", "boat/boat", "boat/place", "yard/boat"])
def test_levels_that_make_no_sense_are_refused(text: str) -> None:
    with pytest.raises(UsageError, match="what the folders stand for"):
        parse_levels(text)


def test_the_first_source_that_speaks_is_believed_and_a_contradiction_told() -> None:
    csv, label, folder = (
        Placing("Kittiwake", None, "csv"),
        Placing("Sea Aster", "keel", "label"),
        Placing("kittiwake", "rudder", "folder"),
    )
    settled = settle((csv, label, folder))
    assert (settled.boat, settled.position, settled.placed_by) == ("Kittiwake", "keel", "csv and label")
    assert settled.contradictions == (
        "boat 'Kittiwake' by photos.csv, 'Sea Aster' by the label on the sheet",
        "position 'keel' by the label on the sheet, 'rudder' by its folder",
    )


def test_nobody_speaks() -> None:
    settled = settle((Placing(None, None, "folder"),))
    assert (settled.boat, settled.position, settled.placed_by, settled.contradictions) == (
        None,
        None,
        None,
        (),
    )
