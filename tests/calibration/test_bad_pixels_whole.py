"""Bad pixels through whole calibrations: dust, roll-off, things in the beam, late and hot ones."""

from dataclasses import asdict, dataclass, field, replace

import numpy as np
import pytest

from pipeline.calibration.build import Conditions, build_calibration
from pipeline.calibration.classify import BadPixelLimits
from pipeline.calibration.product import DarkConditions
from pipeline.errors import CalibrationError
from pipeline.model import PixelClass
from tests.calibration.simulated_panel import (
    BRIGHT_GV,
    READ_GV,
    SimulatedExposures,
    SimulatedPanel,
)

SHAPE = 192, 256


@dataclass
class Shaded(SimulatedExposures):
    """Flats in some of which something lies: index → (rows and columns, what it lets through)."""

    things: dict = field(default_factory=dict)

    def read(self, index, out):
        super().read(index, out)
        if index in self.things:
            place, passed = self.things[index]
            dark = self.panel.dark[place]
            out[place] = np.clip(np.rint(dark + passed * (out[place] - dark)), 0, 65_535)


def shaded(panel, frames, things, *, level_gv=BRIGHT_GV, dose=1.0):
    return Shaded(panel, frames, dose, level_gv, int(level_gv) + 2000, things=things)


@dataclass
class Without(SimulatedExposures):
    """The same flats without one of them."""

    left_out: int = 0

    def read(self, index, out):
        super().read(index + (index >= self.left_out), out)


def build(panel, darks, flats, limits=None):
    return build_calibration(
        darks,
        flats,
        rows=panel.rows,
        columns=panel.columns,
        saturation_gv=65_000,
        conditions=Conditions("P-1"),
        limits=limits,
    )


@pytest.fixture(scope="module")
def panel():
    return SimulatedPanel(*SHAPE, seed=31)


def test_a_flat_with_dust_is_left_out_by_name_and_leaves_no_trace(panel):
    dust = np.s_[80:104, 100:130]
    flats = shaded(panel, 12, {4: (dust, 0.9)})
    made = build(panel, [panel.darks(10)], [flats])
    (rejected,) = made.facts.rejected
    assert rejected["file"] == flats.name(4)
    assert "rows 80–111, columns 96–143" in rejected["reason"]
    clean = Without(panel, 11, 1.0, BRIGHT_GV, int(BRIGHT_GV) + 2000, left_out=4)
    expected = build(panel, [panel.darks(10)], [clean])
    np.testing.assert_array_equal(made.classes, expected.classes)
    np.testing.assert_array_equal(made.gain, expected.gain)


@pytest.mark.parametrize("passed", [0.3, 0.9])
def test_a_grain_of_a_few_pixels_leaves_no_trace_either(panel, passed):
    """Too small to be named: one value of 20 a pixel, 15 or more standard deviations off."""
    grain = np.s_[90:92, 120:122]
    made = build(panel, [panel.darks(10)], [shaded(panel, 20, {7: (grain, passed)})])
    assert made.facts.rejected == ()
    clean = build(panel, [panel.darks(10)], [panel.flats(20, dose=1.0)])
    assert not made.classes[grain].any()
    # One value of 20 less, 0.67 % of noise: five times 0.67 %/√(20·19).
    np.testing.assert_allclose(made.gain[grain], clean.gain[grain], rtol=5 * 0.0067 / 19)


@pytest.mark.parametrize(
    ("things", "frames", "told"),
    [
        ({1: (np.s_[80:104, 100:130], 0.8)}, 2, r"1 of 2 frames .*flat 1: .*rows 80–111, columns"),
        (
            dict.fromkeys(range(3), (np.s_[80:104, 100:130], 0.8)),
            8,
            r"3 of 8 frames .*flat 0: .*rows 80–111, columns 96–143, up to 20 % darker",
        ),
        (
            dict.fromkeys(range(8), (np.s_[64:112, 96:160], 0.5)),
            8,
            r"something stood in the beam: rows 64–111, columns 96–159, up to 5\d % darker",
        ),
    ],
)
def test_things_that_too_many_flats_show_are_refused_with_their_place(panel, things, frames, told):
    with pytest.raises(CalibrationError, match=told):
        build(panel, [panel.darks(5)], [shaded(panel, frames, things)])


def test_a_thing_in_one_whole_set_is_refused_with_set_and_place(panel):
    things = dict.fromkeys(range(5), (np.s_[64:96, 96:128], 0.9))
    flats = [panel.flats(5, 9000, dose=0.45), shaded(panel, 5, things)]
    told = r"flats at dose 1: something stood in the beam: rows 64–95, columns 96–127, up to 10 %"
    with pytest.raises(CalibrationError, match=told):
        build(panel, [panel.darks(5)], flats)


def steep():
    """Response falls to a tenth of the middle's in the corners, as close to a panoramic source."""
    panel = SimulatedPanel(320, 416, seed=32)
    y, x = np.mgrid[-1 : 1 : panel.rows * 1j, -1 : 1 : panel.columns * 1j]
    scatter = np.random.default_rng(33).normal(1, 0.02, x.shape)
    panel.response = ((1 + 2.5 * x**2 + 1.5 * y**2) ** -1.5 * scatter).astype(np.float32)
    panel.response /= np.median(panel.response)
    return panel


def test_steep_roll_off_hides_nothing_and_makes_nothing_bad():
    panel = steep()
    assert panel.response.min() < 0.1 * panel.response.max()
    corner = np.s_[0:60, 356:416]
    under = np.zeros((panel.rows, panel.columns), bool)
    under[::9, ::11] = True
    over = np.roll(under, 4, axis=1)
    panel.response[under] *= 0.52
    panel.response[over] *= 1.48
    made = build(panel, [panel.darks(10)], [panel.flats(20, BRIGHT_GV / 2)])  # 32,000 GV at most
    assert np.all(made.classes[under] & PixelClass.UNDER_RESPONDING)
    assert np.all(made.classes[over] & PixelClass.OVER_RESPONDING)
    assert under[corner].sum() > 30
    others = (made.classes != 0) & ~under & ~over
    assert np.mean(others) <= 2e-4


def test_a_pixel_that_is_noisy_only_hot_is_bad(panel):
    hot = replace(panel, seed=panel.seed)
    hot.dark = panel.dark + 150
    hot.response = panel.response
    hot.read_std[50, 60:90:7] = 15 * READ_GV
    darks = panel.darks(10)
    warm = SimulatedExposures(
        hot, 10, None, 0.0, 1234, conditions=DarkConditions(temperature_c=38.0)
    )
    made = build(panel, [darks, warm], [panel.flats(10)])
    assert np.all(made.classes[50, 60:90:7] & PixelClass.NOISY)
    assert len(made.dark_states) == 1
    assert not build(panel, [darks], [panel.flats(10)]).classes[50, 60:90:7].any()


def test_a_dark_that_runs_away_hot_is_bad(panel):
    hot = replace(panel, seed=panel.seed)
    hot.dark = panel.dark + 150
    hot.dark[50, 60:90:7] += 350  # 1.75 % of the flats' 20,000 GV
    warm = SimulatedExposures(
        hot, 10, None, 0.0, 1234, conditions=DarkConditions(temperature_c=38.0)
    )
    made = build(panel, [panel.darks(10), warm], [panel.flats(10)])
    assert np.all(made.classes[50, 60:90:7] & PixelClass.NON_UNIFORM)
    assert np.count_nonzero(made.classes) < 5 + 10


def test_a_dark_that_steps_late_in_the_shift_is_bad(panel):
    late = replace(panel, seed=panel.seed)
    late.dark = panel.dark + 5
    late.dark[50, 60:90:7] += 20 * READ_GV
    darks = [panel.darks(10), SimulatedExposures(late, 10, None, 0.0, 1234)]
    made = build(panel, darks, [panel.flats(10)])
    assert np.all(made.classes[50, 60:90:7] & PixelClass.NOISY)
    assert np.count_nonzero(made.classes) < 5 + 10


def test_a_response_that_differs_at_one_dose_only_is_bad(panel):
    bent = replace(panel, seed=panel.seed)
    bent.response = panel.response.copy()
    bent.response[50, 60:90:7] *= 1.05
    flats = [
        panel.flats(20, 8000, dose=0.4),
        SimulatedExposures(bent, 20, 0.7, 14_000, 99),
        panel.flats(20, dose=1.0),
    ]
    made = build(panel, [panel.darks(10)], flats)
    assert np.all(made.classes[50, 60:90:7] & PixelClass.NON_UNIFORM)
    assert np.count_nonzero(made.classes) < 5 + 10


def test_limits_stand_in_the_calibration_and_groups_follow_them(panel):
    broken = replace(panel, seed=panel.seed)
    broken.response = panel.response.copy()
    broken.response[40:48, 100] = 0
    usual = build(broken, [broken.darks(5)], [broken.flats(5)])
    assert usual.facts.bad_pixel_limits == asdict(BadPixelLimits())
    assert usual.facts.bad_groups["line"] == 0
    limits = BadPixelLimits(line_min_px=8, noisy_factor=7.0)
    other = build(broken, [broken.darks(5)], [broken.flats(5)], limits)
    assert other.facts.bad_pixel_limits == asdict(limits)
    assert other.facts.bad_groups["line"] == 1
