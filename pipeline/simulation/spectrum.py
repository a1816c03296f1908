"""How much of an X-ray tube's beam a panel still receives behind a thickness of steel.

The tube's spectrum is Kramers' straight line (energy fluence falling linearly to zero at the tube
voltage), filtered by copper and aluminium; the scintillator weighs each energy by the part that it
absorbs. Simple, but it hardens with thickness as a real beam does.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.model import FloatArray, FloatImage

STEEL_DENSITY_G_CM3 = 7.85
SCINTILLATOR = ("Gd2O2S", 4.5, 0.30)  # formula, packed density in g/cm³, thickness in mm
FILTERS = (("Al", 2.70, 3.0), ("Cu", 8.96, 0.5))  # element, density in g/cm³, thickness in mm
TABLE_STEP_MM = 0.05
TABLE_END_MM = 120.0
LOWEST_KEV = 15


def attenuation_per_mm(
    element: str, density_g_cm3: float, energy_kev: NDArray[np.floating[Any]] | float
) -> FloatArray:
    """Total linear attenuation coefficient µ in 1/mm of an element, with coherent scatter.

    Energies in keV, any shape; from xraydb's tables.
    """
    import xraydb  # noqa: PLC0415  (opens a database: only when a scan is made)

    energy_ev = np.atleast_1d(np.asarray(energy_kev, dtype=np.float64)) * 1e3
    mu_cm2_g = np.asarray(xraydb.mu_elam(element, energy_ev))
    return mu_cm2_g.reshape(np.shape(energy_kev)) * density_g_cm3 / 10


def panel_signal(
    kv: float,
    thickness_mm: FloatArray,
    element: str = "Fe",
    density_g_cm3: float = STEEL_DENSITY_G_CM3,
) -> FloatArray:
    """The panel's signal behind ``thickness_mm`` of steel (1-D, ≥ 0), in units of no meaning.

    The unit is the same for all tube voltages and materials, so signals at two voltages may be
    compared: the same current and time, no air, no scatter. ``element`` names another material.
    """
    import xraydb  # noqa: PLC0415

    energy = np.arange(LOWEST_KEV + 0.5, kv, 1.0)
    weight = kv - energy  # Kramers: energy fluence per keV
    for filter_element, density, length_mm in FILTERS:
        weight = weight * np.exp(-attenuation_per_mm(filter_element, density, energy) * length_mm)
    formula, density, length_mm = SCINTILLATOR
    mu_scintillator = np.asarray(xraydb.material_mu(formula, energy * 1e3, density=density)) / 10
    weight = weight * (1 - np.exp(-mu_scintillator * length_mm))
    mu_per_mm = attenuation_per_mm(element, density_g_cm3, energy)
    return np.asarray(np.exp(-np.outer(thickness_mm, mu_per_mm)) @ weight)


def transmission_table(kv: float, *, reference_kv: float, reference_mm: float) -> FloatImage:
    """The signal behind 0, TABLE_STEP_MM, … TABLE_END_MM of steel over a reference, float32.

    The reference is the signal at ``reference_kv`` behind ``reference_mm``: there it is 1. Read
    between its steps as straight, the table is wrong by (µ·step)²/8: 2e-5 behind 6 mm.
    """
    steps = round(TABLE_END_MM / TABLE_STEP_MM) + 1
    signal = panel_signal(kv, np.arange(steps, dtype=np.float64) * TABLE_STEP_MM)
    reference = panel_signal(reference_kv, np.array([reference_mm]))[0]
    return np.asarray(signal / reference, dtype=np.float32)


def effective_energy_kev(kv: float, steel_mm: float) -> float:
    """The one energy that steel attenuates as it does the beam that has come through steel_mm."""
    from scipy.optimize import brentq  # noqa: PLC0415

    step = 0.05
    near = np.log(panel_signal(kv, np.array([steel_mm - step, steel_mm + step])))
    slope_per_mm = (near[0] - near[1]) / (2 * step)

    def difference(energy: float) -> float:
        return float(attenuation_per_mm("Fe", STEEL_DENSITY_G_CM3, energy)) - float(slope_per_mm)

    return float(brentq(difference, LOWEST_KEV, kv))


def steel_equivalent(element: str, density_g_cm3: float, *, kv: float, steel_mm: float) -> float:
    """How many mm of steel attenuate like 1 mm of ``element`` behind ``steel_mm`` of steel."""
    energy = effective_energy_kev(kv, steel_mm)
    return float(
        attenuation_per_mm(element, density_g_cm3, energy)
        / attenuation_per_mm("Fe", STEEL_DENSITY_G_CM3, energy)
    )
