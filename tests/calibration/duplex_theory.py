"""What a duplex wire gauge must show through a known blur: theory, without the package's code.

A pair of round wires one diameter apart, the profile 1 − passed(chord), blurred by a Gaussian and a
pixel's width in Fourier space on a half-micrometre grid; the dip is read off its extremes.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

# ISO 19232-5, as two public gauge sellers' pages reproduce its table.
DIAMETERS_MM = (0.8, 0.63, 0.5, 0.4, 0.32, 0.25, 0.2, 0.16, 0.13, 0.1, 0.08, 0.063, 0.05)
PLATINUM_PER_MM = 10.71  # at 100 keV; xraydb (4.99 cm²/g times 21.45 g/cm³)

Passed = Callable[[np.ndarray], np.ndarray]


def platinum(chord_mm: np.ndarray) -> np.ndarray:
    """What passes through platinum at 100 keV."""
    return np.exp(-PLATINUM_PER_MM * chord_mm)


def dip_percent(diameter_mm: float, sigma_mm: float, pitch_mm: float, passed: Passed) -> float:
    step = 0.0005
    x = np.arange(-6, 6, step)
    chord = sum(
        2 * np.sqrt(np.maximum((diameter_mm / 2) ** 2 - (x - side) ** 2, 0))
        for side in (-diameter_mm, diameter_mm)
    )
    frequency = np.fft.fftfreq(x.size, step)
    mtf = np.exp(-2 * (np.pi * frequency * sigma_mm) ** 2) * np.sinc(frequency * pitch_mm)
    depth = np.fft.ifft(np.fft.fft(1 - passed(chord)) * mtf).real
    top, middle = depth.max(), depth[x.size // 2]
    return float(100 * (top - middle) / top)


def dips_percent(sigma_mm: float, pitch_mm: float, passed: Passed = platinum) -> list[float]:
    return [dip_percent(one, sigma_mm, pitch_mm, passed) for one in DIAMETERS_MM]


def sr_b_mm(sigma_mm: float, pitch_mm: float, passed: Passed = platinum) -> float:
    """The diameter at 20 %: two pairs above, those of the next two below that have a dip."""
    dips = dips_percent(sigma_mm, pitch_mm, passed)
    below = next(k for k, dip in enumerate(dips) if dip < 20)
    used = [k for k in range(below - 2, min(below + 2, 13)) if k <= below or dips[k] > 0.05]
    curve = np.polyfit([DIAMETERS_MM[k] for k in used], [dips[k] - 20 for k in used], 2)
    (root,) = [
        r.real for r in np.roots(curve) if DIAMETERS_MM[used[-1]] <= r.real <= DIAMETERS_MM[used[0]]
    ]
    return float(root)
