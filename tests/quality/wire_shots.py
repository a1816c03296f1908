"""Pictures of a single-wire gauge, drawn without the package's code."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import numpy as np
from scipy.ndimage import uniform_filter1d

WIRES_MM = {10: 0.40, 11: 0.32, 12: 0.25, 13: 0.20, 14: 0.16, 15: 0.125, 16: 0.100}
PITCH_MM = 0.1
STEP_MM = 0.002
LEVEL_GV = 20000.0


def seen_mm(diameter_mm: float, sigma_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """(places, thickness seen there) of a round wire through a Gaussian and a pixel's width."""
    x = (np.arange(3000) - 1500) * STEP_MM
    chord = 2 * np.sqrt(np.maximum((diameter_mm / 2) ** 2 - x**2, 0))
    frequency = np.fft.fftfreq(x.size, STEP_MM)
    mtf = np.exp(-2 * (np.pi * frequency * sigma_mm) ** 2) * np.sinc(frequency * PITCH_MM)
    return x, np.fft.ifft(np.fft.fft(chord) * mtf).real


def shot(
    rng: np.random.Generator,
    *,
    snr: float,
    per_mm: float = 0.05,
    sigma_mm: float = 0.06,
    lean_deg: float = 0.0,
    off_mm: float = 0.0,
    falling: bool = True,
    spacing_mm: float = 5.0,
    size_mm: tuple[float, float] = (12.0, 42.0),
    wires: Mapping[int, float] = WIRES_MM,
    absent: Collection[int] = (),
    moved_mm: Mapping[int, float] | None = None,
    shared_noise: int = 1,
) -> np.ndarray:
    """Wires down the columns but for the lean, their middle ``off_mm`` right of the picture's.

    ``snr`` is a bare pixel's, noise in proportion to the root of the signal; ``shared_noise`` is
    over how many neighbours, each way, noise is averaged, its size kept.
    """
    rows, columns = (round(side / PITCH_MM) for side in size_mm)
    x = (np.arange(columns) - (columns - 1) / 2) * PITCH_MM
    y = (np.arange(rows) - (rows - 1) / 2) * PITCH_MM
    depth = np.zeros((rows, columns))
    for place, (number, diameter) in enumerate(wires.items()):
        if number in absent:
            continue
        at = off_mm + (1 if falling else -1) * (place - (len(wires) - 1) / 2) * spacing_mm
        at += (moved_mm or {}).get(number, 0.0)
        away = x - at - np.tan(np.radians(lean_deg)) * y[:, None]
        depth += np.interp(away, *seen_mm(diameter, sigma_mm), left=0, right=0)
    picture = LEVEL_GV * np.exp(-per_mm * depth)
    noise = rng.standard_normal(picture.shape)
    for axis in (0, 1):
        noise = uniform_filter1d(noise, shared_noise, axis=axis, mode="wrap") * shared_noise**0.5
    return picture + noise * np.sqrt(LEVEL_GV * picture) / snr


def noise_of_depth(number: int, *, length_mm: float, window_mm: float, sigma_mm: float) -> float:
    """By what a wire's depth is uncertain where a pixel's relative noise is 1: least squares of
    its shape (1 in the middle) and a straight ground in a window, over all lines."""
    x, seen = seen_mm(WIRES_MM[number], sigma_mm)
    at = np.arange(-window_mm, window_mm + PITCH_MM / 2, PITCH_MM)
    terms = np.stack([np.interp(at, x, seen / seen.max()), np.ones_like(at), at], axis=1)
    inverse = np.linalg.inv(terms.T @ terms)
    return float(np.sqrt(inverse[0, 0] / (length_mm / PITCH_MM)))
