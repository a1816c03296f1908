"""The checks of a strip, from what the stages found: every value beside its limit and its basis."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from pipeline.model import Origin, Strip
from pipeline.quality.check import (
    BASIS_CONFIG,
    BASIS_PRACTICE,
    Check,
    at_least,
    at_most,
    report_only,
)
from pipeline.quality.coverage import origin_fraction
from pipeline.quality.limits import Limits


def acquisition_checks(reasons: Mapping[int, str], frames: int) -> list[Check]:
    """What was left out, by reason; unreadable or misplaced frames ask for attention."""
    kinds = [reason.split(":")[0] for reason in reasons.values()]
    checks = [
        report_only(
            "acquisition.frames_used",
            frames - len(reasons),
            stage="acquisition",
            unit="frames",
            basis=BASIS_CONFIG,
            note=f"of {frames} in the frame table",
        )
    ]
    checks.append(
        report_only(
            "acquisition.ramp_up",
            kinds.count("ramp_up"),
            stage="acquisition",
            unit="frames",
            basis=BASIS_PRACTICE,
            note="frames before the tube reached the scan's level or tube voltage don't count",
        )
    )
    checks += [
        _attention_above_zero(f"acquisition.{kind}", kinds.count(kind))
        for kind in ("unreadable", "saturated", "no_signal", "low_level")
    ]
    checks.append(
        at_most(
            "registration.wrong_place",
            kinds.count("wrong_place"),
            0,
            stage="registration",
            unit="frames",
            basis=BASIS_PRACTICE,
            note="frames whose content contradicts their place; left out, named in positions.csv",
        )
    )
    return checks


def _attention_above_zero(check_id: str, count: int) -> Check:
    """Frames that are gone but that their neighbours may well have replaced."""
    return at_most(
        check_id,
        count,
        0,
        stage="acquisition",
        unit="frames",
        basis=BASIS_PRACTICE,
        note="left out of the strip, named in positions.csv; coverage tells whether any is missed",
        fail_factor=math.inf,
    )


def ruler_check(sigma_mm: float, limits: Limits) -> Check:
    """What the geometry's uncertainty leaves of the ruler, where no overlap can show it."""
    return at_most(
        "geometry.ruler_sigma_mm",
        sigma_mm,
        limits.ruler_sigma_mm,
        stage="registration",
        unit="mm",
        basis=BASIS_CONFIG,
        note="largest standard deviation of a place's distance from the position of the frame that "
        "shows it, from what is uncertain of the source's place, the stand-off and how the "
        "panel is turned; the diameter counts as told",
        fail_factor=math.inf,
    )


def lag_check(without_history: int | None) -> Check:
    """Frames whose lag correction lacked a frame before them; None: not known."""
    return at_most(
        "lag.missing_history",
        without_history,
        0,
        stage="lag",
        unit="frames",
        basis=BASIS_PRACTICE,
        note="frames of the strip before which a frame could not be read: what it left behind in "
        "the panel is still in them",
        fail_factor=math.inf,
    )


def disagreement_check(sigmas: Sequence[float]) -> Check:
    """How far frames lie apart in the strip, from the worst place near every seam (may be none)."""
    return at_most(
        "seam.disagreement",
        max(sigmas, default=None),
        3.0,
        stage="blending",
        unit="σ",
        basis=BASIS_PRACTICE,
        note="largest disagreement of the frames of any few millimetres of strip, all in their "
        "places; 1 is noise alone",
    )


def strip_checks(
    strip: Strip, gaps: Sequence[tuple[float, float]], clipped: int, limits: Limits
) -> list[Check]:
    """Coverage, filled pixels, noise, range."""
    # Medians and percentiles need no more than every eighth row and column.
    sigma, values, count = (image[::8, ::8] for image in (strip.sigma, strip.values, strip.count))
    quarter, least = len(count) // 4, limits.min_overlap_frames
    few = int(np.percentile(count[quarter : len(count) - quarter], 1, method="lower"))
    measured = sigma > 0
    ratio = values[measured] / (sigma[measured] * strip.sigma_scale)
    return [
        at_most(
            "coverage.gap_mm",
            float(sum(b - a for a, b in gaps)),
            0,
            stage="blending",
            unit="mm",
            basis=BASIS_PRACTICE,
            note="length of the strip that no frame covered",
        ),
        at_least(
            "coverage.frames",
            few,
            least,
            stage="blending",
            unit="frames",
            basis=BASIS_CONFIG,
            note="so many frames or more measured 99 % of the pixels of the strip's middle half",
            # So that it fails below a whole number of frames.
            fail_factor=max(least / max(math.ceil(least / 3), 1), 1.0),
        ),
        at_most(
            "pixels.filled_fraction",
            origin_fraction(strip.origin, Origin.FILLED),
            limits.filled_fraction,
            stage="blending",
            unit="",
            basis=BASIS_CONFIG,
            note="part of the covered pixels that no frame measured, filled from neighbours",
        ),
        at_most(
            "strip.clipped_pixels",
            clipped,
            0,
            stage="blending",
            unit="pixels",
            basis=BASIS_PRACTICE,
            note="pixels too bright for 16 bits",
        ),
        report_only(
            "noise.predicted_snr",
            float(np.median(ratio)) if ratio.size else None,
            stage="blending",
            unit="",
            basis=BASIS_PRACTICE,
            note="median of gray value over predicted noise; resampling ties neighbouring pixels "
            "together, so this is not the SNR of a standard's measurement",
        ),
    ]
