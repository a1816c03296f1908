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

    ``read(index)`` gives the frame as the panel delivered it, or None when there is none. Not for
    several threads at once.
    """

    def __init__(
        self,
        stages: Sequence[FlatField | Lag | BadPixels],
        calibration: CalibrationSet,
        read: Callable[[int], Frame | None],
    ) -> None:
        lags = [k for k, stage in enumerate(stages) if isinstance(stage, Lag)]
        split = lags[0] if lags else len(stages)
        self._read = read
        self._before = _bound(stages[:split], calibration)
        self._after = _bound(stages[split + 1 :], calibration)
        self._kept: dict[int, Frame | None] = {}
        self._lag = None
        self._depth = 0
        if lags:
            lag = stages[split]
            assert isinstance(lag, Lag)
            self._lag, self._depth = lag.bind(calibration), lag.depth(calibration)

    def frame(self, index: int) -> Frame | None:
        """The corrected frame, or None when it can't be had."""
        frame = self._early(index)
        if frame is None:
            return None
        if self._lag is not None:
            frame = self._lag(frame, [self._early(index - k) for k in range(1, self._depth + 1)])
        return _run(self._after, frame)

    def _early(self, index: int) -> Frame | None:
        """The frame after the stages that come before lag."""
        if index in self._kept:
            return self._kept[index]
        frame = self._read(index) if index >= 0 else None
        if frame is not None:
            frame = _run(self._before, frame)
        if self._depth:
            self._kept[index] = frame
            while len(self._kept) > self._depth + 1:
                del self._kept[min(self._kept)]
        return frame


def _bound(
    stages: Sequence[FlatField | Lag | BadPixels], calibration: CalibrationSet
) -> list[Correction]:
    return [stage.bind(calibration) for stage in stages if not isinstance(stage, Lag)]


def _run(corrections: Sequence[Correction], frame: Frame) -> Frame:
    for correction in corrections:
        frame = correction(frame)
    return frame
