"""The plots of a calibration show what was measured, not only what was fitted to it."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest

from pipeline.calibration.product import CalibrationFacts
from pipeline.outputs.calibration.plots import draw_calibration_plots
from pipeline.outputs.drawing.svg import BLUE, VERMILION
from pipeline.outputs.report.plots.along import Plot
from tests.calibration.ageing_panel import aged


def plot_of(title: str, facts: CalibrationFacts, first: CalibrationFacts | None = None) -> Plot:
    (found,) = [
        plot for plot in draw_calibration_plots(facts, first, None) if plot.title.startswith(title)
    ]
    return found


def points(plot: Plot, colour: str) -> np.ndarray:
    """Where the markers of a colour stand, in the drawing's units; (points, 2)."""
    uses = re.findall(r"<use [^>]*>", plot.svg)
    mine = [
        [float(re.search(rf'\b{axis}="([-\d.]+)"', use).group(1)) for axis in "xy"]  # type: ignore[union-attr]
        for use in uses
        if f"stroke: {colour}" in use
    ]
    return np.array(mine).reshape(-1, 2)


def changed(facts: CalibrationFacts, **figures: float | None) -> CalibrationFacts:
    told = {**facts.acceptance, **figures}
    return dataclasses.replace(
        facts, acceptance={name: value for name, value in told.items() if value is not None}
    )


def test_photon_transfer_shows_every_level_as_measured() -> None:
    facts = aged(0).facts
    plot = plot_of("Signal-to-noise", facts)
    found = points(plot, BLUE)
    assert len(found) == 3
    # Both axes are logarithmic: SNR² is signal²/variance, so that with read noise hardly there
    # the three lie on a line of slope ½ in decades; signals 0.2, 0.5 and 1 space them so.
    steps = np.diff(found[:, 0])
    assert steps[0] / steps[1] == pytest.approx(np.log(0.5 / 0.2) / np.log(2), rel=1e-3)
    # 1 % more variance than the model's is 0.5 % less SNR.
    assert "points within 0.496 % of it" in plot.found
    # A level with four times the noise variance stands lower, and alone.
    noisy = changed(facts, flat_2_variance_gv2=4 * facts.acceptance["flat_2_variance_gv2"])
    lower = points(plot_of("Signal-to-noise", noisy), BLUE)
    assert lower[1, 1] > found[1, 1] + 5  # downwards in an SVG
    np.testing.assert_array_equal(lower[[0, 2]], found[[0, 2]])


def test_photon_transfer_shows_the_first_calibrations_levels_too() -> None:
    plot = plot_of("Signal-to-noise", aged(2).facts, aged(0).facts)
    assert len(points(plot, BLUE)) == len(points(plot, VERMILION)) == 3
    assert not len(points(plot_of("Signal-to-noise", aged(2).facts), VERMILION))


def test_a_calibration_that_has_no_points_has_its_curve() -> None:
    facts = aged(0).facts
    bare = changed(facts, **{f"flat_{k}_variance_gv2": None for k in (1, 2, 3)})
    plot = plot_of("Signal-to-noise", bare)
    assert not len(points(plot, BLUE))
    assert "points" not in plot.found


def test_linearity_shows_the_levels_that_were_judged() -> None:
    facts = aged(0).facts
    plot = plot_of("Linearity", facts)
    assert len(points(plot, BLUE)) == 3
    assert "Largest 0.600 %" in plot.found
    assert "Not drawn" not in plot.what_to_see
    assert ">dose / mA·s<" in plot.svg

    distances = {f"flat_{k}_distance_mm": mm for k, mm in ((1, 700.0), (2, 1000.0), (3, 700.0))}
    apart = changed(facts, flat_2_off_line=None, **distances)
    plot = plot_of("Linearity", apart)
    assert len(points(plot, BLUE)) == 2
    assert "Not drawn: 1 shot at a distance of its own." in plot.what_to_see
    assert "Two levels always lie on a line" in plot.what_to_see
    assert ">dose at the greatest distance / mA·s<" in plot.svg


def test_without_two_judged_levels_there_is_no_linearity() -> None:
    one = changed(aged(0).facts, flat_1_off_line=None, flat_2_off_line=None)
    assert "Linearity" not in [plot.title for plot in draw_calibration_plots(one, None, None)]


def test_the_lag_plot_says_whether_places_are_corrected_by_their_own() -> None:
    facts = dataclasses.replace(
        aged(0).facts, lag_fractions=(0.005, 0.001), lag_regions=((0.004, 0.008),)
    )
    alike = plot_of("Lag", facts).found
    assert "In parts of the panel that is 0.400 to 0.800 %; all of it is corrected by the" in alike
    own = plot_of("Lag", dataclasses.replace(facts, lag_shares=((0.67, 1.33),))).found
    assert "0.400 to 0.800 %: more apart than they are uncertain, so each place is" in own
