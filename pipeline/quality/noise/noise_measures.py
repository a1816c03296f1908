"""The noise of a strip beside the weld: SNR and SNR_N place by place."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.model import FloatImage, StripGrid
from pipeline.quality.noise.resampled_noise import (
    NoiseTexture,
    noise_texture,
    resampled_correlation,
)
from pipeline.quality.noise.snr import REFERENCE_MM, Snr, measure_snrs, snr_n
from pipeline.quality.noise.weld_line import WeldLine, find_weld_line
from pipeline.quality.noise.window_stacks import Cut, same_shape
from pipeline.quality.noise.windows import Window, WindowPlan, place_windows


@dataclass(frozen=True, slots=True)
class NoiseAt:
    """What one window of the strip shows.

    ``snr`` is that of a strip pixel, line by line (``measure_snrs``), the metal's surface counted
    as noise; ``snr_white`` what it would be without resampling, as on the panel, and ``snr_n`` that
    for the standard sharpness; each with its standard deviation. ``predicted_snr`` is mean over the
    noise that the strip's map predicts from dose, and ``frames`` how many frames measured the
    window, its median; None where there are no maps. ``snr_n`` is None without an SR_b.
    """

    window: Window
    mean_gv: float
    groups: int
    snr: float
    snr_sigma: float
    snr_white: float
    snr_white_sigma: float
    snr_n: float | None
    snr_n_sigma: float | None
    predicted_snr: float | None
    frames: float | None


@dataclass(frozen=True, slots=True)
class Stretch:
    """SNR_N over a length of the weld: the middle, the mean over its windows with its standard
    deviation, and how many windows there are."""

    s_mm: float
    snr_n: float
    sigma: float
    windows: int


@dataclass(frozen=True, slots=True)
class NoiseMeasures:
    """The noise along a strip.

    ``as_it_is``: the picture wasn't taken to be resampled.
    ``resampling_left`` is the part of a panel pixel's noise variance that a strip pixel has;
    ``texture`` tells noise from the metal's surface over all windows together, None where they are
    too few. ``why_not`` says why there are no places, where there are none.
    """

    weld: WeldLine
    places: tuple[NoiseAt, ...]
    sr_b_mm: float | None
    aperture_mm: float
    resampling_left: float
    texture: NoiseTexture | None
    why_not: str = ""
    as_it_is: bool = False

    @property
    def typical_snr_n(self) -> float | None:
        """The median of SNR_N over all windows."""
        told = [place.snr_n for place in self.places if place.snr_n is not None]
        return float(np.median(told)) if told else None

    @property
    def snr_n_without_surface(self) -> float | None:
        """SNR_N of the noise alone, over all windows: what it would be on smooth metal."""
        if self.texture is None or self.sr_b_mm is None:
            return None
        return snr_n(
            math.sqrt(self.resampling_left) / self.texture.noise, self.sr_b_mm, self.aperture_mm
        )

    def dose_factor(self, required_snr_n: float, found_snr_n: float | None = None) -> float | None:
        """By which factor the dose must grow for SNR_N to become what is required.

        ``found_snr_n`` is what it is, the typical one if not told; where it is less than that, as
        much more surface counts as more noise. Noise falls as the root of the dose, the metal's
        surface stays. Infinite where the surface alone is too much, so that no dose will do; None
        where the noise isn't known.
        """
        typical, smooth = self.typical_snr_n, self.snr_n_without_surface
        if typical is None or smooth is None:
            return None
        found = typical if found_snr_n is None else found_snr_n
        surface = max(typical**-2 - smooth**-2, 0.0)
        noise = max(found**-2 - surface, 0.0)
        left = required_snr_n**-2 - surface
        return noise / left if left > 0 else math.inf

    def stretches(self, length_mm: float) -> tuple[Stretch, ...]:
        """SNR_N over lengths of about ``length_mm``, one behind the other along the strip.

        A single window's is uncertain by some 3 %, and the lowest of hundreds is low by chance.
        """
        told = [(place.window.s_mm, place.snr_n) for place in self.places if place.snr_n]
        if not told:
            return ()
        s, value = np.array(sorted(told)).T
        parts = max(1, round(float(s[-1] - s[0]) / length_mm))
        edges = np.linspace(s[0], s[-1], parts + 1)
        part = np.clip(np.searchsorted(edges, s, side="right") - 1, 0, parts - 1)
        sigma = float(np.median([place.snr_n_sigma or 0.0 for place in self.places]))
        found = []
        for number in range(parts):
            here = value[part == number]
            if len(here):
                spread = float(here.std(ddof=1)) if len(here) > 2 else sigma
                found.append(
                    Stretch(
                        float(edges[number : number + 2].mean()),
                        float(here.mean()),
                        max(spread, sigma) / math.sqrt(len(here)),
                        len(here),
                    )
                )
        return tuple(found)


def measure_noise(
    strip_values: NDArray[np.uint16],
    sigma: NDArray[np.uint16] | None,
    count: NDArray[np.uint8] | None,
    origin: NDArray[np.uint8] | None,
    grid: StripGrid,
    *,
    sr_b_mm: float | None,
    plan: WindowPlan,
    sigma_scale: float = 1.0,
    aperture_mm: float = REFERENCE_MM,
    resampled: bool = True,
) -> NoiseMeasures:
    """SNR and SNR_N in windows beside the weld, all along a strip.

    ``strip_values`` (rows, columns) is linear in dose, 0 where nothing is known; the maps are the
    strip's, ``sigma`` in steps of ``sigma_scale`` gray values, or None for a picture without maps.
    ``sr_b_mm`` is the strip's basic spatial resolution, None if it isn't known. ``resampled`` says
    that the picture was made by the strip's interpolation; noise is then less per pixel and alike
    side by side, and both are allowed for. ``aperture_mm`` is what SNR_N is normalised to.
    """
    weld = find_weld_line(strip_values, origin, grid)
    covariance = resampled_correlation() if resampled else (1.0,)
    left = covariance[0] ** 2
    correlation = tuple(one / covariance[0] for one in covariance)
    windows = place_windows(strip_values, origin, grid, weld, plan)
    places: list[NoiseAt] = []
    parts: list[FloatImage] = []
    for some, pixels in same_shape(windows):
        cut = pixels(strip_values)
        found = measure_snrs(cut, group=plan.group, correlation=correlation)
        predicted, frames = _of_maps(len(some), pixels, sigma, count)
        parts.append(cut[[snr is not None for snr in found]].astype(np.float32))
        means = cut.mean(axis=(1, 2)).tolist()
        for window, snr, mean, noise, frame in zip(
            some, found, means, predicted, frames, strict=True
        ):
            if snr is not None:
                told = mean / (sigma_scale * noise) if noise else None
                places.append(_place(window, snr, mean, left, sr_b_mm, aperture_mm, told, frame))
    places.sort(key=lambda place: place.window.order)
    texture = noise_texture(parts)
    why_not = ""
    if not weld.seen.any():
        why_not = "no weld stands out along the strip, so there is no place beside it"
    elif not places:
        why_not = (
            f"no window of {plan.groups} groups of {plan.group} pixels of plain metal lies within "
            f"{plan.reach_mm:g} mm of the cap's toes"
        )
    return NoiseMeasures(
        weld, tuple(places), sr_b_mm, aperture_mm, left, texture, why_not, as_it_is=not resampled
    )


def _place(
    window: Window,
    snr: Snr,
    mean_gv: float,
    left: float,
    sr_b_mm: float | None,
    aperture_mm: float,
    predicted_snr: float | None,
    frames: float | None,
) -> NoiseAt:
    white = math.sqrt(left)
    return NoiseAt(
        window,
        mean_gv=mean_gv,
        groups=snr.groups,
        snr=snr.value,
        snr_sigma=snr.sigma,
        snr_white=snr.value * white,
        snr_white_sigma=snr.sigma * white,
        snr_n=None if sr_b_mm is None else snr_n(snr.value * white, sr_b_mm, aperture_mm),
        snr_n_sigma=None if sr_b_mm is None else snr_n(snr.sigma * white, sr_b_mm, aperture_mm),
        predicted_snr=predicted_snr,
        frames=frames,
    )


def _of_maps(
    windows: int, pixels: Cut, sigma: NDArray[np.uint16] | None, count: NDArray[np.uint8] | None
) -> tuple[list[float | None], list[float | None]]:
    """Of so many windows the noise that the strip's maps predict, in the map's steps, and how many
    frames there are; None without a map."""
    noise: list[float | None] = [None] * windows
    frames: list[float | None] = [None] * windows
    if sigma is not None:
        square = np.square(pixels(sigma), dtype=np.float64).mean(axis=(1, 2))
        noise = np.sqrt(square).tolist()
    if count is not None:
        frames = np.median(pixels(count), axis=(1, 2)).tolist()
    return noise, frames
