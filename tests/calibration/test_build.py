"""Whole calibrations of simulated panels, held against their truth."""

import dataclasses
import tracemalloc

import numpy as np
import pytest

from pipeline.calibration.acceptance import remarks
from pipeline.calibration.build import Conditions, build_calibration
from pipeline.calibration.classify import BadPixelLimits
from pipeline.calibration.product import content_identity
from pipeline.errors import CalibrationError
from pipeline.model import PixelClass
from tests.calibration.simulated_panel import BRIGHT_GV, READ_GV, SLOPE_GV, SimulatedPanel


def build(panel, darks, flats, **options):
    return build_calibration(
        darks,
        flats,
        rows=panel.rows,
        columns=panel.columns,
        saturation_gv=options.pop("saturation_gv", 65_000),
        conditions=options.pop("conditions", Conditions("P-1")),
        **options,
    )


def std(values):
    """Standard deviation that a few outliers don't move."""
    return 1.4826 * np.median(np.abs(values - np.median(values)))


@pytest.fixture(scope="module")
def healthy():
    return SimulatedPanel(384, 512, seed=3)


@pytest.mark.parametrize("doses", [(1.0,), (0.25, 0.5, 1.0)])
def test_gain_dark_and_noise_reach_the_limit_of_the_exposures(healthy, doses):
    panel = healthy
    frames = 20 // len(doses)
    made = build(
        panel,
        [panel.darks(20)],
        [panel.flats(frames, BRIGHT_GV * dose, dose=dose) for dose in doses],
    )
    good = made.classes == 0
    # A healthy panel, so all of these are false alarms: 20 expected of 196,608, allowed 39.
    assert np.mean(~good) < 2e-4

    dark_error = std((made.dark - panel.dark)[good])
    assert dark_error < 1.1 * np.hypot(READ_GV, 12**-0.5) / np.sqrt(20)

    error = made.gain / (panel.response / np.median(panel.response[good])) - 1
    quanta = sum(frames * BRIGHT_GV * dose * panel.response / SLOPE_GV for dose in doses)
    assert std((error * np.sqrt(quanta))[good]) < 1.1
    # 1/(SNR·√N) at median response; the model's read noise adds under 1 %.
    limit = (sum(frames * BRIGHT_GV * dose / SLOPE_GV for dose in doses)) ** -0.5
    assert made.facts.noise.gain_relative == pytest.approx(limit, rel=0.015)
    assert np.median(made.gain[good]) == pytest.approx(1, abs=1e-6)

    # At least four pairs of 196,608 pixels: √(2/786432) = 0.16 %; offset also holds 1/12.
    assert made.facts.noise.slope == pytest.approx(SLOPE_GV, rel=0.02)
    assert made.facts.noise.offset == pytest.approx(READ_GV**2 + 1 / 12, rel=0.03)


@pytest.mark.parametrize("several", [False, True])
def test_every_class_is_found_and_hardly_anything_else(several):
    panel = SimulatedPanel(384, 512, seed=7)
    dead, stuck, under, over, noisy, uneven = panel.choose(60, 20, 60, 60, 150, 200)
    rng = np.random.default_rng(8)
    panel.response[dead] *= rng.uniform(0, 0.03, 60)
    panel.stuck_gv[stuck] = 9000 if several else panel.dark[stuck]
    # Relative to the neighbourhood's median each pixel also has its own 2 % of gain.
    panel.response[under] *= rng.uniform(0.1, 0.54, 60)
    panel.response[over] *= rng.uniform(1.43, 2.5, 60)
    panel.read_std[noisy] *= rng.uniform(9, 20, 150)
    uneven_size = rng.choice([-1, 1], 200) * rng.uniform(0.03, 0.06, 200)
    if several:  # differs by 0.6 of it between the levels: at least 1.8 %
        panel.bend[uneven] = uneven_size
    else:
        panel.drift[uneven] = uneven_size
    panel.response[:, 200:210] = 0
    panel.response[381:] *= 0.2
    flats = (
        [panel.flats(40, 0.4 * BRIGHT_GV, dose=4), panel.flats(20, dose=10)]
        if several
        else [panel.flats(40)]
    )
    made = build(panel, [panel.darks(30)], flats)
    classes = made.classes

    live = np.ones(classes.shape, bool)
    live[:, 200:210] = False
    live[380:] = False
    truth = np.zeros(classes.shape, bool)
    for kind, places, least in (
        (PixelClass.DEAD, dead, 1.0),
        (PixelClass.DEAD, stuck, 1.0),
        (PixelClass.UNDER_RESPONDING, under, 1.0),
        (PixelClass.OVER_RESPONDING, over, 1.0),
        (PixelClass.NOISY, noisy, 0.98),
        (PixelClass.NON_UNIFORM, uneven, 0.98),
    ):
        seen = live[places]
        found = (classes[places] & np.uint8(kind)) != 0
        assert np.mean(found[seen]) >= least, kind
        truth[places] = True
    assert np.all((classes[:, 200:210] & np.uint8(PixelClass.DEAD)) != 0)
    # The lowest three rows, also where the dead line crosses them.
    assert np.all((classes[381:] & np.uint8(PixelClass.UNDER_RESPONDING | PixelClass.DEAD)) != 0)

    truth |= ~live
    false_alarms = (classes != 0) & ~truth
    # Allowed: 0.02 % of 196,608 pixels = 39.
    assert np.mean(false_alarms) <= 2e-4
    counts = made.facts.bad_pixels
    assert counts["total"] == np.count_nonzero(classes)
    assert counts["noisy"] >= 0.98 * 150
    assert counts["persistent"] == 0


def test_a_good_pixel_among_bad_ones_is_bad_too():
    panel = SimulatedPanel(64, 64, seed=4)
    panel.response[20:23, 30:33] = 0
    panel.response[21, 31] = 1
    made = build(panel, [panel.darks(5)], [panel.flats(10)])
    assert made.classes[21, 31] == PixelClass.BAD_NEIGHBOURHOOD


def test_a_spike_in_one_dark_or_flat_leaves_no_trace():
    panel = SimulatedPanel(64, 96, seed=5)
    spikes = {1: [(10, 20, 5000.0), (40, 3, 900.0)]}
    clean = build(panel, [panel.darks(6)], [panel.flats(8)])
    made = build(panel, [panel.darks(6, spikes=spikes)], [panel.flats(8, spikes=spikes)])
    for place in ((10, 20), (40, 3)):
        assert made.classes[place] == 0
        # One of 6 values less: std of the change READ_GV/√(6·5); five times that.
        assert abs(made.dark[place] - clean.dark[place]) < 5 * READ_GV / np.sqrt(30)
        # A flat may hide 900 GV (6.7 std) of 8 in tube scatter: at most 900/8/BRIGHT_GV.
        assert made.gain[place] == pytest.approx(clean.gain[place], rel=0.008)
    assert made.facts.acceptance["dark_rejected"] >= 2


@pytest.mark.parametrize("tube_std", [0.0, 0.05])
def test_the_tubes_scatter_is_not_noise(tube_std):
    panel = SimulatedPanel(128, 160, seed=6)
    made = build(panel, [panel.darks(6)], [panel.flats(8, tube_std=tube_std)])
    # Four pairs of 20,480 pixels: √(2/81920) = 0.5 %.
    assert made.facts.noise.slope == pytest.approx(SLOPE_GV, rel=0.02)


def test_one_dark_and_two_flats_are_enough():
    panel = SimulatedPanel(96, 128, seed=9)
    made = build(panel, [panel.darks(1)], [panel.flats(2)])
    assert "dark_std_gv" not in made.facts.acceptance
    assert made.facts.bad_pixels["noisy"] == 0
    assert np.isfinite([made.facts.noise.offset, made.facts.noise.slope]).all()
    assert [remark.split(":")[0] for remark in remarks(made.facts)] == [
        "One dark frame",
        "The flats are too noisy for a non-uniformity limit of ±1 %",
        "One dose level",
    ]


def test_a_thorough_calibration_draws_no_remark():
    panel = SimulatedPanel(64, 64, seed=9)
    flats = [panel.flats(60, BRIGHT_GV / 2, dose=1), panel.flats(60, dose=2)]
    made = build(panel, [panel.darks(30)], flats)
    assert remarks(made.facts) == ()


@pytest.mark.parametrize("limits", [BadPixelLimits(), BadPixelLimits(noisy_factor=2.0)])
def test_limits_reach_the_tests(limits):
    panel = SimulatedPanel(96, 96, seed=2)
    panel.read_std[5:90:9, 5:90:9] *= 3.5
    made = build(panel, [panel.darks(20)], [panel.flats(10)], limits=limits)
    assert (made.facts.bad_pixels["noisy"] > 50) == (limits.noisy_factor == 2.0)


def test_facts_carry_conditions_and_figures():
    conditions = Conditions(
        serial="P-7",
        gain_mode="high",
        frame_time_s=0.5,
        kv_min=150,
        kv_max=200,
        valid_from="2024-03-01",
        source_distance_mm=300,
        lag_fractions=(0.01,),
        exposures=({"kind": "dark", "files": 3},),
    )
    panel = SimulatedPanel(64, 64, seed=1)
    flats = [panel.flats(6, BRIGHT_GV / 4, dose=5), panel.flats(6, dose=20)]
    made = build(panel, [panel.darks(4)], flats, conditions=conditions)
    for field in dataclasses.fields(Conditions):
        assert getattr(made.facts, field.name) == getattr(conditions, field.name)
    assert (made.facts.rows, made.facts.columns) == (64, 64)
    assert made.identity == content_identity(made.facts, made.dark, made.gain, made.classes)
    assert all(np.isfinite(value) for value in made.facts.acceptance.values())
    figures = made.facts.acceptance
    # Median response differs from 1 by rounding, the tube's mean of six by 1 %/√6: 3 of these.
    assert figures["flat_signal_gv"] == pytest.approx(BRIGHT_GV, rel=0.013)
    assert figures["flat_snr"] == pytest.approx(np.sqrt(BRIGHT_GV / SLOPE_GV), rel=0.02)
    assert figures["dark_level_gv"] == pytest.approx(300, abs=2)
    assert made.facts.linearity is not None
    assert made.facts.linearity["slope"] == pytest.approx(BRIGHT_GV / 20, rel=0.02)
    assert abs(made.facts.linearity["intercept"]) < 0.01
    assert made.dark.dtype == made.gain.dtype == np.float32
    assert made.classes.dtype == np.uint8


def test_equal_doses_are_one_level_and_sets_may_be_split():
    panel = SimulatedPanel(64, 64, seed=1)
    made = build(panel, [panel.darks(3), panel.darks(2)], [panel.flats(4, dose=2)] * 2)
    assert made.facts.acceptance["flat_levels"] == 1
    assert made.facts.acceptance["flat_frames"] == 8
    assert made.facts.acceptance["dark_frames"] == 5


def test_the_same_exposures_give_the_same_identity_and_progress_counts_up():
    panel = SimulatedPanel(64, 64, seed=1)
    seen: list[tuple[int, int]] = []
    flats = panel.flats(9, dose=2)
    first = build(panel, [panel.darks(3)], [flats], progress=lambda *at: seen.append(at))
    second = build(panel, [panel.darks(3)], [panel.flats(9, dose=2)])
    assert first.identity == second.identity
    # Twice each, and one pair of darks, four of flats again.
    assert seen == [(i + 1, 2 * (3 + 9) + 2 + 8) for i in range(34)]
    assert flats.reads == 2 * 9 + 8


def test_memory_does_not_grow_with_frames():
    panel = SimulatedPanel(256, 256, seed=1)
    build(panel, [panel.darks(2)], [panel.flats(2)])  # compiles
    peaks = []
    for frames in (4, 24):
        darks, flats = [panel.darks(frames)], [panel.flats(frames)]
        tracemalloc.start()
        build(panel, darks, flats)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.05 * peaks[0]
    assert peaks[1] < 80 * panel.rows * panel.columns  # bytes a pixel, the simulation's included


@pytest.mark.parametrize(
    ("darks", "flats", "options", "message"),
    [
        ([], [(4, BRIGHT_GV, None)], {}, "darks: there are no dark frames.*Shoot darks"),
        ([0], [(4, BRIGHT_GV, None)], {}, "darks: there are no dark frames"),
        ([3], [], {}, "flats: too few flats: 0.*Shoot more"),
        ([3], [(1, BRIGHT_GV, 1), (1, 9e3, 2)], {}, "too few flats: 2, no two of one kind"),
        ([3], [(3, 9e3, 1), (3, BRIGHT_GV, None)], {}, "not all name their dose"),
        ([3], [(3, 9e3, -1.0)], {}, "flats: dose -1; .*above 0"),
        ([3], [(3, 9e3, float("nan"))], {}, "flats: dose nan"),
        ([3], [(3, 9e3, 2), (3, BRIGHT_GV, 1)], {}, "flats at dose 2: signal .*Check the doses"),
        ([3], [(3, BRIGHT_GV, None)], {"saturation_gv": 15_000}, "saturated"),
        ([3], [(3, 0, None)], {}, "darks .* as bright as the flats|doesn't grow|too dark"),
        ([3], [(3, 30, 5)], {}, "flats at dose 5: the flats are too dark.*more dose"),
    ],
)
def test_exposures_that_make_no_calibration_are_refused(darks, flats, options, message):
    panel = SimulatedPanel(64, 64, seed=1)
    with pytest.raises(CalibrationError, match=message):
        build(
            panel,
            [panel.darks(frames) for frames in darks],
            [panel.flats(frames, level, dose=dose) for frames, level, dose in flats],
            **options,
        )


def test_darks_and_flats_exchanged_are_refused():
    panel = SimulatedPanel(64, 64, seed=1)
    with pytest.raises(CalibrationError, match=r"as bright as the flats or brighter.*exchanged"):
        build(panel, [panel.flats(3)], [panel.darks(3)])


def test_copies_of_one_flat_are_refused():
    panel = SimulatedPanel(64, 64, seed=1)
    flats = panel.flats(4)
    read = flats.read
    flats.read = lambda index, out: read(0 * index, out)
    with pytest.raises(CalibrationError, match="copies of one frame"):
        build(panel, [panel.darks(3)], [flats])


def test_a_panel_that_is_mostly_bad_is_refused():
    panel = SimulatedPanel(64, 64, seed=1)
    limits = BadPixelLimits(noisy_factor=1e-6)
    with pytest.raises(CalibrationError, match=r"only 0\.\d % of the panel.*at least 50 %"):
        build(panel, [panel.darks(3)], [panel.flats(4)], limits=limits)
