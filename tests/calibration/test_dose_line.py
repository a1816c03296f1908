"""Linearity against dose: free of the beam's shape where flats come from several distances."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.calibration.dose_line import fit_dose_line
from pipeline.calibration.levels import Level
from pipeline.errors import CalibrationError
from pipeline.simulation.detector import CURVATURE_REFERENCE_GV, respond
from pipeline.simulation.panel_exposures import build_panel
from pipeline.simulation.panel_plan import PanelPlan


def level(median_gv, dose=None, distance_mm=None):
    signal = np.full((3, 4), median_gv, np.float32)
    return Level(dose, 10, signal, float(median_gv), distance_mm)


@given(st.floats(10, 1e4), st.floats(-0.01, 0.01), st.lists(st.floats(1, 20), min_size=2))
@settings(max_examples=60, deadline=None)
def test_an_exact_line_is_found(slope, intercept, doses):
    doses = sorted({round(dose, 1) for dose in doses})
    if len(doses) < 2:
        return
    top = slope * doses[-1] / (1 - intercept)
    found = fit_dose_line([level(slope * dose + intercept * top, dose) for dose in doses])
    assert found is not None
    # Doses 0.1 apart out of 20 magnify rounding by 200 twice.
    assert found.slope == pytest.approx(slope, rel=1e-8)
    assert found.intercept == pytest.approx(intercept, abs=1e-8)
    np.testing.assert_allclose(found.off_line, 0, atol=1e-8)
    assert (found.max_deviation is not None) == (len(doses) > 2)
    facts = found.facts()
    assert facts["levels"] == len(doses)
    assert ("max_deviation" in facts) == (len(doses) > 2)


def test_the_deviation_is_what_the_panel_bends_away():
    found = fit_dose_line([level(1000, 1), level(2100, 2), level(3000, 3)])
    assert found is not None
    assert found.max_deviation is not None
    # By hand: residuals with weights 1/signal; the middle level lies about 3 % above the line.
    assert 0.02 < found.max_deviation < 0.05
    assert found.off_line[1] == found.max_deviation


def test_one_level_has_no_line():
    assert fit_dose_line([level(1000, 1)]) is None


def test_more_dose_must_give_more_signal():
    with pytest.raises(CalibrationError, match=r"flats at dose 2: signal 900.* dose 1.*Check the"):
        fit_dose_line([level(1000, 1), level(900, 2)])


def test_from_another_distance_less_signal_is_no_fault():
    # The near beam falls off so steeply that the panel's median gets a fifth less of its dose.
    found = fit_dose_line([level(1000, 1, 900), level(880, 1.1, 300), level(1760, 2.2, 300)])
    assert found is not None
    assert found.slope == pytest.approx(800)
    with pytest.raises(CalibrationError, match=r"dose 2\.2 from 300 mm: signal 700"):
        fit_dose_line([level(1000, 1, 900), level(880, 1.1, 300), level(700, 2.2, 300)])


def test_each_distance_has_its_slope_and_all_one_intercept():
    near = [level(4900 * dose + 60, dose, 700) for dose in (1, 4)]
    far = [level(5000 * dose + 60, dose, 1000) for dose in (2, 3, 8)]
    mixed = [near[0], far[0], far[1], near[1], far[2]]
    found = fit_dose_line(mixed)
    assert found is not None
    assert found.slope == pytest.approx(5000)  # of the distance with more levels
    assert found.intercept == pytest.approx(60 / 40_060)
    np.testing.assert_allclose(found.off_line, 0, atol=1e-10)
    # Five levels, two slopes, one intercept: two are free to lie off the line, and do.
    mixed[1] = replace(mixed[1], median=mixed[1].median * 1.01)
    bent = fit_dose_line(mixed)
    assert bent is not None
    assert bent.max_deviation is not None
    assert 0.003 < bent.max_deviation < 0.01


def test_levels_that_nothing_can_be_held_against_are_not_judged():
    found = fit_dose_line([level(1000, 1, 700), level(2010, 2, 700), level(9000, 3, 1000)])
    assert found is not None
    assert found.off_line[2] is None
    assert found.max_deviation is None
    assert found.facts()["levels"] == 2
    alone = fit_dose_line([level(1000, 1, 700), level(2100, 2, 1000)])
    assert alone is not None
    assert alone.off_line == (None, None)
    assert alone.facts() == {"levels": 0.0, "slope": 1050.0}


def test_of_a_simulated_panel_only_its_own_bend_is_left():
    """Mean flats of the panel preset without noise, its bend known, its beam at two distances."""
    plan = PanelPlan(rows=144, columns=192, pitch_mm=0.8, curvature_scatter=0.0)
    scene = build_panel(plan, seed=3)
    far_mm = max(flat.source_distance_mm for flat in plan.flats)
    levels = []
    for flat in plan.flats:
        signal = respond(scene.detector, scene.beam(flat.source_distance_mm) * flat.level_gv)
        dose = plan.dose_ma_s(flat) * (far_mm / flat.source_distance_mm) ** 2
        levels.append(Level(dose, 10, signal, float(np.median(signal)), flat.source_distance_mm))
    levels.sort(key=lambda one: (one.dose, one.distance_mm))
    found = fit_dose_line(levels)
    assert found is not None

    given = np.array([flat.level_gv for flat in plan.flats if flat.source_distance_mm == 700])
    bent = given * (1 + plan.curvature * (given / CURVATURE_REFERENCE_GV - 1))
    truth = bent / np.polyval(np.polyfit(given, bent, 1, w=1 / bent), given) - 1
    assert np.abs(truth).max() == pytest.approx(0.00194, abs=1e-5)
    # The median pixel's gain and beam are within 5 % of 1; so then is the bend it shows.
    judged = [off for off in found.off_line if off is not None]
    np.testing.assert_allclose(judged, truth, atol=0.05 * np.abs(truth).max())
    assert found.max_deviation == pytest.approx(np.abs(truth).max(), rel=0.05)
    # What would come of one line for all: the beam's shape, more than twice the panel's bend.
    blind = fit_dose_line([replace(one, distance_mm=None) for one in levels])
    assert blind is not None
    assert blind.max_deviation is not None
    assert blind.max_deviation > 2 * np.abs(truth).max()
