"""The simulation's attenuation against published values and an independent program."""

from __future__ import annotations

import math

import numpy as np
import pytest
import xraylib

from pipeline.simulation.spectrum import (
    FILTERS,
    LOWEST_KEV,
    SCINTILLATOR,
    STEEL_DENSITY_G_CM3,
    attenuation_per_mm,
    panel_signal,
    steel_equivalent,
)

# Source: NIST, "Tables of X-Ray Mass Attenuation Coefficients", iron, with coherent scatter;
# values *from memory*, in cm²/g.
NIST_IRON = {100: 0.3717, 150: 0.1964, 200: 0.1460, 300: 0.1099}


@pytest.mark.parametrize(("energy_kev", "mu_rho"), NIST_IRON.items())
def test_iron_agrees_with_the_published_table(energy_kev: int, mu_rho: float) -> None:
    found = float(attenuation_per_mm("Fe", 1.0, float(energy_kev))) * 10
    # The table is printed to four figures: half a step of the last is 0.03 % of the smallest
    # value; 0.1 % leaves room for the older tables that xraydb interpolates.
    assert found == pytest.approx(mu_rho, rel=1e-3)


@pytest.mark.parametrize(
    ("element", "number", "density"), [("Fe", 26, 7.85), ("Al", 13, 2.70), ("Pb", 82, 11.35)]
)
def test_elements_agree_with_xraylib(element: str, number: int, density: float) -> None:
    """Source: xraylib, CS_Total. It shares its tables' origin with xraydb: a check of our use."""
    # Lead's K edge is at 88.0 keV, where two interpolations of a step differ; stay off it.
    energy = np.array([25.0, 40.0, 60.0, 80.0, 95.0, 120.0, 200.0, 300.0])
    expected = [density / 10 * xraylib.CS_Total(number, e) for e in energy]
    # Both interpolate the same printed tables; the two ways differ by less than 0.5 %.
    np.testing.assert_allclose(attenuation_per_mm(element, density, energy), expected, rtol=5e-3)


def test_half_value_layer_of_iron_at_100_kev() -> None:
    """Source: ln 2/µ with µ = 0.3717 cm²/g · 7.85 g/cm³ (NIST, *from memory*) is 2.375 mm."""
    mu = float(attenuation_per_mm("Fe", STEEL_DENSITY_G_CM3, 100.0))
    # Four printed figures, as above.
    assert math.log(2) / mu == pytest.approx(2.375, rel=1e-3)


@pytest.mark.parametrize("kv", [160.0, 200.0, 220.0])
def test_whole_beam_agrees_with_one_built_on_xraylib(kv: float) -> None:
    """Source: xraylib's CS_Total and CS_Total_CP, put together by hand in another order."""
    steel_mm = np.array([0.0, 3.0, 6.0, 12.7, 25.0, 50.0])
    total = np.zeros(steel_mm.size)
    formula, density, length_mm = SCINTILLATOR
    for step in range(int(kv) - LOWEST_KEV):
        energy = LOWEST_KEV + step + 0.5
        path = sum(
            xraylib.CS_Total(xraylib.SymbolToAtomicNumber(element), energy) * rho * length / 10
            for element, rho, length in FILTERS
        )
        seen = -math.expm1(-xraylib.CS_Total_CP(formula, energy) * density * length_mm / 10)
        steel = xraylib.CS_Total(26, energy) * STEEL_DENSITY_G_CM3 * steel_mm / 10
        total += (kv - energy) * seen * np.exp(-path - steel)
    found = panel_signal(kv, steel_mm)
    # Coefficients differ by up to 0.5 % (above), over at most µ·t = 0.1/mm · 50 mm = 5 lengths of
    # attenuation that is 2.5 %; most of the beam lies where they agree far better.
    np.testing.assert_allclose(found / found[0], total / total[0], rtol=0.01)


def test_lead_over_steel_is_what_the_trade_reckons_with() -> None:
    """Source: radiographic equivalence factors, lead over steel at 220 kV about 12, *from memory*.

    Such factors are rounded and depend on filter and film: right to a factor of 1.7 will do.
    """
    factor = steel_equivalent("Pb", 11.35, kv=220.0, steel_mm=12.7)
    assert 12 / 1.7 < factor < 12 * 1.7
