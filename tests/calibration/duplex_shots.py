"""Pictures of a duplex wire gauge, drawn without the package's code."""

from __future__ import annotations

import cv2
import numpy as np

from tests.calibration.duplex_theory import DIAMETERS_MM, Passed, platinum

ALONG, ACROSS = 2, 16  # parts of a pixel


def shot(
    sigma_mm: float,
    *,
    pitch_mm: float = 0.1,
    tilt_deg: float = 3.0,
    snr: float = 300.0,
    seed: int = 1,
    size_mm: tuple[float, float] = (24.0, 70.0),
    first_mm: float = 6.0,
    spacing_mm: float = 4.5,
    length_mm: float = 13.0,
    passed: Passed = platinum,
) -> np.ndarray:
    """The gauge in the middle row, wires down the columns but for the tilt, thickest pair left.

    The beam is 20 % brighter at the right than at the left; ``snr`` is a bare pixel's.
    """
    rows, columns = (round(side / pitch_mm) for side in size_mm)
    x = (np.arange(columns * ACROSS) + 0.5) * pitch_mm / ACROSS
    y = (np.arange(rows * ALONG) + 0.5) * pitch_mm / ALONG - size_mm[0] / 2
    cos, tan = np.cos(np.radians(tilt_deg)), np.tan(np.radians(tilt_deg))
    # Blurred across the wires first: along them everything but their ends is even.
    fine = np.ones((y.size, columns), dtype=np.float32)
    for number in np.flatnonzero(np.abs(y) < length_mm / 2):
        chord = np.zeros(x.size)
        for pair, diameter in enumerate(DIAMETERS_MM):
            centre = first_mm + pair * spacing_mm + tan * y[number]
            near = slice(*np.searchsorted(x, (centre - 2 * diameter, centre + 2 * diameter)))
            for side in (-diameter, diameter):
                away = (x[near] - centre) * cos - side
                chord[near] += 2 * np.sqrt(np.maximum((diameter / 2) ** 2 - away**2, 0))
        line = passed(chord).astype(np.float32)[None]
        line = cv2.GaussianBlur(line, (0, 0), ACROSS * sigma_mm / pitch_mm, sigmaY=1e-3)
        fine[number] = line.reshape(columns, ACROSS).mean(axis=1)
    fine = cv2.GaussianBlur(fine, (0, 0), 1e-3, sigmaY=ALONG * sigma_mm / pitch_mm)
    picture = fine.reshape(rows, ALONG, columns).mean(axis=1)
    picture *= 20000 * np.linspace(0.9, 1.1, columns)
    noise = np.random.default_rng(seed).standard_normal(picture.shape)
    # Like photons: noise in proportion to the root of the signal.
    return (picture + noise * np.sqrt(20000 * np.maximum(picture, 0)) / snr).astype(np.float32)
