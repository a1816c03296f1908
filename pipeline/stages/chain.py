"""The *correct* stages of a config, one after the other, for any frame of a scan."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from pipeline.calibration.product import CalibrationSet
from pipeline.model import Frame
from pipeline.stages.bad_pixels import BadPixels
from pipeline.stages.base import Correction
from pipeline.stages.flat_field import FlatField
from pipeline.stages.lag import Lag


class CorrectionChain:
    """Gives corrected frames by index; keeps only the few earlier frames that lag needs.

    ``read(index)`` gives the frame as the panel delivered it, or None when there is none. ``order``
    holds the indices of all frames of the scan, those that can't be read included, as they were
    shot, for that is what lag looks back on; without it they were shot as they are numbered. Not
    for several threads at once.
    """

    def __init__(
        self,
        stages: Sequence[FlatField | Lag | BadPixels],
        calibration: CalibrationSet,
        read: Callable[[int], Frame | None],
        order: Sequence[int] | None = None,
    ) -> None:
        lags = [k for k, stage in enumerate(stages) if isinstance(stage, Lag)]
        split = lags[0] if lags else len(stages)
        self._read = read
        self._order = None if order is None else tuple(order)
        self._turn = {index: k for k, index in enumerate(self._order or ())}
        self._before = _bound(stages[:split], calibration)
        self._after = _bound(stages[split + 1 :], calibration)
        self._kept: dict[int, Frame | None] = {}
        self._without_history: set[int] = set()
        self._lag = None
        self._depth = 0
        if lags:
            lag = stages[split]
            assert isinstance(lag, Lag)
            self._lag, self._depth = lag.bind(calibration), lag.depth(calibration)

    @property
    def without_history(self) -> tuple[int, ...]:
        """The frames given so far whose lag correction lacked a frame before them, sorted.

        Before its first frame a scan has no history to lack: the panel was dark.
        """
        return tuple(sorted(self._without_history))

    def frame(self, index: int) -> Frame | None:
        """The corrected frame, or None when it can't be had."""
        earlier = self._shot_before(index)
        # From either side the next frame needs all of these but one.
        self._kept = {k: self._kept[k] for k in (index, *earlier) if k in self._kept}
        frame = self._early(index)
        if frame is None:
            return None
        if self._lag is not None:
            history = [self._early(k) for k in earlier]
            if any(one is None for one in history):
                self._without_history.add(index)
            frame = self._lag(frame, history)
        return _run(self._after, frame)

    def _shot_before(self, index: int) -> Sequence[int]:
        """The frames that lag looks back on, newest first; fewer where the scan begins."""
        if self._order is None:
            return range(index - 1, max(index - self._depth, 0) - 1, -1)
        turn = self._turn[index]
        return self._order[max(turn - self._depth, 0) : turn][::-1]

    def _early(self, index: int) -> Frame | None:
        """The frame after the stages that come before lag."""
        if index in self._kept:
            return self._kept[index]
        frame = self._read(index)
        if frame is not None:
            frame = _run(self._before, frame)
        if self._depth:
            self._kept[index] = frame
        return frame


def _bound(
    stages: Sequence[FlatField | Lag | BadPixels], calibration: CalibrationSet
) -> list[Correction]:
    return [stage.bind(calibration) for stage in stages if not isinstance(stage, Lag)]


def _run(corrections: Sequence[Correction], frame: Frame) -> Frame:
    for correction in corrections:
        frame = correction(frame)
    return frame
