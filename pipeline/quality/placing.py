"""The checks of how the frames were placed: closure, overlaps, links, seams."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from pipeline.model import Verdict
from pipeline.quality.check import BASIS_CONFIG, BASIS_PRACTICE, Check, at_most, report_only
from pipeline.quality.limits import Limits
from pipeline.stages.matching import TOO_SMALL
from pipeline.stages.registration import Registered
from pipeline.stages.seams import SeamMeasure

_NAMES_SHOWN = 6
_UNLINKED_TOLERATED = 2
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
        note = (
            "how far the ring misses itself when its closure places no frame, with the geometry "
            "that all overlaps tell"
        )
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
    if solved.open_closure_mm is not None and solved.closure_axial_mm is not None:
        note = "how far the ring misses itself when its closure is used for nothing at all"
        checks += [
            report_only(
                "registration.closure_open_mm",
                abs(solved.open_closure_mm),
                stage="registration",
                unit="mm",
                basis=BASIS_PRACTICE,
                note=note + "; without it the stand-off is known so little that this says less of "
                "the frames' places than of the stand-off",
            ),
            report_only(
                "registration.closure_axial_mm",
                abs(solved.closure_axial_mm),
                stage="registration",
                unit="mm",
                basis=BASIS_PRACTICE,
                note=note + "; along the pipe, where only the closure tells the panel's roll from "
                "a carriage that climbs",
            ),
        ]
    return checks


def registration_checks(
    found: Registered,
    seams: Sequence[SeamMeasure],
    limits: Limits,
    pitch_mm: float,
    ring: bool,
    names: Mapping[int, str],
) -> list[Check]:
    """Closure, agreement of the ties, seams, and where only the encoder was left.

    ``names``: the file of each frame, by its index in the scan.
    """
    solved = found.adjustment
    right = ~solved.rejected
    residual = np.abs(solved.residual_mm[right]) / pitch_mm
    typical = float(np.sqrt(np.mean(np.median(residual, axis=0) ** 2))) if len(residual) else None
    unmatched = [
        f"{names[link.a]} with {names[link.b]}"
        for link in found.links
        if not len(link.ties) and link.reason != TOO_SMALL
    ]
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
            note="largest standard deviation of a frame's position, relative to the first frame; "
            "what the stand-off's own uncertainty stretches or shrinks is in it",
            fail_factor=math.inf,
        ),
        unlinked_check([names[int(found.placement.frames[k])] for k in found.unlinked]),
        at_most(
            "registration.unmatched_overlaps",
            len(unmatched),
            0,
            stage="registration",
            unit="overlaps",
            basis=BASIS_PRACTICE,
            note="overlaps large enough to compare in which no shift was found: blank, or of "
            "frames that don't belong together" + _listed(unmatched),
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


def unlinked_check(names: Sequence[str]) -> Check:
    """Frames placed by the encoder alone: none is allowed, a few ask for attention, more fail."""
    count = len(names)
    verdict = Verdict.FAIL if count > _UNLINKED_TOLERATED else Verdict.ATTENTION
    return Check(
        "registration.unlinked_frames",
        "registration",
        count,
        "frames",
        0,
        verdict if count else Verdict.PASS,
        BASIS_PRACTICE,
        f"frames that only the encoder ties to the ones before (blank or no overlap)"
        f"{_listed(names)}; attention above 0, fail above {_UNLINKED_TOLERATED}",
    )


def _listed(names: Sequence[str]) -> str:
    """The first few names, to stand at the end of a note."""
    more = f" and {len(names) - _NAMES_SHOWN} more" if len(names) > _NAMES_SHOWN else ""
    return f": {', '.join(names[:_NAMES_SHOWN])}{more}" if names else ""


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
