"""Dust below one set of flats: told from pixels that misbehave, and left out of the gain."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.calibration.acceptance import remarks
from pipeline.calibration.build import Conditions, build_calibration
from pipeline.calibration.levels import Level
from pipeline.calibration.specks import find_specks, speck_reasons, without_specks
from pipeline.model import PixelClass
from tests.calibration.simulated_panel import BRIGHT_GV, SimulatedExposures, SimulatedPanel

SHAPE = 192, 256
NOISE = 0.002  # of a mean flat, relative
Y, X = np.mgrid[: SHAPE[0], : SHAPE[1]]


def dust(row, column, diameter_px, absorbs):
    """What a speck lets through at every pixel."""
    distance = np.hypot(Y - row, X - column)
    return 1 - absorbs * np.clip(diameter_px / 2 - distance + 0.5, 0, 1)


def sets_of(passes, *, doses=(1.0, 2.0, 3.0, 4.0), noise=NOISE):
    """Mean flats of one response, each through its own dust; the beam's shape differs a little."""
    rng = np.random.default_rng(5)
    response = np.random.default_rng(6).normal(1, 0.02, SHAPE) * (1 - 0.3 * (X / 256 - 0.5) ** 2)
    made = []
    for k, dose in enumerate(doses):
        signal = 5000 * dose * response * (1 + 0.02 * k * (Y / 192 - 0.5)) * passes.get(k, 1)
        signal *= rng.normal(1, noise, SHAPE)
        image = signal.astype(np.float32)
        made.append(Level(dose, 10, image, float(np.median(image))))
    return made


@pytest.mark.parametrize("diameter_px", [3, 5, 9, 14])
@pytest.mark.parametrize("absorbs", [0.03, 0.15, 0.6])
@pytest.mark.parametrize("which", [0, 3])
def test_a_speck_is_found_in_its_set_and_place(diameter_px, absorbs, which):
    place = 60.3, 100.6
    speck = dust(*place, diameter_px, absorbs)
    sets = sets_of({which: speck})
    ((found, values),) = find_specks(sets)
    thing = found.thing
    assert thing.frame == which
    # The core is what most of a pixel's neighbours belong to: a pixel less on either side, or more.
    assert abs(thing.row + (thing.rows - 1) / 2 - place[0]) <= 1
    assert abs(thing.column + (thing.columns - 1) / 2 - place[1]) <= 1
    assert abs(thing.rows - diameter_px) <= 2
    # Median of nine pixels: noise 0.23 % · 0.42, the least of 150 three of these; 0.1 % from the
    # smooth background. A speck of three pixels shows its edge in the median.
    assert thing.loss == pytest.approx(absorbs, rel=0.5 if diameter_px == 3 else 0.05, abs=0.004)
    covered = np.zeros(SHAPE, bool)
    covered[found.pixels] = True
    assert covered[speck < 1 - 0.01].all()
    # What the set would have shown without: noise of one flat and of three others, 0.23 %, and
    # smooth shapes interpolated over 32 pixels; 5 standard deviations.
    clean = sets_of({})[which].signal[found.pixels]
    np.testing.assert_allclose(values, clean, rtol=0.013)
    assert abs(np.mean(values / clean) - 1) < 0.0025


def test_pixels_that_misbehave_are_no_dust():
    odd = np.ones(SHAPE)
    odd[20:180:10, 20:240:9] = 0.9  # alone
    odd[30, 40:42] = 0.8  # in pairs
    odd[50:120, 77] = 0.9  # in lines
    odd[50:120, 140:142] = 0.9
    odd[100:102, 150:200] = 0.9
    odd[150:156, 60:66] = 1.1  # brighter
    odd[60:100, 200:240] = 0.95  # too large for a speck
    assert find_specks(sets_of({1: odd})) == []


def test_noise_alone_is_no_dust():
    assert find_specks(sets_of({}, noise=0.02)) == []


def test_two_sets_cannot_tell_and_nor_can_two_that_agree():
    speck = dust(60, 100, 7, 0.1)
    assert find_specks(sets_of({1: speck}, doses=(1.0, 2.0))) == []
    both = sets_of({0: speck, 2: speck * dust(120, 40, 7, 0.1)})
    ((only, _),) = find_specks(both)
    assert (only.thing.frame, only.thing.row // 10) == (2, 11)


def test_a_level_of_several_sets_loses_only_the_one_with_dust():
    speck = dust(60, 100, 7, 0.1)
    sets = sets_of({1: speck}, doses=(1.0, 2.0, 2.0, 3.0), noise=1e-5)
    sets[2] = replace(sets[2], frames=30)
    mean = (10 * sets[1].signal + 30 * sets[2].signal) / np.float32(40)
    levels = [sets[0], replace(sets[1], signal=mean, frames=40), sets[3]]
    before = mean.copy()
    whole, mended = without_specks(levels, sets, find_specks(sets))
    assert whole[0] is levels[0]
    assert mended[2] is sets[2]
    np.testing.assert_array_equal(mean, before)  # what was given stays as it was
    clean = sets_of({}, doses=(1.0, 2.0, 2.0, 3.0), noise=1e-5)
    expected = (10 * clean[1].signal + 30 * clean[2].signal) / np.float32(40)
    # Smooth shapes: 2 % over 192 rows, interpolated over 32.
    np.testing.assert_allclose(whole[1].signal, expected, rtol=5e-4)
    np.testing.assert_allclose(mended[1].signal, clean[1].signal, rtol=1e-3)


def test_the_largest_specks_are_told_with_their_places():
    many = np.ones(SHAPE)
    for k in range(11):
        many *= dust(20 + 15 * k, 30 + 20 * k, 5 if k else 9, 0.1)
    specks = find_specks(sets_of({2: many}))
    ((name, reason),) = speck_reasons(specks, ["a", "b", "flat_3/1.tif and 9 more", "d"])
    assert name == "flat_3/1.tif and 9 more"
    assert reason.startswith("dust: rows 16–2")
    assert reason.count("darker") == 8
    assert reason.endswith("; and 3 more")


class Dusty(SimulatedExposures):
    """Flats with two specks of dust on the panel throughout."""

    def read(self, index, out):
        super().read(index, out)
        passes = dust(60, 100, 9, 0.1) * dust(130, 180, 5, 0.5)
        out[:] = np.rint(self.panel.dark + passes * (out - self.panel.dark))


def built(second):
    panel = SimulatedPanel(*SHAPE, seed=41)
    # Bad in and beside the first speck, and elsewhere: in all flats, or in the third set only.
    panel.response[60, 101] *= 0.4
    panel.response[62, 98] = 0
    panel.response[20:160:20, 30:240:30] *= 1.5
    late = replace(panel, seed=panel.seed)
    late.dark, late.response = panel.dark, panel.response.copy()
    late.response[59, 99] *= 1.05
    late.response[25:165:20, 35:240:30] *= 0.96
    flats = [
        panel.flats(20, 10_000, dose=1.0),
        second(panel, 20, 1.4, 14_000, 77),
        SimulatedExposures(late, 20, 1.7, 17_000, 78),
        panel.flats(20, BRIGHT_GV, dose=2.0),
    ]
    return build_calibration(
        [panel.darks(30)],
        flats,
        rows=SHAPE[0],
        columns=SHAPE[1],
        saturation_gv=65_000,
        conditions=Conditions("P-1"),
    )


def test_dust_below_one_set_makes_no_pixel_bad_and_hides_none():
    made, clean = built(Dusty), built(SimulatedExposures)
    np.testing.assert_array_equal(made.classes, clean.classes)
    assert made.classes[60, 101] == clean.classes[60, 101] == PixelClass.UNDER_RESPONDING
    assert made.classes[62, 98] == PixelClass.DEAD
    assert made.classes[59, 99] == PixelClass.NON_UNIFORM
    assert np.all(made.classes[25:165:20, 35:240:30] & PixelClass.NON_UNIFORM)
    assert np.all(made.classes[20:160:20, 30:240:30] & PixelClass.OVER_RESPONDING)
    assert np.count_nonzero(made.classes) <= 3 + 2 * 7 * 7 + 2
    # One set of four less below the specks, elsewhere nothing but the common scale: the gain there
    # changes by that set's noise and no more, 0.18 % · ¼ for a pixel of full response; six times.
    change = made.gain / clean.gain
    np.testing.assert_allclose(change[made.classes == 0], np.median(change), rtol=0.005)
    assert abs(np.mean(change[57:64, 97:104][made.classes[57:64, 97:104] == 0]) - 1) < 3e-4
    ((note),) = [remark for remark in remarks(made.facts) if "dust" in remark]
    assert note.startswith("Left out below specks of dust only: flat 0 and 19 more (rows 5")
    assert note.count("darker") == 2
    assert not any("dust" in remark for remark in remarks(clean.facts))
