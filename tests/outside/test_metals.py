"""Charge and metal against scipy.constants, periodictable and the worked examples of corrosion handbooks."""

from __future__ import annotations

import numpy as np
import periodictable
import pytest
import scipy.constants

from anodewane.records import Template
from anodewane.wear.metals import (
    FARADAY_C_MOL,
    METALS,
    mass_g,
    mean_current_a,
    net_mass_kg,
    recession_mm_per_year,
    rod_resistance_ohm,
)
from anodewane.wear.solids import new_area, new_volume

KG_PER_LB = scipy.constants.pound  # 0.45359237 exactly, by the international yard and pound agreement of 1959
HOURS = 8760.0

ELEMENT = {"zinc": periodictable.Zn, "aluminium": periodictable.Al, "magnesium": periodictable.Mg}
VALENCE = {"zinc": 2, "aluminium": 3, "magnesium": 2}  # Zn -> Zn2+, Al -> Al3+, Mg -> Mg2+


def test_faraday_s_constant_is_codata_s():
    assert scipy.constants.physical_constants["Faraday constant"][0] == pytest.approx(
        FARADAY_C_MOL, rel=1e-10
    )
    assert scipy.constants.N_A * scipy.constants.e == pytest.approx(FARADAY_C_MOL, rel=1e-10)


@pytest.mark.parametrize("alloy", METALS)
def test_atomic_masses_are_periodictable_s(alloy):
    # periodictable carries IUPAC/CIAAW's table independently.
    assert METALS[alloy].molar_mass_g_mol == pytest.approx(ELEMENT[alloy].mass, rel=1e-5)
    assert METALS[alloy].symbol == ELEMENT[alloy].symbol


@pytest.mark.parametrize("alloy", METALS)
def test_densities_from_memory_agree_with_periodictable_s(alloy):
    assert METALS[alloy].pure_density_g_cm3 == pytest.approx(ELEMENT[alloy].density, rel=2e-3)
    # the alloy is the metal with a few per cent of others
    assert METALS[alloy].density_g_cm3 == pytest.approx(ELEMENT[alloy].density, rel=0.025)


@pytest.mark.parametrize(
    ("alloy", "capacity_ah_kg", "kg_per_a_year"),
    [("zinc", 819.9, 10.685), ("aluminium", 2980.0, 2.940), ("magnesium", 2205.4, 3.972)],
)
def test_theoretical_capacity_is_faraday_s_law(alloy, capacity_ah_kg, kg_per_a_year):
    """q = z F / M in two ways: here in coulombs per kilogram by scipy.constants and periodictable; the
    printed figures are worked out from the same law."""
    q = (
        VALENCE[alloy]
        * scipy.constants.physical_constants["Faraday constant"][0]
        / (ELEMENT[alloy].mass * 1e-3)
        / scipy.constants.hour
    )
    metal = METALS[alloy]
    assert metal.theoretical_capacity_ah_kg == pytest.approx(q, rel=1e-5)
    assert metal.theoretical_capacity_ah_kg == pytest.approx(capacity_ah_kg, abs=0.05)
    assert metal.theoretical_kg_per_a_year == pytest.approx(HOURS / q, rel=1e-5)
    assert metal.theoretical_kg_per_a_year == pytest.approx(kg_per_a_year, abs=5e-4)


def test_design_capacities_are_the_published_ones():
    # DNV-RP-B401 2005 to 2017, tables 10-6 and A-6, and 2021, table 8-6: read in public transcriptions,
    # not in the standard itself.
    assert METALS["zinc"].design_capacity_ah_kg == 780
    assert METALS["zinc"].sediment_capacity_ah_kg == 700
    assert METALS["aluminium"].design_capacity_ah_kg == 2000
    # Corrosion Engineering: Principles and Practice, ch. 13, p. 555: about half of theory.
    assert METALS["magnesium"].design_capacity_ah_kg == pytest.approx(
        METALS["magnesium"].theoretical_capacity_ah_kg / 2, rel=0.005
    )
    for metal in METALS.values():
        assert 0 < metal.current_efficiency < 1, "no anode gives more than Faraday's law"


@pytest.mark.parametrize(("current_a", "printed_lb"), [(0.73, 193), (0.858, 227)])
def test_magnesium_examples_of_mil_hdbk_1004_10(current_a, printed_lb):
    """MIL-HDBK-1004/10 (UFC 3-570-02N): W = Y S I / E with 15 years, 8.8 lb/(A yr), efficiency 0.50;
    printed to the pound."""
    capacity = HOURS / (8.8 * KG_PER_LB) * 0.50
    assert net_mass_kg(current_a, 15, capacity) / KG_PER_LB == pytest.approx(printed_lb, abs=0.6)
    # Our own capacity differs from the handbook's rounded 8.8 lb/(A yr) by half a per cent.
    ours = METALS["magnesium"].theoretical_capacity_ah_kg * 0.50
    assert net_mass_kg(current_a, 15, ours) / KG_PER_LB == pytest.approx(printed_lb, rel=0.01)


def test_aluminium_pier_example_of_mil_hdbk_1004_10():
    """The same handbook, pier example: 10 years, 7.6 lb/(A yr) with the efficiency in it, 14.7 A;
    printed 1117.2 lb."""
    assert net_mass_kg(14.7, 10, HOURS / (7.6 * KG_PER_LB)) / KG_PER_LB == pytest.approx(1117.2, abs=0.05)
    assert METALS["aluminium"].theoretical_capacity_ah_kg > HOURS / (7.6 * KG_PER_LB)


def test_the_current_that_a_weighed_loss_stands_for_is_the_inverse():
    for alloy, metal in METALS.items():
        lost_kg = net_mass_kg(0.02, 1.5, metal.design_capacity_ah_kg)
        assert mean_current_a(alloy, lost_kg * 1000, 1.5 * HOURS) == pytest.approx(0.02, rel=1e-12)


@pytest.mark.parametrize(("alloy", "printed"), [("zinc", 1.57), ("aluminium", 1.59), ("magnesium", 4.58)])
def test_recession_at_one_ampere_a_square_metre(alloy, printed):
    """dx/dt = j 8760 / (eps rho): the volume that a year at 1 A/m2 takes from a square metre,
    over that metre."""
    metal = METALS[alloy]
    assert recession_mm_per_year(alloy, 1.0) == pytest.approx(printed, abs=0.005)
    grams = HOURS / metal.design_capacity_ah_kg * 1000
    assert grams / mass_g(alloy, 1.0) / 1e6 == pytest.approx(recession_mm_per_year(alloy, 1.0), rel=1e-12)


def stand_off(length_mm, radius_mm):
    half = np.array([length_mm / 2, radius_mm])
    ring = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
    return Template(
        "stand-off", (ring,), 2 * radius_mm, "open", "rod", "aluminium", None, 1.0, (), None, True
    )


def test_the_stand_off_anode_of_a_published_calculation():
    """An abstracted project calculation by DNV-RP-B401's method (read in a public transcription; not in
    the standard): 1530 mm, 119 kg net, 2750 kg/m3, utilisation 0.90, 0.22 ohm m, 0.25 V. Printed: r 95
    mm, 0.072 ohm, 3.45 A; at the end 1377 mm, r 32 mm, 11.9 kg, 0.106 ohm, 2.36 A. Its two ends differ
    by more than uniform recession would give: the length is cut by a flat 10 %."""
    assert METALS["aluminium"].density_g_cm3 == 2.75
    radius_mm = np.sqrt(119 / 2750e-9 / np.pi / 1530)
    worn_mm = np.sqrt(11.9 / 2750e-9 / np.pi / 1377)
    assert radius_mm == pytest.approx(95, abs=0.5)
    assert worn_mm == pytest.approx(32, abs=0.5)
    new, worn = stand_off(1530, radius_mm), stand_off(1377, worn_mm)
    assert mass_g("aluminium", new_volume(new)) / 1000 == pytest.approx(119, rel=1e-9)
    assert mass_g("aluminium", new_volume(worn)) / 1000 == pytest.approx(11.9, rel=1e-9)

    start, end = (
        rod_resistance_ohm(1.530, radius_mm / 1000, 0.22),
        rod_resistance_ohm(1.377, worn_mm / 1000, 0.22),
    )
    assert start == pytest.approx(0.072, abs=5e-4)
    assert end == pytest.approx(0.106, abs=7e-4)
    assert 0.25 / start == pytest.approx(3.45, abs=0.01)
    assert 0.25 / end == pytest.approx(2.36, abs=0.015)
    # In one line: mass down 90 %, side view down 70 %, current down 31.5 %.
    assert 1 - new_volume(worn) / new_volume(new) == pytest.approx(0.90, abs=1e-9)
    assert 1 - new_area(worn) / new_area(new) == pytest.approx(0.70, abs=0.003)
    assert 1 - start / end == pytest.approx(0.315, abs=0.003)
