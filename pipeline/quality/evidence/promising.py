"""Which of very many pairs are worth comparing at every turn: told by what a turn doesn't change.

To turn a weld changes the phase of every frequency alike in all bands. So one band's spectrum times
the conjugate of another's stays as it is, and pairs of welds are compared by a product of matrices
instead of a Fourier transform each. To reverse a weld along is the conjugate of that, to reverse it
across exchanges the bands. What is alike here needn't be one weld; but two strips of one weld, even
a third of one, are alike by several times what strangers are.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from pipeline.model import FloatImage

_SIGMAS = 4.0  # of strangers' likeness
_ROWS_AT_ONCE = 1000

Complex = NDArray[np.complex64]


def promising_pairs(spectra: Complex) -> Iterator[tuple[int, NDArray[np.int64]]]:
    """For each weld the later ones that it may be the same as; those with none are left out.

    ``spectra`` (welds, bands, frequencies) have magnitudes of about 1.
    """
    plain = _invariants(spectra)
    mirrored = _invariants(spectra[:, ::-1])
    common = plain.mean(axis=0)
    common_mirrored = mirrored.mean(axis=0)
    plain, mirrored = plain - common, mirrored - common_mirrored
    right = [np.ascontiguousarray(part.T) for part in (plain.real, plain.imag)]
    right += [np.ascontiguousarray(part.T) for part in (mirrored.real, mirrored.imag)]
    for first in range(0, len(plain), _ROWS_AT_ONCE):
        rows = plain[first : first + _ROWS_AT_ONCE]
        hopeful = _hopeful(np.ascontiguousarray(rows.real), np.ascontiguousarray(rows.imag), right)
        for offset, row in enumerate(hopeful):
            number = first + offset
            later = np.flatnonzero(row[number + 1 :]) + number + 1
            if later.size:
                yield number, later


def _hopeful(real: FloatImage, imaginary: FloatImage, right: list[FloatImage]) -> NDArray[np.bool_]:
    """(rows, welds): whether one of the four ways is more alike than strangers are."""
    result = np.zeros((len(real), right[0].shape[1]), dtype=np.bool_)
    for real_part, imaginary_part in (right[:2], right[2:]):
        same, other = real @ real_part, imaginary @ imaginary_part
        for alike in (same + other, same - other):
            some = alike[:, :: max(1, alike.shape[1] // 500)]
            spread = 1.4826 * float(np.median(np.abs(some - np.median(some))))
            result |= alike > float(np.median(some)) + _SIGMAS * spread
    return result


def _invariants(spectra: Complex) -> Complex:
    """(welds, pairs of bands × frequencies)."""
    bands = spectra.shape[1]
    pairs = [spectra[:, a] * spectra[:, b].conj() for a, b in combinations(range(bands), 2)]
    return np.concatenate(pairs, axis=1)
