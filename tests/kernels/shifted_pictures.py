"""Pictures with a known shift between them: band-limited, so that the shift is exact."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import fourier_gaussian, fourier_shift, gaussian_filter

SIZE = 128


def structure(seed: int, *, wave_px: float = 3.0, size: int = SIZE) -> np.ndarray:
    """(size, size) float64, periodic, standard deviation 1: noise smoothed by ``wave_px``."""
    noise = np.random.default_rng(seed).standard_normal((size, size))
    smooth = np.fft.ifft2(fourier_gaussian(np.fft.fft2(noise), wave_px)).real
    return (smooth - smooth.mean()) / smooth.std()


def moved(picture: np.ndarray, down: float, across: float) -> np.ndarray:
    """The picture with what was at p now at p + (down, across); exact, round the borders."""
    return np.fft.ifft2(fourier_shift(np.fft.fft2(picture), (down, across))).real


def noisy(
    picture: np.ndarray, sigma: float, rng: np.random.Generator, blur_px: float = 0
) -> np.ndarray:
    """float32, with noise of standard deviation ``sigma``; white, or smoothed by ``blur_px``."""
    noise = rng.standard_normal(picture.shape)
    if blur_px:
        noise = gaussian_filter(noise, blur_px, mode="wrap")
        noise /= noise.std()
    return (picture + sigma * noise).astype(np.float32)


def cramer_rao(picture: np.ndarray, window: tuple[int, int, int, int], sigma: float) -> np.ndarray:
    """Least possible (2, 2) covariance, px², of a shift between two pictures, each with white
    noise ``sigma``: 2σ² over the structure's gradient products (as in Robinson and Milanfar 2004,
    *from memory*; two noisy pictures double the variance)."""
    row, column, height, width = window
    gradients = [
        np.fft.ifft2(np.fft.fft2(picture) * 2j * np.pi * frequency).real
        for frequency in np.meshgrid(*[np.fft.fftfreq(n) for n in picture.shape], indexing="ij")
    ]
    g = np.stack([k[row : row + height, column : column + width].ravel() for k in gradients])
    return 2 * sigma**2 * np.linalg.inv(g @ g.T)
