from __future__ import annotations

import numpy as np

from pipeline.simulation.spectrum import (
    TABLE_STEP_MM,
    effective_energy_kev,
    panel_signal,
    steel_equivalent,
    transmission_table,
)


def test_table_is_one_at_its_reference_and_falls_ever_more_slowly() -> None:
    table = transmission_table(200.0, reference_kv=200.0, reference_mm=12.7)
    assert table[round(12.7 / TABLE_STEP_MM)] == np.float32(1)
    slope = np.diff(np.log(table.astype(np.float64)))
    assert (slope < 0).all()
    # The beam hardens: each mm of steel takes less than the one before. Every fifth mm, where the
    # change is far above what float32 rounds.
    assert (np.diff(slope[:: round(5 / TABLE_STEP_MM)]) > 0).all()


def test_straight_lines_between_the_tables_steps_are_good_enough() -> None:
    table = transmission_table(200.0, reference_kv=200.0, reference_mm=12.7)
    steel_mm = np.array([6.013, 12.728, 25.431])
    read = np.interp(steel_mm / TABLE_STEP_MM, np.arange(table.size), table)
    exact = panel_signal(200.0, steel_mm) / panel_signal(200.0, np.array([12.7]))
    # (µ·step)²/8, where the beam's mean of µ² behind 6 mm is (0.26/mm)²: 2.1e-5.
    np.testing.assert_allclose(read, exact, rtol=2.1e-5)


def test_a_lower_voltage_gives_less_and_is_stopped_sooner() -> None:
    steel_mm = np.array([6.0, 12.0])
    low, high = panel_signal(120.0, steel_mm), panel_signal(200.0, steel_mm)
    assert (low < high).all()
    assert low[1] / low[0] < high[1] / high[0]


def test_effective_energy_rises_with_what_was_passed() -> None:
    thin, thick = effective_energy_kev(200.0, 3.0), effective_energy_kev(200.0, 25.0)
    assert 60 < thin < thick < 200


def test_steel_is_equivalent_to_itself_and_heavier_metals_to_more() -> None:
    at = {"kv": 200.0, "steel_mm": 12.7}
    # The root finding of the energy ends at 1e-12 of it and cancels here: rounding only.
    np.testing.assert_allclose(steel_equivalent("Fe", 7.85, **at), 1, rtol=1e-12)
    assert 1 < steel_equivalent("Pb", 11.35, **at) < steel_equivalent("Pt", 21.45, **at)
