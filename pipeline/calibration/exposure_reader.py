"""Reading exposures one at a time into one buffer: sketches first, then sums, some pairs again."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.noise import BlockNoise, pair_noise
from pipeline.calibration.statistics import Exposures, FrameStatistics
from pipeline.model import FloatImage, RawImage

MAX_PAIRS = 4
"""Pairs of frames read for the noise of one level: each gives a variance to √(2/pixels)."""

Progress = Callable[[int, int], None]
"""Told how many frames of how many have been read."""

Shot = tuple[Exposures, int]
"""One frame: its set and its index there."""


class ExposureReader:
    """Reads exposures into a reused buffer; counts them for ``progress``, of ``reads`` in all."""

    def __init__(self, rows: int, columns: int, reads: int, progress: Progress | None) -> None:
        self.shape = rows, columns
        self._buffer = np.empty(self.shape, np.uint16)
        self._progress = progress
        self._done, self._all = 0, reads

    def finish(self) -> None:
        """Say that all is read: with frames left out it may be fewer than were expected."""
        if self._done < self._all and self._progress:
            self._progress(self._all, self._all)

    def _read(self, shot: Shot, out: RawImage) -> None:
        source, index = shot
        source.read(index, out)
        self._done += 1
        if self._progress:
            self._progress(self._done, max(self._all, self._done))

    def frames(self, shots: Sequence[Shot]) -> Iterator[RawImage]:
        """Each frame in turn, in the same buffer: use it before taking the next."""
        for shot in shots:
            self._read(shot, self._buffer)
            yield self._buffer

    def accumulate(self, shots: Sequence[Shot]) -> FrameStatistics:
        """Running statistics of the frames."""
        statistics = FrameStatistics(*self.shape)
        for frame in self.frames(shots):
            statistics.add(frame)
        return statistics

    def pair_noise(
        self, shots: Sequence[Shot], dark: FloatImage, good: NDArray[np.bool_], *, lit: bool
    ) -> list[BlockNoise]:
        """Signal and noise of up to ``MAX_PAIRS`` pairs (see ``noise.pair_noise``)."""
        second = np.empty_like(self._buffer)
        blocks = []
        for one, other in pairs_of(shots):
            self._read(one, self._buffer)
            self._read(other, second)
            blocks.append(pair_noise(self._buffer, second, dark, good, lit=lit))
        return blocks


def frames_of(sources: Sequence[Exposures]) -> list[Shot]:
    """Every frame of all sets, in order."""
    return [(source, index) for source in sources for index in range(source.frames)]


def pairs_of(shots: Sequence[Shot]) -> list[tuple[Shot, Shot]]:
    """Up to ``MAX_PAIRS`` pairs of successive frames of one set, spread evenly."""
    pairs: list[tuple[Shot, Shot]] = []
    waiting: Shot | None = None
    for shot in shots:
        if waiting is not None and waiting[0] is shot[0]:
            pairs.append((waiting, shot))
            waiting = None
        else:
            waiting = shot
    if len(pairs) <= MAX_PAIRS:
        return pairs
    return [pairs[round(i * (len(pairs) - 1) / (MAX_PAIRS - 1))] for i in range(MAX_PAIRS)]
