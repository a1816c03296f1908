"""Things in the beam: frames of a simulated panel in which something lay at a known place."""

import numpy as np
import pytest

from pipeline.calibration.foreign_object import (
    BETWEEN_SETS,
    ForeignObject,
    block_means,
    find_objects,
    find_standing_object,
)
from tests.calibration.simulated_panel import BRIGHT_GV, SimulatedPanel

SHAPE = 320, 416


@pytest.fixture(scope="module")
def panel():
    """With bad pixels of all kinds, so that they are not taken for things."""
    panel = SimulatedPanel(*SHAPE, seed=5)
    dead, under, over, noisy = panel.choose(40, 40, 40, 80)
    panel.response[dead] = 0
    panel.response[under] *= 0.3
    panel.response[over] *= 2
    panel.read_std[noisy] *= 40
    panel.response[:, 200:210] = 0
    return panel


def shot(panel, frames, things=(), level_gv=BRIGHT_GV):
    """Block means of flats; ``things`` are (frame, rows and columns, what they let through)."""
    flats = panel.flats(frames, level_gv)
    raw = np.empty(SHAPE, np.uint16)
    maps = []
    for index in range(frames):
        flats.read(index, raw)
        for frame, place, passed in things:
            if frame == index:
                signal = np.maximum(raw[place] - panel.dark[place], 0)
                raw[place] = (panel.dark[place] + passed * signal).astype(np.uint16)
        maps.append(block_means(raw))
    return maps


def find(panel, maps, **options):
    return find_objects(maps, block_means(panel.dark), SHAPE, **options)


@pytest.mark.parametrize(
    ("loss", "said"),
    [(1.0, "100 %"), (0.998, "100 %"), (0.125, "12 %"), (0.0996, "10 %"), (0.0069, "0.69 %")],
)
def test_losses_are_said_without_powers_of_ten(loss, said):
    assert ForeignObject(0, 0, 0, 16, 16, loss).describe().endswith(f"up to {said} darker")


def test_block_means_cover_the_whole_picture():
    rng = np.random.default_rng(1)
    raw = rng.integers(0, 65_536, (50, 37)).astype(np.uint16)
    means = block_means(raw)
    assert means.shape == (3, 2)
    # Edges at 50/3 and 37/2, cut to whole pixels.
    assert means[1, 0] == pytest.approx(raw[16:33, :18].mean())
    assert means[2, 1] == pytest.approx(raw[33:, 18:].mean())
    np.testing.assert_allclose(block_means(raw.astype(np.float32)), means, rtol=1e-6)
    assert block_means(raw[:5, :7]).shape == (1, 1)
    full = np.full((64, 64), 65_535, np.uint16)
    np.testing.assert_array_equal(block_means(full), 65_535)


@pytest.mark.parametrize("frames", [2, 3, 20])
@pytest.mark.parametrize("level_gv", [400, BRIGHT_GV])
def test_clean_flats_show_nothing(panel, frames, level_gv):
    assert find(panel, shot(panel, frames, level_gv=level_gv)) == []


@pytest.mark.parametrize("frames", [2, 3, 10])
@pytest.mark.parametrize(
    ("place", "passed"),
    [
        (np.s_[100:108, 60:68], 0.8),  # a grain of dust
        (np.s_[100:112, 60:72], 0.9),
        (np.s_[30:90, 300:330], 0.985),  # a thin label
        (np.s_[0:40, 390:416], 0.5),  # in a corner
        (np.s_[100:220, 30:200], 0.3),  # a thick plate, a sixth of the panel
        (np.s_[150:160, 0:416], 0.5),  # a bar right across
    ],
)
def test_a_thing_in_one_flat_is_named_with_its_place(panel, frames, place, passed):
    (found,) = find(panel, shot(panel, frames, [(1, place, passed)]))
    assert found.frame == 1
    rows, columns = place
    # Whole blocks: at least most of it, at most a block more on each side.
    assert found.row in range(max(rows.start - 16, 0), rows.start + 16)
    assert found.column in range(max(columns.start - 16, 0), columns.start + 16)
    assert rows.stop - 16 < found.row + found.rows < rows.stop + 17
    assert columns.stop - 16 < found.column + found.columns < columns.stop + 17
    # A block's loss is its thing's at most (the noise of a block is 0.05 %).
    assert 0.005 < found.loss < 1 - passed + 0.01


def test_two_frames_with_something_are_both_named(panel):
    place, other = np.s_[40:80, 100:130], np.s_[200:230, 300:360]
    maps = shot(panel, 6, [(0, place, 0.9), (3, place, 0.9), (3, other, 0.6), (5, other, 0.8)])
    found = find(panel, maps)
    assert [(one.frame, one.column) for one in found] == [(0, 96), (3, 288), (5, 288)]


def test_what_three_of_four_flats_show_is_still_not_the_panel(panel):
    maps = shot(panel, 8, [(k, np.s_[40:80, 100:130], 0.9) for k in range(6)])
    assert [one.frame for one in find(panel, maps)] == [0, 1, 2, 3, 4, 5]


def test_a_pixel_that_blinks_is_nothing(panel):
    """It takes a block's 1/256 = 0.4 % away, or 0.9 % if it is stuck high as a rule."""
    usual = panel.response.copy()
    maps = shot(panel, 4)
    panel.stuck_gv[37, 90] = 65_535
    maps += shot(panel, 4)
    panel.stuck_gv[37, 90] = -1
    panel.response[200, 90] = 0
    maps += shot(panel, 4)
    panel.response = usual
    assert find(panel, maps) == []


def test_rows_that_flicker_and_a_beam_that_shifts_are_nothing(panel):
    rng = np.random.default_rng(3)
    maps = shot(panel, 6)
    dark = block_means(panel.dark)
    x = np.linspace(-1, 1, maps[0].shape[1])
    for k, one in enumerate(maps):
        rows = 1 + 0.004 * rng.standard_normal((len(one), 1))
        maps[k] = (dark + (one - dark) * rows * (1 + 0.01 * k * (x - x**2))).astype(np.float32)
    assert find(panel, maps) == []


def test_darks_and_single_flats_show_nothing(panel):
    assert find(panel, shot(panel, 1)) == []
    assert find(panel, [block_means(panel.dark)] * 3) == []


def test_a_thing_in_a_whole_set_shows_against_other_sets(panel):
    place = np.s_[60:100, 50:120]
    sets = [
        np.mean(shot(panel, 3, [(k, place, passed) for k in range(3)], level), axis=0)
        for level, passed in ((9000, 1), (BRIGHT_GV, 0.8), (14_000, 1))
    ]
    (found,) = find(panel, [one.astype(np.float32) for one in sets], limit=BETWEEN_SETS)
    assert found.frame == 1
    assert found.describe() == "rows 48–111, columns 48–127, up to 20 % darker"


def signal_of(panel):
    return (panel.response * BRIGHT_GV).astype(np.float32)


def test_a_panel_as_it_is_has_nothing_standing_in_its_beam(panel):
    signal = signal_of(panel)
    assert find_standing_object(signal, signal < 100) is None


@pytest.mark.parametrize("passed", [0.0, 0.4, 0.7])
@pytest.mark.parametrize("place", [np.s_[64:128, 80:144], np.s_[0:64, 300:400]])
def test_a_thing_in_every_flat_is_seen_if_large(panel, place, passed):
    signal = signal_of(panel)
    signal[place] *= passed
    found = find_standing_object(signal, np.zeros(SHAPE, bool))
    assert found is not None
    # Blocks of which at least half is covered: from column 80 on, or from 304.
    assert (found.row, found.column) == (place[0].start, -(-place[1].start // 16) * 16)
    assert found.rows == 64
    # Of the pixels' own gain a block's median keeps little: 2 %·1.25/16, and the beam's fit 5 %.
    assert found.loss == pytest.approx(1 - passed, abs=0.06)


@pytest.mark.parametrize("place", [np.s_[:, 48:112], np.s_[160:192, :], np.s_[100:116, 100:110]])
def test_bands_and_small_patches_are_the_panels(panel, place):
    signal = signal_of(panel)
    signal[place] *= 0.7
    assert find_standing_object(signal, np.zeros(SHAPE, bool)) is None


def test_a_dead_chip_at_the_edge_is_the_panels():
    panel = SimulatedPanel(*SHAPE, seed=5)
    signal = signal_of(panel)
    signal[240:, 288:352] = 0
    assert find_standing_object(signal, signal < 100) is None
    assert find_standing_object(signal, np.zeros(SHAPE, bool)) is not None


def test_a_small_panel_is_not_judged():
    panel = SimulatedPanel(176, 300, seed=5)
    signal = signal_of(panel)
    signal[20:60, 30:70] = 0
    assert find_standing_object(signal, signal < 0) is None
