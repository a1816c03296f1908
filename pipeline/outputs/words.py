"""How a report says things: numbers, clock positions, verdicts, and the checks in plain words."""

from __future__ import annotations

import math

from pipeline.model import Verdict
from pipeline.quality.check import bound_text

CHECK_TITLES = {
    "acquisition.frames_used": "Frames in the strip",
    "acquisition.ramp_up": "Frames before the tube was up",
    "acquisition.unreadable": "Frames that couldn’t be read",
    "acquisition.saturated": "Saturated frames",
    "acquisition.no_signal": "Frames without signal",
    "acquisition.low_level": "Frames far below the scan’s level",
    "registration.wrong_place": "Frames that show another place than the encoder says",
    "registration.closure_mm": "Closure: how well the ring meets itself",
    "registration.closure_axial_mm": "Closure along the pipe",
    "registration.residual_px": "Overlaps against the solved positions",
    "registration.position_sigma_mm": "Uncertainty of the frame positions",
    "registration.unlinked_frames": "Frames placed by the encoder alone",
    "registration.unmatched_overlaps": "Overlaps in which no shift was found",
    "registration.not_converged": "Whether the positions settled",
    "seam.level_step": "Gray step at the seams",
    "seam.doubling": "Disagreement of the frames in the overlaps",
    "coverage.gap_mm": "Length of strip that no frame covered",
    "coverage.frames": "Frames that measured each pixel",
    "pixels.filled_fraction": "Part of the pixels filled in from neighbours",
    "strip.clipped_pixels": "Pixels beyond the strip’s range of gray values",
    "noise.predicted_snr": "Signal-to-noise ratio, as predicted",
    "noise.snr_n": "Normalised signal-to-noise ratio",
    "sharpness.sr_b_mm": "Basic spatial resolution",
}
"""Plain words for check ids that are known; any other check is shown by its id alone."""

VERDICT_WORDS = {
    Verdict.PASS: "Pass",
    Verdict.ATTENTION: "Attention",
    Verdict.FAIL: "Fail",
}

VERDICT_MEANING = {
    Verdict.PASS: "Every check of this strip lies within its limit: it shows what the frames saw, "
    "where they saw it, as faithfully as the limits ask.",
    Verdict.ATTENTION: "The strip was made, but not every check passed. Read what is named here "
    "and decide whether the strip serves its purpose.",
    Verdict.FAIL: "The strip was made, but at least one check is far outside its limit. Don't rely "
    "on the strip until the cause is known; the scan may have to be repeated.",
}


def number(value: float | None, decimals: int | None = None, *, sign: bool = False) -> str:
    """A number with ``decimals`` decimals, or with three significant digits; "–" for None.

    Integers stay whole, the minus sign is a true one, ``sign`` asks for a plus too.
    """
    if value is None:
        return "–"
    if decimals is None:
        decimals = 0 if isinstance(value, int) or value == 0 else 2 - _magnitude(value)
    text = f"{value:.{min(max(decimals, 0), 8)}f}"
    if float(text) == 0:
        return text.removeprefix("-")
    return ("+" + text if sign and value > 0 else text).replace("-", "−")


def limit(value: float) -> str:
    """A limit without trailing zeros, with a true minus sign."""
    return bound_text(value).replace("-", "−")


def clock_position(s_mm: float, circumference_mm: float, *, clockwise: bool) -> str:
    """Where ``s_mm`` lies on a clock face with the datum at 12: hours and minutes, as "4:30"."""
    turn = s_mm / circumference_mm
    minutes = round((turn if clockwise else -turn) * 720) % 720
    return f"{minutes // 60 or 12}:{minutes % 60:02d}"


def _magnitude(value: float) -> int:
    return math.floor(math.log10(abs(value)))
