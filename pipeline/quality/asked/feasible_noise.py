"""Before the exposure: what the signal-to-noise ratio that is asked takes in frames and flats."""

from __future__ import annotations

import math
from collections.abc import Iterator

from pipeline.quality.asked.feasible_sharpness import sharpness_told_by
from pipeline.quality.asked.intended import Finding, Intended, Reach, Sharpness, rounded_down
from pipeline.quality.asked.profile import Profile
from pipeline.quality.asked.requirement import SNR_N, Requirements

CALIBRATION_DOSE = "calibration.dose_ratio"
SPEAKS_FOR_MUCH = 0.5  # of what the gain's own noise allows, beyond which it is worth a word


def feasible_snr(
    profile: Profile, asked: Requirements, plan: Intended, sharp: Sharpness
) -> Iterator[Finding]:
    """How many frames the SNR_N that is asked takes, and whether the gain map allows it."""
    required, window = asked.of(SNR_N), profile.snr_window
    if required is None or window is None:
        return
    detector_mm = plan.detector_sr_b_mm or plan.pitch_mm
    sr_b_mm = (sharp.sr_b_mm if sharp.of_image else None) or detector_mm
    needed = snr_needed(required.value, sr_b_mm, window.aperture_mm)
    how = "" if sharp.measured else f" (not measured:{sharpness_told_by(plan, sharp)})"
    snr = math.ceil(needed - 1e-9)
    wanted = f"SNR_N of {required.value:g} takes an SNR of {snr} with SR_b {sr_b_mm:.3g} mm{how}"
    if plan.noise is None:
        yield Finding(
            SNR_N,
            Reach.UNKNOWN,
            None,
            required.value,
            "",
            f"{wanted}; what one frame brings isn't told",
            "tell gray_value in [quality], from a trial frame, and name a calibration",
            required.basis,
        )
        return
    one = plan.noise.corrected_snr
    frames = frames_needed(needed, one)
    parts = [f"{wanted}; one frame brings {one:.0f}, so each place must be in {frames} frames"]
    if plan.frame_mas is not None:
        parts.append(f"{frames * plan.frame_mas:g} mA·s in all")
    step_mm = plan.frame_length_mm / frames
    stops = "" if plan.turn_mm is None else f", {math.ceil(plan.turn_mm / step_mm)} round the ring"
    parts.append(f"steps of at most {rounded_down(step_mm, 1)} mm{stops}")
    doubled = f"{plan.frame_mas * 2:g} mA·s" if plan.frame_mas else "twice the mA·s"
    yield Finding(
        SNR_N,
        Reach.CONDITION if frames > 1 else Reach.MET,
        one * window.aperture_mm / sr_b_mm,
        required.value,
        "",
        ", ".join(parts),
        f"with {doubled} a frame half as many frames do, until the panel saturates"
        if frames > 1
        else "",
        required.basis,
    )
    limit = 1 / plan.noise.gain_relative if plan.noise.gain_relative > 0 else math.inf
    if needed > SPEAKS_FOR_MUCH * limit:
        yield Finding(
            "calibration.snr_limit",
            Reach.CONDITION if needed < limit else Reach.NOT_MET,
            limit,
            needed,
            "",
            f"the gain map's own noise limits what one place of the panel can reach to an SNR of "
            f"{limit:.0f}, however long it is exposed",
            "more flats, or flats of a higher dose",
        )


def calibration_dose(profile: Profile, plan: Intended) -> Iterator[Finding]:
    """Whether the flats of the calibration had the dose that is asked of them."""
    rule = profile.calibration
    if rule is None or plan.calibration_dose is None or not plan.gray_value:
        return
    ratio = plan.calibration_dose / plan.gray_value
    missed = ratio < rule.ratio
    yield Finding(
        CALIBRATION_DOSE,
        Reach.NOT_MET if missed else Reach.MET,
        ratio,
        rule.ratio,
        "",
        f"the flats together have {ratio:.1f} times the dose of a frame, at least {rule.ratio:g}",
        "more flats, or flats of a higher dose" if missed else "",
        profile.basis("calibration exposures", rule.mark),
    )


def snr_needed(snr_n: float, sr_b_mm: float, aperture_mm: float) -> float:
    """The measured SNR that gives a normalised one: SNR_N · SR_b / aperture."""
    return snr_n * sr_b_mm / aperture_mm


def frames_needed(snr: float, snr_of_one: float) -> int:
    """So many frames, each of other pixels of the panel, average to ``snr``: SNR grows as √n."""
    return max(1, math.ceil((snr / snr_of_one) ** 2 - 1e-9))
