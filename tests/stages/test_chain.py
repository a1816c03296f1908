"""The chain of corrections: in order, with lag's earlier frames, through missing ones."""

from __future__ import annotations

import weakref
from collections import Counter

import numpy as np
import pytest

from pipeline.geometry import Panel
from pipeline.model import Frame, FrameFlag, PixelClass
from pipeline.stages.bad_pixels import BadPixels
from pipeline.stages.chain import CorrectionChain
from pipeline.stages.flat_field import FlatField
from pipeline.stages.lag import Lag
from tests.stages.invented import calibration_of

PANEL = Panel(12, 16, 0.1)
DARK, GAIN = 100, 0.5


def calibration() -> object:
    made = calibration_of(PANEL)
    made.dark[:], made.gain[:] = DARK, GAIN
    made.classes[4, 4] = PixelClass.DEAD
    return made


class Shelf:
    """Raw frames by index: doses with lag, dark and gain put on; some are missing."""

    def __init__(
        self, count: int, fractions: tuple[float, ...] = (), missing: tuple[int, ...] = ()
    ) -> None:
        self.dose = np.random.default_rng(4).integers(10_000, 40_000, count).astype(float)
        self.fractions, self.missing = fractions, missing
        self.reads: Counter[int] = Counter()

    def read(self, index: int) -> Frame | None:
        assert 0 <= index < len(self.dose)
        self.reads[index] += 1
        if index in self.missing:
            return None
        shown = self.dose[index] + sum(
            f * self.dose[index - k]
            for k, f in enumerate(self.fractions, start=1)
            if index - k >= 0
        )
        raw = np.full((12, 16), round(DARK + GAIN * shown), np.uint16)
        raw[4, 4] = 0
        return Frame(index, raw, np.zeros(raw.shape, np.uint8))


def test_without_stages_a_frame_comes_as_it_was_read() -> None:
    shelf = Shelf(3)
    frame = CorrectionChain([], calibration(), shelf.read).frame(1)
    assert frame is not None and frame.values.dtype == np.uint16


def test_flat_field_and_bad_pixels_in_their_order() -> None:
    shelf = Shelf(3)
    chain = CorrectionChain([FlatField(), BadPixels()], calibration(), shelf.read)
    for index in (2, 0, 1):
        frame = chain.frame(index)
        assert frame is not None and frame.index == index
        # The raw value was rounded: half a gray value over the gain.
        assert np.abs(frame.values - shelf.dose[index]).max() <= 0.5 / GAIN + 0.01
        assert np.argwhere(frame.flags).tolist() == [[4, 4]]
    assert shelf.reads == {0: 1, 1: 1, 2: 1}


@pytest.mark.parametrize("fractions", [(0.05,), (0.06, 0.02), (0.05, 0.02, 0.01)])
@pytest.mark.parametrize("order", ["forward", "backward", "with holes"])
def test_lag_is_undone_whatever_the_order(fractions: tuple[float, ...], order: str) -> None:
    shelf = Shelf(12, fractions)
    chain = CorrectionChain(
        [FlatField(), Lag(fractions=fractions), BadPixels()], calibration(), shelf.read
    )
    wanted = {"forward": range(12), "backward": range(11, -1, -1), "with holes": (0, 1, 5, 6, 11)}
    for index in wanted[order]:
        frame = chain.frame(index)
        assert frame is not None
        # Rounding of this and the earlier frames: (1 + 0.1) * 0.5 / gain; the first term left out
        # of the series is below 0.08^4 = 4e-5 of 40,000.
        assert np.abs(frame.values - shelf.dose[index]).max() <= 0.55 / GAIN + 2
        assert np.argwhere(frame.flags).tolist() == [[4, 4]]


def test_a_missing_frame_is_none_and_counts_as_dark_for_the_next() -> None:
    shelf = Shelf(8, (0.1,), missing=(3,))
    chain = CorrectionChain([FlatField(), Lag(fractions=(0.1,))], calibration(), shelf.read)
    frames = [chain.frame(k) for k in range(8)]
    assert [k for k, frame in enumerate(frames) if frame is None] == [3]
    four = frames[4]
    assert four is not None
    # What frame 3 left behind stays; that it also held a tenth of frame 2 isn't known, so the
    # hundredth of frame 2 that was to be given back is added in vain. Next term 1e-4 of 40,000.
    expected = shelf.dose[4] + 0.1 * shelf.dose[3] + 0.01 * shelf.dose[2]
    assert four.values[0, 0] == pytest.approx(expected, abs=4 + 0.55 / GAIN)
    seven = frames[7]
    assert seven is not None
    assert seven.values[0, 0] == pytest.approx(shelf.dose[7], abs=4 + 40 + 0.55 / GAIN)  # 1e-3 of 4


def test_flags_of_kept_frames_do_not_leak() -> None:
    shelf = Shelf(4, (0.1,))

    def read(index: int) -> Frame | None:
        frame = shelf.read(index)
        if frame is not None and index == 1:
            frame.flags[2, 2] = FrameFlag.SATURATED
        return frame

    chain = CorrectionChain([FlatField(), Lag(fractions=(0.1,)), BadPixels()], calibration(), read)
    flagged = [np.argwhere(chain.frame(k).flags).tolist() for k in range(4)]
    assert flagged == [[[4, 4]], [[2, 2], [4, 4]], [[4, 4]], [[4, 4]]]


@pytest.mark.parametrize("step", [1, -1, 2, -2])
@pytest.mark.parametrize("fractions", [(0.05,), (0.05, 0.02)])
def test_frames_in_order_from_either_end_are_read_once(
    step: int, fractions: tuple[float, ...]
) -> None:
    shelf = Shelf(12, fractions, missing=(5,))
    chain = CorrectionChain([FlatField(), Lag(fractions=fractions)], calibration(), shelf.read)
    for index in range(12)[::step]:
        chain.frame(index)
    # Lag looks back on three frames or more: every second frame still needs them all.
    assert set(shelf.reads.values()) == {1}


def test_only_what_one_frame_needs_is_held() -> None:
    held: list[weakref.ref[np.ndarray]] = []
    shelf = Shelf(30, (0.05,))

    def read(index: int) -> Frame | None:
        # As many as lag looks back on: the one that is being read comes on top.
        assert sum(ref() is not None for ref in held) <= 3
        frame = shelf.read(index)
        assert frame is not None
        held.append(weakref.ref(frame.values))
        return frame

    chain = CorrectionChain([Lag(fractions=(0.05,))], calibration(), read)
    for index in (*range(10), *range(29, 9, -1), 2, 20):
        chain.frame(index)


ORDER = (7, 3, 9, 0, 11, 1, 4, 10, 2, 8, 6, 5)  # how the frames were shot


class Unsorted(Shelf):
    """A table that isn't sorted as the frames were shot: frame ORDER[k] was shot k-th."""

    def read(self, index: int) -> Frame | None:
        frame = super().read(ORDER.index(index))
        return None if frame is None else Frame(index, frame.values, frame.flags)


@pytest.mark.parametrize("backward", [False, True])
def test_lag_looks_back_as_the_frames_were_shot(backward: bool) -> None:
    shelf = Unsorted(12, (0.06, 0.02))
    chain = CorrectionChain(
        [FlatField(), Lag(fractions=(0.06, 0.02))], calibration(), shelf.read, ORDER
    )
    for index in ORDER[::-1] if backward else ORDER:
        frame = chain.frame(index)
        assert frame is not None and frame.index == index
        # As in test_lag_is_undone_whatever_the_order.
        dose = shelf.dose[ORDER.index(index)]
        assert np.abs(frame.values - dose)[0, 0] <= 0.55 / GAIN + 2
    assert set(shelf.reads.values()) == {1}
    assert chain.without_history == ()


@pytest.mark.parametrize(
    ("order", "some", "every"),
    [(None, (5, 6), (5, 6, 7, 11)), (ORDER, (6, 8), (2, 6, 8))],  # 4 and 10 come before 2, 8, 6
)
def test_frames_after_a_missing_one_are_told(
    order: tuple[int, ...] | None, some: tuple[int, ...], every: tuple[int, ...]
) -> None:
    stages = [FlatField(), Lag(fractions=(0.05,)), BadPixels()]  # looks back on three
    shelf = Shelf(12, (0.05,), missing=(4, 10))
    chain = CorrectionChain(stages, calibration(), shelf.read, order)
    assert chain.without_history == ()
    for index in (0, 8, 5, 6):
        chain.frame(index)
    assert chain.without_history == some
    for index in range(12):
        chain.frame(index)
    assert chain.without_history == every


def test_without_lag_no_history_is_needed() -> None:
    chain = CorrectionChain([FlatField()], calibration(), Shelf(4, missing=(1,)).read)
    for index in range(4):
        chain.frame(index)
    assert chain.without_history == ()
