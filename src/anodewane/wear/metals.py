"""What a gram of each metal gives: densities, Faraday's constants, design capacities and the recession
law, each with its source.

Densities and atomic masses are written out, so that nothing heavy is imported; tests/outside holds them
against scipy.constants and periodictable.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

FARADAY_C_MOL = 96485.33212
"""Charge of a mole of electrons, C/mol: exact since 2019, N_A e (CODATA 2018 and 2022)."""

HOURS_PER_YEAR = 8760.0
"""365 days, the year of the handbooks' consumption rates."""

AlloyName = Literal["zinc", "aluminium", "magnesium"]


@dataclass(frozen=True, slots=True)
class Metal:
    """One anode metal.

    molar_mass_g_mol : standard atomic weight (CIAAW); valence : electrons a metal atom gives;
    density_g_cm3 : of the cast anode alloy; pure_density_g_cm3 : of the metal itself;
    design_capacity_ah_kg : charge a kilogram really gives in seawater; sediment_capacity_ah_kg : the
    same where it lies buried, None where no figure was found.
    """

    alloy: AlloyName
    symbol: str
    molar_mass_g_mol: float
    valence: int
    density_g_cm3: float
    pure_density_g_cm3: float
    design_capacity_ah_kg: float
    sediment_capacity_ah_kg: float | None
    source: str

    @property
    def theoretical_capacity_ah_kg(self) -> float:
        """Charge of a kilogram by Faraday's law, q = z F / (3600 M), A h/kg."""
        return self.valence * FARADAY_C_MOL / (3600.0 * self.molar_mass_g_mol * 1e-3)

    @property
    def theoretical_kg_per_a_year(self) -> float:
        """Metal that one ampere takes in a year by Faraday's law, kg."""
        return HOURS_PER_YEAR / self.theoretical_capacity_ah_kg

    @property
    def current_efficiency(self) -> float:
        """Design capacity over theoretical capacity: the share of the metal that does work."""
        return self.design_capacity_ah_kg / self.theoretical_capacity_ah_kg


METALS: MappingProxyType[AlloyName, Metal] = MappingProxyType(
    {
        m.alloy: m
        for m in (
            Metal(
                alloy="zinc",
                symbol="Zn",
                molar_mass_g_mol=65.38,
                valence=2,
                density_g_cm3=7.14,  # from memory, handbook value of the metal; the alloy is 99 % of it
                pure_density_g_cm3=7.14,
                design_capacity_ah_kg=780.0,
                sediment_capacity_ah_kg=700.0,
                source="Capacities: DNV-RP-B401, 2005 to 2017, tables 10-6 and A-6 (read in a public transcription). Density: from memory.",
            ),
            Metal(
                alloy="aluminium",
                symbol="Al",
                molar_mass_g_mol=26.98154,
                valence=3,
                density_g_cm3=2.75,  # of the indium-bearing anode alloy, as design calculations take it
                pure_density_g_cm3=2.70,
                design_capacity_ah_kg=2000.0,
                sediment_capacity_ah_kg=None,
                source="Capacity: DNV-RP-B401, 2021, table 8-6; alloy density: a published calculation by its method (both read in public transcriptions). "
                "Density of the metal: from memory.",
            ),
            Metal(
                alloy="magnesium",
                symbol="Mg",
                molar_mass_g_mol=24.305,
                valence=2,
                density_g_cm3=1.738,  # from memory, the metal's
                pure_density_g_cm3=1.738,
                design_capacity_ah_kg=1100.0,  # about: half of theory
                sediment_capacity_ah_kg=None,
                source="Capacity: Corrosion Engineering: Principles and Practice, ch. 13, p. 555 (half of theory). Density: from memory.",
            ),
        )
    }
)


def mass_g(alloy: AlloyName, volume_mm3: float) -> float:
    """Mass of a volume of cast alloy, g."""
    return volume_mm3 * 1e-3 * METALS[alloy].density_g_cm3


def net_mass_kg(current_a: float, years: float, capacity_ah_kg: float, utilisation: float = 1.0) -> float:
    """Metal that a mean current needs over a life, kg: ``W = I t 8760 / (u eps)`` (DNV-RP-B401's
    method, read in a public transcription).

    Parameters
    ----------
    current_a : float
        Mean current, A.
    years : float
        Design life, years of 8760 h.
    capacity_ah_kg : float
        Charge a kilogram gives, A h/kg: a metal's design capacity, or its theoretical capacity times
        an efficiency.
    utilisation : float
        Share of the mass that may waste before the part no longer does its work; bolt-on parts 0.80 at best.
    """
    return current_a * years * HOURS_PER_YEAR / (utilisation * capacity_ah_kg)


def mean_current_a(alloy: AlloyName, lost_g: float, hours: float) -> float:
    """Mean current that a weighed loss stands for, A: ``I = dm eps / hours``, with the design
    capacity in seawater."""
    return lost_g * 1e-3 * METALS[alloy].design_capacity_ah_kg / hours


def recession_mm_per_year(alloy: AlloyName, current_density_a_m2: float) -> float:
    """Speed at which a surface recedes, mm a year: ``dx/dt = j 8760 / (eps rho)``; the density is
    the cast alloy's."""
    metal = METALS[alloy]
    return (
        current_density_a_m2
        * HOURS_PER_YEAR
        / (metal.design_capacity_ah_kg * metal.density_g_cm3 * 1e3)
        * 1e3
    )


def rod_resistance_ohm(length_m: float, radius_m: float, resistivity_ohm_m: float) -> float:
    """Resistance between a slender rod and remote water, ohm: ``rho / (2 pi L) (ln(4 L / r) - 1)``,
    valid for L of at least 4 r (H. B. Dwight 1936; from memory)."""
    return resistivity_ohm_m / (2 * math.pi * length_m) * (math.log(4 * length_m / radius_m) - 1)
