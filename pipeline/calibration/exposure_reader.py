"""Reading dark and flat exposures one at a time: all of them once, some pairs again."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.noise import BlockNoise, pair_noise
from pipeline.calibration.statistics import Exposures, FrameStatistics
from pipeline.model import FloatImage, RawImage

MAX_PAIRS = 4
"""Pairs of frames read for the noise of one level: each gives a variance to √(2/pixels)."""

Progress = Callable[[int, int], None]
"""Told how many frames of how many have been read."""


class ExposureReader:
    """Reads exposures into one reused buffer and counts them for ``progress``."""

    def __init__(
        self,
        rows: int,
        columns: int,
        darks: Sequence[Exposures],
        flats: Sequence[Exposures],
        progress: Progress | None,
    ) -> None:
        self.shape = rows, columns
        self._buffer = np.empty(self.shape, np.uint16)
        self._progress = progress
        self._done = 0
        once = sum(source.frames for source in (*darks, *flats))
        self._all = once + 2 * sum(len(pairs_of(sources)) for sources in (darks, *by_dose(flats)))

    def _read(self, source: Exposures, index: int, out: RawImage) -> None:
        source.read(index, out)
        self._done += 1
        if self._progress:
            self._progress(self._done, self._all)

    def accumulate(
        self, sources: Sequence[Exposures], start: int = 0, stop: int | None = None
    ) -> FrameStatistics:
        """Running statistics of the frames ``start`` to ``stop`` of all sources in a row."""
        statistics = FrameStatistics(*self.shape)
        for source, index in frames_of(sources)[start:stop]:
            self._read(source, index, self._buffer)
            statistics.add(self._buffer)
        return statistics

    def pair_noise(
        self, sources: Sequence[Exposures], dark: FloatImage, good: NDArray[np.bool_], *, lit: bool
    ) -> list[BlockNoise]:
        """Signal and noise of up to ``MAX_PAIRS`` pairs (see ``noise.pair_noise``)."""
        second = np.empty_like(self._buffer)
        blocks = []
        for source, index in pairs_of(sources):
            self._read(source, index, self._buffer)
            self._read(source, index + 1, second)
            blocks.append(pair_noise(self._buffer, second, dark, good, lit=lit))
        return blocks


def frames_of(sources: Sequence[Exposures]) -> list[tuple[Exposures, int]]:
    """Source and index of every frame, in order."""
    return [(source, index) for source in sources for index in range(source.frames)]


def pairs_of(sources: Sequence[Exposures]) -> list[tuple[Exposures, int]]:
    """Source and first index of up to ``MAX_PAIRS`` pairs of neighbours, spread evenly."""
    pairs = [(source, index) for source in sources for index in range(0, source.frames - 1, 2)]
    if len(pairs) <= MAX_PAIRS:
        return pairs
    return [pairs[round(i * (len(pairs) - 1) / (MAX_PAIRS - 1))] for i in range(MAX_PAIRS)]


def by_dose(flats: Sequence[Exposures]) -> list[list[Exposures]]:
    """The flats that have frames, grouped by dose, least dose first."""
    groups: dict[float, list[Exposures]] = {}
    for source in flats:
        if source.frames:
            groups.setdefault(source.dose or 0.0, []).append(source)
    return [groups[dose] for dose in sorted(groups)]
