"""The checks of a strip, from what the stages found: every value beside its limit and its basis."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from pipeline.model import Origin, Strip, Verdict
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
from pipeline.stages.matching import TOO_SMALL
from pipeline.stages.registration import Registered
from pipeline.stages.seams import SeamMeasure

_UNLINKED_TOLERATED = 2  # frames


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


_WHOLE_TURN = 0.9  # of the circumference: a scan as long as this goes all the way round


def _closure_checks(found: Registered, limits: Limits, ring: bool) -> list[Check]:
    """How well the ring meets itself; of an arc that goes all the way round, that nobody looked."""
    solved = found.adjustment
    if not ring:
        length_mm = float(np.ptp(found.placement.position_mm))
        if length_mm < _WHOLE_TURN * solved.geometry.circumference_mm:
            return []
        note = (
            "the scan goes all the way round, but scan.ring = false: the end is not compared with "
            "the beginning, so a wrong diameter or stand-off isn't noticed and the datum may be "
            "shown twice"
        )
    elif solved.closure_mm is None:
        note = (
            "end and beginning of the ring were not found to show the same place: diameter or "
            "stand-off may be wrong, or the scan doesn't go all the way round; the strip may "
            "repeat or lack something at the datum"
        )
    else:
        note = "how far the ring misses itself when its closure is not used"
    checks = [
        at_most(
            "registration.closure_mm",
            None if solved.closure_mm is None else abs(solved.closure_mm),
            limits.closure_mm,
            stage="registration",
            unit="mm",
            basis=BASIS_CONFIG,
            note=note,
            unmeasured=Verdict.FAIL if ring else Verdict.ATTENTION,
        )
    ]
    if solved.closure_axial_mm is not None:
        checks.append(
            report_only(
                "registration.closure_axial_mm",
                abs(solved.closure_axial_mm),
                stage="registration",
                unit="mm",
                basis=BASIS_PRACTICE,
                note=note + "; along the pipe, where only the closure tells the panel's roll from "
                "a carriage that climbs",
            )
        )
    return checks


def registration_checks(
    found: Registered, seams: Sequence[SeamMeasure], limits: Limits, pitch_mm: float, ring: bool
) -> list[Check]:
    """Closure, agreement of the ties, seams, and where only the encoder was left."""
    solved = found.adjustment
    right = ~solved.rejected
    residual = np.abs(solved.residual_mm[right]) / pitch_mm
    typical = float(np.sqrt(np.mean(np.median(residual, axis=0) ** 2))) if len(residual) else None
    checks = _closure_checks(found, limits, ring)
    checks += [
        at_most(
            "registration.residual_px",
            typical,
            limits.residual_px,
            stage="registration",
            unit="px",
            basis=BASIS_CONFIG,
            note=f"typical misfit of {int(right.sum())} ties; "
            f"{int((~right).sum())} contradicted the others and were not used",
        ),
        at_most(
            "registration.position_sigma_mm",
            float(solved.sigma_mm.max()),
            pitch_mm * limits.residual_px,
            stage="registration",
            unit="mm",
            basis=BASIS_CONFIG,
            note="largest standard deviation of a frame's position, relative to the first frame",
        ),
        unlinked_check(len(found.unlinked)),
        at_most(
            "registration.unmatched_overlaps",
            sum(not len(link.ties) and link.reason != TOO_SMALL for link in found.links),
            0,
            stage="registration",
            unit="overlaps",
            basis=BASIS_PRACTICE,
            note="overlaps large enough to compare in which no shift was found: blank, or of "
            "frames that don't belong together; look at the frames there",
            fail_factor=math.inf,
        ),
        at_most(
            "registration.not_converged",
            int(not solved.converged),
            0,
            stage="registration",
            unit="",
            basis=BASIS_PRACTICE,
            note="whether the adjustment settled (0) or not (1)",
        ),
    ]
    return checks + _seam_checks(seams, limits)


def unlinked_check(count: int) -> Check:
    """Frames placed by the encoder alone: none is allowed, a few ask for attention, more fail."""
    verdict = Verdict.FAIL if count > _UNLINKED_TOLERATED else Verdict.ATTENTION
    return Check(
        "registration.unlinked_frames",
        "registration",
        count,
        "frames",
        0,
        verdict if count else Verdict.PASS,
        BASIS_PRACTICE,
        "frames that only the encoder ties to the ones before (blank or no overlap); attention "
        f"above 0, fail above {_UNLINKED_TOLERATED}",
    )


def _seam_checks(seams: Sequence[SeamMeasure], limits: Limits) -> list[Check]:
    steps = [abs(seam.level_step) for seam in seams if seam.level_step is not None]
    doubling = [seam.doubling for seam in seams if seam.doubling is not None]
    return [
        at_most(
            "seam.level_step",
            max(steps, default=None),
            limits.seam_level_step,
            stage="registration",
            unit="",
            basis=BASIS_CONFIG,
            note="largest gray step left at a seam",
        ),
        at_most(
            "seam.doubling",
            max(doubling, default=None),
            2.0,
            stage="registration",
            unit="σ",
            basis=BASIS_PRACTICE,
            note="largest disagreement of two frames at a seam; 1 is noise alone",
        ),
    ]


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
        "shows it, from what is uncertain of the source's place and the panel's roll; diameter and "
        "stand-off count as told",
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


def strip_checks(
    strip: Strip, gaps: Sequence[tuple[float, float]], clipped: int, limits: Limits
) -> list[Check]:
    """Coverage, filled pixels, noise, range."""
    # Medians and percentiles need no more than every fourth row and column.
    sigma, values, count = (image[::4, ::4] for image in (strip.sigma, strip.values, strip.count))
    quarter = len(count) // 4
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
            limits.min_overlap_frames,
            stage="blending",
            unit="frames",
            basis=BASIS_CONFIG,
            note="so many frames or more measured 99 % of the pixels of the strip's middle half",
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
