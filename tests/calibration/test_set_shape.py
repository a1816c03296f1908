"""Smooth shapes in flats and darks: found with their size, and a sound panel's are not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from pipeline.calibration.acceptance import remarks
from pipeline.calibration.build import Conditions, build_calibration
from pipeline.calibration.product import CalibrationSet
from pipeline.calibration.set_shape import LIMIT, dark_shape
from tests.calibration.simulated_panel import SimulatedExposures, SimulatedPanel

ROWS, COLUMNS = 192, 256


@dataclass
class Tilted(SimulatedExposures):
    """Frames from ``tilted_from`` on are brighter by ``tilt`` from left to right."""

    tilt: float = 0.0
    tilted_from: int = 0

    def read(self, index: int, out: np.ndarray) -> None:
        SimulatedExposures.read(self, index, out)
        if index >= self.tilted_from:
            slope = 1 + self.tilt * np.linspace(-0.5, 0.5, out.shape[1])
            signal = (out - self.panel.dark) * slope
            out[:] = np.clip(np.rint(self.panel.dark + signal), 0, 65_535)


def flats(panel: SimulatedPanel, level_gv: float, dose: float, **tilt: float) -> Tilted:
    return Tilted(panel, 8, dose, level_gv, int(level_gv) + 2000, **tilt)  # type: ignore[arg-type]


def built(*sets: Tilted) -> CalibrationSet:
    return build_calibration(
        [sets[0].panel.darks(30)],
        sets,
        rows=ROWS,
        columns=COLUMNS,
        saturation_gv=65_000,
        conditions=Conditions("P"),
    )


def test_sound_flats_have_one_shape() -> None:
    panel = SimulatedPanel()
    made = built(flats(panel, 5_000, 1), flats(panel, 20_000, 4))
    # Of 48 cells of 400 pixels, each known to 0.2 % at 5000 GV, six terms are fitted.
    assert made.facts.acceptance["flat_shape_within"] < 0.005
    assert made.facts.acceptance["flat_shape_between"] < 0.005
    assert not [one for one in remarks(made.facts) if "smooth" in one]


@pytest.mark.parametrize("tilt", [0.03, 0.07])
def test_sets_that_contradict_each_other_are_told_with_by_how_much(tilt: float) -> None:
    panel = SimulatedPanel()
    made = built(flats(panel, 5_000, 1, tilt=tilt), flats(panel, 20_000, 4))
    # Between the middles of the outermost cells lie 7/8 of the tilt.
    assert made.facts.acceptance["flat_shape_between"] == pytest.approx(tilt * 7 / 8, abs=0.005)
    (note,) = [one for one in remarks(made.facts) if "smooth" in one]
    assert note.startswith("Sets of flats contradict each other by a smooth shape of ")


def test_half_of_a_set_that_differs_is_told() -> None:
    panel = SimulatedPanel()
    half = flats(panel, 20_000, 4, tilt=0.07, tilted_from=4)
    made = built(flats(panel, 5_000, 1), half)
    # The median of eight lies in the middle of both kinds.
    assert made.facts.acceptance["flat_shape_within"] == pytest.approx(0.03, abs=0.006)
    assert made.facts.acceptance["flat_shape_within"] > LIMIT
    assert any(one.startswith("Flats of one set contradict") for one in remarks(made.facts))


def test_a_light_leak_in_all_darks_is_told() -> None:
    panel = SimulatedPanel()
    panel.dark += 600 * np.linspace(0, 1, COLUMNS, dtype=np.float32)
    made = built(flats(panel, 5_000, 1), flats(panel, 20_000, 4))
    (note,) = [one for one in remarks(made.facts) if one.startswith("The darks rise by ")]
    assert "does light leak in" in note


def test_modules_whose_offsets_differ_are_no_leak() -> None:
    rng = np.random.default_rng(7)
    modules = np.kron(rng.normal(0, 40, (6, 8)), np.ones((32, 32)))
    found, allowed = dark_shape((300 + modules).astype(np.float32), 4.0)
    assert found < allowed
    smooth = np.linspace(0, 600, COLUMNS) * np.ones((ROWS, 1))
    found, allowed = dark_shape((300 + modules / 10 + smooth).astype(np.float32), 4.0)
    # Again 7/8 of the slope, and modules of 4 GV; a quarter of a level of 600 GV is allowed.
    assert found == pytest.approx(600 * 7 / 8, abs=25)
    assert found > allowed
