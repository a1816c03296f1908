"""The noise of single frames, where nothing was resampled or averaged, beside the strip's own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

from pipeline.quality.asked.judge import Figure, judge
from pipeline.quality.image.image_quality import ImageQuality
from pipeline.quality.image.noise_figures import series
from pipeline.quality.noise.frame_noise import FrameNoise


@dataclass(frozen=True, slots=True)
class FrameAt:
    """A frame's position along the strip, and what the strip's windows show in it."""

    s_mm: float
    windows: tuple[FrameNoise, ...]


def with_frames(image: ImageQuality, frames: Sequence[FrameAt]) -> ImageQuality:
    """The image quality with SNR and SNR_N of source frames: typical, and a series of them.

    A frame's is the median over the windows that lie on it; frames that show none don't count.
    Nothing is asked of a single frame.
    """
    snr, snr_n = [], []
    for frame in sorted(frames, key=lambda one: one.s_mm):
        if not frame.windows:
            continue
        sigma = median(one.snr_sigma / one.snr for one in frame.windows) / len(frame.windows) ** 0.5
        value = median(one.snr for one in frame.windows)
        snr.append((frame.s_mm, value, value * sigma))
        told = [one.snr_n for one in frame.windows if one.snr_n is not None]
        if told:
            snr_n.append((frame.s_mm, median(told), median(told) * sigma))
    if not snr:
        return image
    method = f"median of {len(snr)} source frames, on the panel's own pixels, before blending"
    figures = [Figure("noise.snr_frame", median(value for _, value, _ in snr), "", method=method)]
    rows = [series("noise.snr_frame", "", snr, "a source frame each")]
    if snr_n:
        figures.append(
            Figure("noise.snr_n_frame", median(value for _, value, _ in snr_n), "", method=method)
        )
        rows.append(series("noise.snr_n_frame", "", snr_n, "a source frame each"))
    measures = tuple(judge(figure, None)[0] for figure in figures)
    return replace(image, measures=(*image.measures, *measures), series=(*image.series, *rows))
