"""What the season's pages tell a yard to mind."""

from __future__ import annotations

YARD_CAUTIONS = (
    "Heavy slabs are a two-person lift.",
    "Don't undo through-hull anode bolts afloat, and don't swim by shore-powered boats.",
    "Never paint an anode; bring the seat to bright metal; fit one alloy throughout.",
)
"""What fitting parts needs to be told beside the cautions of every record (usual cautions of the trade)."""


def all_cautions() -> tuple[str, ...]:
    """The cautions of every record and those of fitting."""
    from anodewane.judgement.to_record import CAUTIONS

    return (*CAUTIONS, *YARD_CAUTIONS)
