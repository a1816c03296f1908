"""Which of many welds may be the same: all pairs, at all turns, flipped or not, by spectra.

For two fingerprints turned against each other the likeness at every turn is one inverse Fourier
transform of the product of their spectra. Magnitudes are taken out of the spectra first, so that
what is regular in all welds (ticks of a tape, ripples) counts for the few frequencies that it has.
With many welds, what they have in common at the same places (gauges, marks) is taken out too, and
only pairs that promise something are compared so (``promising``).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numba
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from pipeline.model import FloatArray, FloatImage
from pipeline.quality.evidence.fingerprint import BANDS, PITCH_MM, Fingerprint
from pipeline.quality.evidence.promising import promising_pairs

_LARGE_MM = 1000.0  # circumference, from which on there is enough to compare to be coarser
_MERGED = 2  # bands taken together there
_SHORTEST_MM, _SHORTEST_SMALL_MM, _LONGEST_MM = 10.0, 4.0, 80.0  # wavelengths that count
_FINE = 2.6  # samples of the likeness for each of its shortest wavelengths
_MANY = 50  # welds, from which on what they have in common can be told
_SIGMAS, _SIGMAS_OF_FEW = 7.0, 5.5  # above chance; what passes is judged place by place
_FEW_PAIRS = 10_000  # so many may pass more easily: judging them takes no time to speak of
_SAME_SIZE = 0.01  # rings whose circumferences differ by less are compared as turns
_AT_ONCE = 256
_WAYS = 4  # as it is, reversed along, across, both

Complex = NDArray[np.complex64]


@dataclass(frozen=True, slots=True)
class Candidate:
    """Two fingerprints that may be of one weld: their numbers, and how the second lies.

    Made longer by ``scale``, reversed along the weld (about its beginning) and across it where
    told, and then moved on by ``shift_mm``, modulo ``turn_mm``, the second lies on the first.
    ``likeness`` is between −1 and 1, ``chance`` its standard deviation between strangers.
    """

    one: int
    other: int
    shift_mm: float
    turn_mm: float
    scale: float
    reversed_along: bool
    reversed_across: bool
    likeness: float
    chance: float


def find_candidates(prints: Sequence[Fingerprint], *, threads: int = 1) -> list[Candidate]:
    """All pairs whose likeness can't be chance; the best turn and flip of each."""
    found: list[Candidate] = []
    groups = _by_size(prints)
    few = len(prints) * (len(prints) - 1) / 2 <= _FEW_PAIRS
    sigmas = _SIGMAS_OF_FEW if few else _SIGMAS
    for number, group in enumerate(groups):
        samples = round(float(np.median([prints[k].circumference_mm for k in group])) / PITCH_MM)
        found += _within([prints[k] for k in group], group, samples, sigmas, threads)
        for later in groups[number + 1 :]:
            found += _between(prints, group, later, sigmas, threads)
    return sorted(found, key=lambda one: (one.one, one.other))


def tries(prints: Sequence[Fingerprint]) -> float:
    """How many pairs, turns and flips a search tries at most."""
    longest_mm = max((one.circumference_mm for one in prints), default=0.0)
    turns = _FINE * longest_mm / _SHORTEST_SMALL_MM
    return len(prints) * (len(prints) - 1) / 2 * turns * _WAYS


def _by_size(prints: Sequence[Fingerprint]) -> list[list[int]]:
    """Numbers of the fingerprints, those of pipes of one size together."""
    groups: list[list[int]] = []
    size_mm = -math.inf
    for k in sorted(range(len(prints)), key=lambda k: prints[k].circumference_mm):
        if prints[k].circumference_mm > size_mm * (1 + _SAME_SIZE):
            size_mm = prints[k].circumference_mm
            groups.append([])
        groups[-1].append(k)
    return groups


def _within(
    prints: Sequence[Fingerprint], numbers: Sequence[int], samples: int, sigmas: float, threads: int
) -> list[Candidate]:
    """Pairs of pipes of one size: a turn of one is a turn of the other."""
    spectra = np.stack([_spectrum(one, samples, as_turn=True) for one in prints])
    phases = spectra
    if len(prints) >= _MANY:
        spectra = spectra - spectra.mean(axis=0)
    shares = np.array([_share(one) for one in prints])
    found: list[Candidate] = []
    for k, later in _pairs(phases):
        one = prints[k]
        chance = 1 / np.sqrt(2 * spectra[k].size * np.minimum(shares[k], shares[later]))
        for match in _against(spectra[k], spectra[later], chance, samples, sigmas, threads):
            place = int(later[match.place])
            found.append(
                match.candidate(
                    numbers[k],
                    numbers[place],
                    turn_mm=one.circumference_mm,
                    scale=one.circumference_mm / prints[place].circumference_mm,
                )
            )
    return found


def _pairs(phases: Complex) -> Iterator[tuple[int, NDArray[np.int64]]]:
    """Which are compared with which later ones: all, or of very many the promising ones."""
    count = len(phases)
    if count * (count - 1) / 2 > _FEW_PAIRS:
        yield from promising_pairs(phases)
    else:
        yield from ((k, np.arange(k + 1, count)) for k in range(count - 1))


def _between(
    prints: Sequence[Fingerprint],
    some: Sequence[int],
    others: Sequence[int],
    sigmas: float,
    threads: int,
) -> list[Candidate]:
    """Pairs of pipes of two sizes: compared in millimetres, with room for the longer."""
    longest = max(prints[k].profile.shape[1] for k in (*some, *others))
    samples = int(scipy.fft.next_fast_len(longest, real=True))
    spectra = np.stack([_spectrum(prints[k], samples, as_turn=False) for k in others])
    parts = np.array([prints[k].known.sum() / samples for k in others])
    found: list[Candidate] = []
    for k in some:
        spectrum = _spectrum(prints[k], samples, as_turn=False)
        shares = np.minimum(prints[k].known.sum() / samples, parts)
        chance = 1 / np.sqrt(2 * spectrum.size * shares)
        found += [
            match.candidate(k, others[match.place], turn_mm=samples * PITCH_MM, scale=1.0)
            for match in _against(spectrum, spectra, chance, samples, sigmas, threads)
        ]
    return found


@dataclass(frozen=True, slots=True)
class _Match:
    """One of many that is like another: which, at what part of a turn, which way, how much."""

    place: int
    turn: float
    way: int
    likeness: float
    chance: float

    def candidate(self, one: int, other: int, *, turn_mm: float, scale: float) -> Candidate:
        return Candidate(
            one=one,
            other=other,
            shift_mm=self.turn * turn_mm,
            turn_mm=turn_mm,
            scale=scale,
            reversed_along=bool(self.way & 1),
            reversed_across=bool(self.way & 2),
            likeness=self.likeness,
            chance=self.chance,
        )


def _spectrum(one: Fingerprint, samples: int, *, as_turn: bool) -> Complex:
    """(bands, frequencies): phases of the wavelengths that count; a turn is ``samples`` long."""
    together = _MERGED if samples * PITCH_MM >= _LARGE_MM else 1
    merged = one.profile.reshape(BANDS // together, together, -1).mean(axis=1)
    if as_turn:
        length = samples if one.ring else round(merged.shape[1] * samples / one.circumference_mm)
        merged = _resampled(merged, length, ring=one.ring)
    whole = np.zeros((merged.shape[0], samples), dtype=np.float32)
    kept = min(samples, merged.shape[1])
    whole[:, :kept] = merged[:, :kept]
    spectrum = scipy.fft.rfft(whole, axis=1)[:, _frequencies(samples)]
    size = np.abs(spectrum)
    return np.asarray(spectrum / np.maximum(size, 1e-3 * size.mean() + 1e-12), dtype=np.complex64)


def _frequencies(samples: int) -> slice:
    length_mm = samples * PITCH_MM
    shortest_mm = _SHORTEST_MM if length_mm >= _LARGE_MM else _SHORTEST_SMALL_MM
    return slice(math.ceil(length_mm / _LONGEST_MM), math.floor(length_mm / shortest_mm) + 1)


def _resampled(values: FloatImage, length: int, *, ring: bool) -> FloatImage:
    """The rows at another number of samples over the same stretch."""
    count = values.shape[1]
    if count == length:
        return values
    at = np.arange(length) * count / length
    period = count if ring else None
    return np.stack([np.interp(at, np.arange(count), row, period=period) for row in values]).astype(
        np.float32
    )


def _share(one: Fingerprint) -> float:
    """Of a turn, what a strip shows: what is shorter is alike by chance more easily."""
    return float(min(one.known.sum() * PITCH_MM / one.circumference_mm, 1.0))


def _against(
    spectrum: Complex,
    others: Complex,
    chance: FloatArray,
    samples: int,
    sigmas: float,
    threads: int,
) -> Iterator[_Match]:
    """One against many: for each the best turn and flip, if it stands out of its chance."""
    wanted = _frequencies(samples)
    fine = int(scipy.fft.next_fast_len(round(_FINE * wanted.stop), real=True))
    for begin in range(0, len(others), _AT_ONCE):
        part = others[begin : begin + _AT_ONCE]
        products = np.zeros((len(part), _WAYS, fine // 2 + 1), dtype=np.complex64)
        _products(spectrum, part, products, wanted.start)
        likeness = scipy.fft.irfft(products, n=fine, axis=2, workers=threads)
        likeness *= fine / (2 * spectrum.size)
        best = likeness.reshape(len(part), -1).max(axis=1)
        usual = chance[begin : begin + _AT_ONCE]
        for k in np.flatnonzero(best > sigmas * usual):
            way, at = np.unravel_index(int(np.argmax(likeness[k])), likeness.shape[1:])
            yield _Match(begin + int(k), int(at) / fine, int(way), float(best[k]), float(usual[k]))


@numba.njit(cache=True, fastmath=True, parallel=True)  # type: ignore[untyped-decorator]
def _products(one: Complex, others: Complex, products: Complex, first: int) -> None:
    """Sums over the bands of one's spectrum times the others' conjugates, four ways: as it is,
    the others reversed along (bit 0), reversed across (bit 1)."""
    bands, count = one.shape
    for k in numba.prange(others.shape[0]):
        for band in range(bands):
            mirrored = bands - 1 - band
            for f in range(count):
                a = one[band, f]
                b, c = others[k, band, f], others[k, mirrored, f]
                products[k, 0, first + f] += a * b.conjugate()
                products[k, 1, first + f] += a * b
                products[k, 2, first + f] += a * c.conjugate()
                products[k, 3, first + f] += a * c
