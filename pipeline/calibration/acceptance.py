"""What a new calibration says about its panel: measured figures, and remarks for people."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from pipeline.calibration.classify import BadPixelLimits
from pipeline.calibration.exposure_remarks import exposure_remarks
from pipeline.calibration.levels import Level
from pipeline.calibration.noise import relative_variance
from pipeline.calibration.product import CalibrationFacts, NoiseModel
from pipeline.calibration.specks import DUST
from pipeline.calibration.statistics import PixelStatistics
from pipeline.calibration.uniformity import Uniformity
from pipeline.model import FlagImage, FloatImage

NOISY_FRAMES = 30
"""Dark frames that the standard's test for noisy pixels starts from."""


def acceptance_figures(
    dark: PixelStatistics,
    levels: Sequence[Level],
    noise: NoiseModel,
    uniformity: Uniformity,
    limits: BadPixelLimits,
    gain: FloatImage,
    classes: FlagImage,
) -> dict[str, float]:
    """Measured figures of the panel, each over its good pixels; GV, or relative."""
    good = classes == 0
    brightest = levels[-1].median
    figures = {
        "bad_fraction": float(1 - np.mean(good)),
        "dark_frames": float(dark.frames),
        "dark_level_gv": float(np.median(dark.mean)),
        "dark_rejected": float(dark.rejected),
        "flat_frames": float(sum(level.frames for level in levels)),
        "flat_levels": float(len(levels)),
        "flat_signal_gv": brightest,
        "flat_snr": float(relative_variance(noise, brightest, 1) ** -0.5),
        "flat_snr_averaged": 1 / noise.gain_relative,
        "non_uniform_limit": uniformity.limit,
        "non_uniform_limit_wanted": limits.non_uniform,
        "uniformity": uniformity.spread,
    }
    low, high = np.percentile(gain[good], (1, 99))
    figures |= {"gain_percentile_1": float(low), "gain_percentile_99": float(high)}
    if dark.frames > 1:
        figures["dark_std_gv"] = float(np.median(np.sqrt(dark.variance)))
    return figures


def remarks(facts: CalibrationFacts) -> tuple[str, ...]:
    """Where a calibration falls short of what its bad-pixel classes take for granted.

    One sentence each; none when all conditions were met. The numbers of frames are those of ASTM
    E2597 as quoted in ``classify``; the SNR follows from its ±1 % limit (see ``uniformity``).
    What the exposures make one doubt follows (``exposure_remarks``). Exposures that were left out
    are named with their reason.
    """
    figures = facts.acceptance
    found = []
    frames = int(figures.get("dark_frames", NOISY_FRAMES))
    if frames == 1:
        found.append("One dark frame: noisy pixels were not looked for, spikes not rejected.")
    elif frames < NOISY_FRAMES:
        found.append(
            f"{frames} dark frames: noisy pixels are found less surely than with {NOISY_FRAMES}."
        )
    limit, wanted = (
        figures.get(name, 0.0) for name in ("non_uniform_limit", "non_uniform_limit_wanted")
    )
    if f"{100 * limit:.3g}" != f"{100 * wanted:.3g}" and limit > wanted:
        found.append(
            f"The flats are too noisy for a non-uniformity limit of ±{100 * wanted:.3g} %: "
            f"±{100 * limit:.3g} % was used; shoot more flats."
        )
    if figures.get("flat_levels") == 1:
        found.append("One dose level: linearity was not measured.")
    found += exposure_remarks(facts)
    found += [_left_out(one) for one in facts.rejected]
    return tuple(found)


def _left_out(one: Mapping[str, str]) -> str:
    name, reason = one.get("file", "an exposure"), one.get("reason", "no reason told")
    if reason.startswith(DUST):
        places = reason.removeprefix(DUST).strip()
        return f"Left out below specks of dust only: {name} ({places})."
    return f"Left out: {name} ({reason})."
