"""The noise beside the weld, and the weld's place, as figures to be judged and as series."""

from __future__ import annotations

import math
from collections.abc import Sequence

from pipeline.model import FloatArray
from pipeline.quality.asked.judge import Figure
from pipeline.quality.asked.requirement import SNR_N, Requirement
from pipeline.quality.image.measure_records import Series
from pipeline.quality.noise.noise_measures import NoiseAt, NoiseMeasures
from pipeline.quality.noise.resampled_noise import resampled_correlation
from pipeline.quality.noise.weld_line import WeldLine
from pipeline.quality.noise.windows import Zone

_STRETCH_MM = 100.0
"""Length of weld whose windows are judged together (common practice, no published source): a
single window's SNR is uncertain by some 3 %, and the lowest of hundreds is low by chance."""

_WHITE_UP_TO = 1.08
"""Noise that is white by the windows themselves: their factor scatters by a few hundredths, and the
strip's own interpolation gives 1.2 and more (measured on simulated rings)."""


def noise_figures(
    noise: NoiseMeasures, whose: str, doubt: str, asked: Requirement | None
) -> list[Figure]:
    """SNR_N where it is least along the weld, and what is typical of it and of the plain SNR.

    ``whose`` SR_b normalised it; ``doubt`` is why that may be another one, empty
    where it was measured.
    """
    stretches = noise.stretches(_STRETCH_MM)
    if not stretches or noise.sr_b_mm is None:
        return [Figure(SNR_N, None, "", note=noise.why_not)]
    least = min(stretches, key=lambda one: one.snr_n)
    tied_snr = resampled_by(noise)
    tied = (
        ""
        if tied_snr == 1
        else f"neighbouring pixels share noise: if the picture was resampled or smoothed, SNR_N is "
        f"up to {tied_snr:.2f} times too high"
    )
    sr_b = f"SR_b {noise.sr_b_mm:.3g} mm: {whose}"
    found = [
        Figure(
            SNR_N,
            least.snr_n,
            "",
            sigma=least.sigma,
            s_mm=least.s_mm,
            method=f"least of {len(stretches)} stretches of about {_STRETCH_MM:g} mm beside the "
            f"weld, {least.windows} windows there; line by line, {_ALLOWED[noise.as_it_is]}; "
            f"{sr_b}",
            remedy=_more_dose(noise, least.snr_n, least.sigma, asked),
            doubt="; ".join(filter(None, [doubt, tied])),
            surely=None if doubt or not tied else least.snr_n / tied_snr,
        )
    ]
    typical = noise.typical_snr_n
    if typical is not None:
        found.append(
            Figure("noise.snr_n_typical", typical, "", method=f"median of all windows; {sr_b}")
        )
    found += [
        Figure("noise.snr_strip", _median([p.snr for p in noise.places]), "", method=_AS_IT_IS),
        Figure("noise.snr_panel", _median([p.snr_white for p in noise.places]), "", method=_WHITE),
        *_texture_figures(noise),
    ]
    return found


_ALLOWED = {
    False: "what resampling ties together allowed for",
    True: "resampling not allowed for, as who made the picture isn't known",
}


def resampled_by(noise: NoiseMeasures) -> float:
    """By how much SNR may be too high because a picture of unknown making was resampled.

    1 where resampling is allowed for, or where all windows together show that neighbours share
    hardly any noise. Else what they show, and at least what the strip's interpolation does, 1.22:
    of noise that the metal's surface hides less can't be ruled out.
    """
    if not noise.as_it_is:
        return 1.0
    shown = noise.texture.white_factor if noise.texture else math.inf
    if shown <= _WHITE_UP_TO:
        return 1.0
    both_ways = resampled_correlation()[0] ** -2
    return math.sqrt(max(both_ways, shown if math.isfinite(shown) else 0.0))


def _texture_figures(noise: NoiseMeasures) -> list[Figure]:
    """What of the noise is the metal's surface, and what is left without it."""
    if noise.texture is None:
        return []
    return [
        Figure(
            "noise.snr_n_without_surface",
            noise.snr_n_without_surface,
            "",
            method="all windows together, only what is noise of the dose counted: SNR_N as it "
            "would be on smooth metal",
        ),
        Figure(
            "noise.surface_part",
            noise.texture.structure_part,
            "",
            method="part of the variance beside the weld that is the metal's surface (scale, "
            "grinding, rust), the same in every frame: 0 is all noise, 1 all surface; no dose "
            "mends it",
        ),
        Figure(
            "noise.white_factor",
            noise.texture.white_factor,
            "",
            method="by how much the variance of a patch's mean exceeds that of as many independent "
            "pixels, as neighbours share noise; 1 if they share none, about 1.5 after resampling",
        ),
    ]


_AS_IT_IS = "median over all windows of the strip's own pixels; resampling raises it"
_WHITE = "median over all windows, as it would be on the panel's own pixels, not resampled"


def noise_series(noise: NoiseMeasures) -> list[Series]:
    """SNR_N of the stretches, and of the windows of each zone and side."""
    stretches = noise.stretches(_STRETCH_MM)
    found = []
    if stretches:
        found.append(
            series(
                SNR_N,
                "",
                [(one.s_mm, one.snr_n, one.sigma) for one in stretches],
                f"stretches of about {_STRETCH_MM:g} mm",
            )
        )
    for zone in Zone:
        for side, name in ((1, "high_z"), (-1, "low_z")):
            places = _of(noise.places, zone, side)
            if places:
                found.append(
                    series(
                        f"noise.snr_n.{zone}.{name}",
                        "",
                        [(one.window.s_mm, one.snr_n, one.snr_n_sigma) for one in places],
                        "a window each",
                    )
                )
    return found


def weld_series(weld: WeldLine) -> list[Series]:
    """The weld's centre line and its cap's width along the strip."""
    if not weld.seen.any():
        return []
    centre = _rows(weld, weld.z_mm, weld.z_sigma_mm, 1.0)
    width = _rows(weld, weld.half_width_mm, weld.half_width_sigma_mm, 2.0)
    return [
        series("weld.centre_z_mm", "mm", centre, "the cap's centre line along the pipe"),
        series("weld.width_mm", "mm", width, "the cap's width at its toes"),
    ]


def series(
    series_id: str,
    unit: str,
    rows: Sequence[tuple[float, float | None, float | None]],
    note: str = "",
) -> Series:
    """A series of (place, value, standard deviation), each to six digits."""
    sigma = tuple(None if sigma is None else _digits(sigma) for _, _, sigma in rows)
    return Series(
        series_id,
        unit,
        tuple(_digits(s) or 0.0 for s, _, _ in rows),
        tuple(_digits(value) for _, value, _ in rows),
        () if set(sigma) == {None} else sigma,
        note,
    )


def _rows(
    weld: WeldLine, value: FloatArray, sigma: FloatArray, factor: float
) -> list[tuple[float, float | None, float | None]]:
    return [
        (float(s), factor * float(v) if seen else None, factor * float(e) if seen else None)
        for s, v, e, seen in zip(weld.s_mm, value, sigma, weld.seen, strict=True)
    ]


def _digits(value: float | None) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.6g}")


def _of(places: Sequence[NoiseAt], zone: Zone, side: int) -> list[NoiseAt]:
    return sorted(
        (one for one in places if (one.window.zone, one.window.side) == (zone, side)),
        key=lambda one: one.window.s_mm,
    )


def _median(values: Sequence[float]) -> float | None:
    ordered = sorted(values)
    count = len(ordered)
    if not count:
        return None
    return (ordered[(count - 1) // 2] + ordered[count // 2]) / 2


def _more_dose(noise: NoiseMeasures, value: float, sigma: float, asked: Requirement | None) -> str:
    """What it takes to pass, rounded up: noise falls as the root of the dose, the surface stays.

    ``value`` is the least SNR_N, which passes two of its ``sigma`` above what is asked; where the
    surface's part isn't known all of it counts as noise.
    """
    if asked is None:
        return ""
    passes = asked.value / max(1 - 2 * sigma / value, 0.5)  # the relative deviation stays
    factor = noise.dose_factor(passes, value)
    if factor is None:
        factor = max((passes / value) ** 2, 1.0)
    if math.isinf(factor):
        return (
            "the metal's surface alone keeps SNR_N below what is asked: no dose mends that; "
            "measure on smoother metal"
        )
    factor = max(math.ceil(10 * factor - 1e-6) / 10, 1.1)
    return (
        f"{factor:g} times the mA·s of each frame, or as many times the frames at each place "
        "(smaller steps); and flats with that much more dose where their noise limits it"
    )
