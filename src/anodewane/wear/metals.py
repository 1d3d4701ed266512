"""What a gram of each metal gives: densities and design capacities, each with its source.

They are written out, so that nothing heavy is imported; tests/outside holds them against scipy.constants
and periodictable.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

AlloyName = Literal["zinc", "aluminium", "magnesium"]


@dataclass(frozen=True, slots=True)
class Metal:
    """One anode metal.

    density_g_cm3 : of the cast anode alloy; design_capacity_ah_kg : charge a kilogram really gives in
    seawater.
    """

    alloy: AlloyName
    symbol: str
    density_g_cm3: float
    design_capacity_ah_kg: float
    source: str


METALS: MappingProxyType[AlloyName, Metal] = MappingProxyType(
    {
        m.alloy: m
        for m in (
            Metal(
                alloy="zinc",
                symbol="Zn",
                density_g_cm3=7.14,  # from memory, handbook value of the metal; the alloy is 99 % of it
                design_capacity_ah_kg=780.0,
                source="Capacity: DNV-RP-B401, 2005 to 2017, table 10-6 (read in a public transcription). "
                "Density: from memory.",
            ),
            Metal(
                alloy="aluminium",
                symbol="Al",
                density_g_cm3=2.75,  # of the indium-bearing anode alloy, as design calculations take it
                design_capacity_ah_kg=2000.0,
                source="Capacity: DNV-RP-B401, 2021, table 8-6; density: a published calculation by its "
                "method "
                "(both read in public transcriptions).",
            ),
            Metal(
                alloy="magnesium",
                symbol="Mg",
                density_g_cm3=1.738,  # from memory, the metal's
                design_capacity_ah_kg=1100.0,  # about: half of theory
                source="Capacity: Corrosion Engineering: Principles and Practice, ch. 13, p. 555 (half of "
                "theory). "
                "Density: from memory.",
            ),
        )
    }
)


def mass_g(alloy: AlloyName, volume_mm3: float) -> float:
    """Mass of a volume of cast alloy, g."""
    return volume_mm3 * 1e-3 * METALS[alloy].density_g_cm3


def mean_current_a(alloy: AlloyName, lost_g: float, hours: float) -> float:
    """Mean current that a weighed loss stands for, A: ``I = dm eps / hours``, with the design
    capacity in seawater."""
    return lost_g * 1e-3 * METALS[alloy].design_capacity_ah_kg / hours
