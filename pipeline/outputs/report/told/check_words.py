"""A check in plain words: what was checked, its value, its limit, what the limit rests on."""

from __future__ import annotations

import re

from pipeline.model import Verdict
from pipeline.outputs.drawing.words import limit, number, with_unit
from pipeline.quality.check import BASIS_CONFIG, BASIS_PRACTICE, Check
from pipeline.quality.outcome_words import OUTCOMES

CHECK_TITLES = {
    "acquisition.frames_used": "Frames in the strip",
    "acquisition.ramp_up": "Frames before the tube was up",
    "acquisition.unreadable": "Frames that couldn’t be read",
    "acquisition.saturated": "Saturated frames",
    "acquisition.no_signal": "Frames without signal",
    "acquisition.low_level": "Frames far below the scan’s level",
    "calibration.out_of_range": "Conditions that the calibration wasn’t made for",
    "calibration.not_released": "Decisions against the calibration",
    "calibration.not_judged": "Conditions of the calibration that nobody told",
    "registration.wrong_place": "Frames that show another place than the encoder says",
    "lag.missing_history": "Frames whose lag couldn’t be corrected",
    "registration.closure_mm": "Closure: how far the ring misses itself",
    "registration.closure_open_mm": "Closure, used for nothing at all",
    "registration.closure_axial_mm": "Closure along the pipe",
    "registration.residual_px": "Overlaps against the solved positions",
    "registration.position_sigma_mm": "Uncertainty of the frame positions",
    "registration.encoder_slip": "Steps in which the encoder slipped",
    "registration.unlinked_frames": "Frames placed by the encoder alone",
    "registration.unmatched_overlaps": "Overlaps in which no shift was found",
    "registration.not_converged": "Solutions of the positions that didn’t settle",
    "seam.level_step": "Gray step at the seams",
    "seam.doubling": "Disagreement of the frames in the overlaps",
    "seam.disagreement": "Disagreement of the frames in the finished strip",
    "geometry.standoff_off_mm": "Stand-off against what the config says",
    "geometry.ruler_sigma_mm": "Uncertainty of distances inside a frame",
    "coverage.gap_mm": "Length of strip that no frame covered",
    "coverage.frames": "Frames that measured nearly every pixel",
    "pixels.filled_fraction": "Part of the pixels filled in from neighbours",
    "strip.clipped_pixels": "Pixels beyond the strip’s range of gray values",
    "noise.predicted_snr": "Signal-to-noise ratio, as predicted",
    "position.tape_mm": "Ticks of the location tape against the strip’s distances",
    "position.datum_mm": "The datum’s marker against the strip’s datum",
    "noise.snr_n": "Normalised signal-to-noise ratio",
    "sharpness.sr_b_mm": "Basic spatial resolution",
    "sharpness.unsharpness_mm": "Image unsharpness",
    "iqi.wire_mm": "Thinnest wire that is seen",
    "iqi.wire_positions": "Wire gauges that could be read",
    "geometry.source_distance_mm": "Distance from the source to the wall",
    "geometry.unsharpness_mm": "Geometric unsharpness",
    "geometry.thickness_ratio": "Penetrated thickness at a frame’s ends over its middle",
}
"""Plain words for check ids that are known; any other check is shown by its id alone."""

WHAT_TO_DO = {
    "acquisition.unreadable": "Copy these files again. If they are gone, see whether the strip has "
    "a gap there.",
    "acquisition.saturated": "Less dose. See whether the strip has a gap there.",
    "acquisition.no_signal": "Was the beam on? See whether the strip has a gap there.",
    "acquisition.low_level": "Did the tube drop out? See whether the strip has a gap there.",
    "calibration.out_of_range": "The config allows it. Shoot a calibration for these conditions.",
    "calibration.not_released": "The config allows it. Find out whether the calibration may be "
    "used, and stitch again with another if not.",
    "registration.wrong_place": "See whether rows or files of the frame table are mixed up, the "
    "encoder counts the other way, or something moved.",
    "lag.missing_history": "What the missing frame left behind is still in these: look for ghosts.",
    "registration.closure_mm": "Measure the diameter and the stand-off again; the pipe may be out "
    "of round, or the carriage slipped where nothing can be seen.",
    "registration.residual_px": "Measure the stand-off and the diameter again; the panel may have "
    "moved in its holder.",
    "registration.position_sigma_mm": "Too little to be seen in an overlap, or too small an "
    "overlap: smaller steps.",
    "registration.unlinked_frames": "An overlap is blank or missing: distances across it are only "
    "as good as the encoder.",
    "registration.unmatched_overlaps": "Look at the frames there: blank metal, or a frame that "
    "shows another place.",
    "registration.not_converged": "Don’t trust any position; report it together with the scan.",
    "seam.level_step": "The output may have drifted during a frame; or lag, or old flats.",
    "seam.doubling": "Something moved, the stand-off is wrong, or lag.",
    "seam.disagreement": "Look at the strip there for doubled edges: the stand-off is wrong, the "
    "panel tilted, or something moved.",
    "geometry.standoff_off_mm": "Measure the pipe’s diameter: if it is as told, the stand-off was "
    "wrong and has been put right; if not, every distance is.",
    "geometry.ruler_sigma_mm": "Measure where the source stands and the panel’s roll, tell them in "
    "the config with a small sigma, or go further round.",
    "coverage.gap_mm": "Shoot the gap again.",
    "coverage.frames": "Smaller steps.",
    "pixels.filled_fraction": "More overlap, or a better panel; maps.tif shows where.",
    "strip.clipped_pixels": "Less dose.",
    "position.tape_mm": "Look at the plot of the tape: one jump is the tape’s joint or a wrong "
    "place in the strip, a slope a wrong diameter or a stretched tape, all ticks off by the same a "
    "wrong datum.",
    "position.datum_mm": "Compare what the encoder read at the datum (scan.datum_encoder_mm) and "
    "where the marker was laid.",
    "noise.snr_n": "More mA·s a frame, or smaller steps; flats with more dose.",
    "sharpness.sr_b_mm": "A sharper panel, a smaller focal spot, or the panel closer to the pipe.",
    "sharpness.unsharpness_mm": "A sharper panel, a smaller focal spot, or the panel closer to the "
    "pipe.",
    "iqi.wire_mm": "More mA·s or frames, a lower tube voltage, less scatter.",
    "iqi.wire_positions": "Lay wire gauges at equal distances round the pipe, and declare each.",
    "geometry.source_distance_mm": "A smaller focal spot, or the panel closer to the pipe.",
    "geometry.unsharpness_mm": "A smaller focal spot, or the panel closer to the pipe.",
    "geometry.thickness_ratio": "Use less of each frame’s length, with smaller steps.",
}
"""What to look at when a check isn't passed."""

WHERE_NOT_READ = {
    "iqi.wire_mm": "A gauge couldn’t be read: is it where the config says?",
    "sharpness.sr_b_mm": "A gauge couldn’t be read: is it where the config says?",
}
"""What to look at when one of a check's gauges gave nothing."""


VERDICT_WORDS = {
    Verdict.PASS: "Limits met",
    Verdict.ATTENTION: "Attention",
    Verdict.FAIL: "Limits not met",
}
"""The verdict on a strip, large on its page."""

VERDICT_MEANING = {
    Verdict.PASS: "Every check of this strip lies within its limit: it shows what the frames saw, "
    "where they saw it, as faithfully as the limits ask.",
    Verdict.ATTENTION: "The strip was made, but not every limit is met. Read what is named here "
    "and decide whether the strip serves its purpose.",
    Verdict.FAIL: "The strip was made, but at least one limit is far from met. Don't rely on the "
    "strip until the cause is known; the scan may have to be repeated.",
}


def outcome_word(shape: str) -> str:
    """What the shape of that name says of a check or a measure: ``met``, ``reported``."""
    return OUTCOMES[Verdict(shape)] if shape in set(Verdict) else shape


def mark(check: Check) -> str:
    """The name of the shape that shows a check's verdict; a passed measure without a limit is
    "reported"."""
    if check.limit is None and check.verdict is Verdict.PASS:
        return "reported"
    return check.verdict.value


def note_text(check: Check) -> str:
    """The check's note in the page's words: ``fail above 3`` is ``not met above 3``."""
    said = re.sub(r"\bfail (?=above |below )", f"{OUTCOMES[Verdict.FAIL]} ", check.note)
    return said.replace("never a failure", "never worse")


def value_text(check: Check) -> str:
    """The value with its unit."""
    if check.value is None:
        return "not measured"
    return with_unit(number(check.value), check.unit)


def limit_text(check: Check) -> str:
    """The limit and on which side the good values lie: "at most 0.2 mm", "none allowed".

    The side is read from the bounds in the note, where ``at_most`` and ``at_least`` put it. "–"
    for a measure without a limit.
    """
    if check.limit is None:
        return "–"
    bound = with_unit(limit(check.limit), check.unit)
    if re.search(r"\b(attention|fail) below ", check.note):
        return f"at least {bound}"
    return "none allowed" if check.limit == 0 else f"at most {bound}"


def basis_text(check: Check, *, short: bool = False) -> str:
    """What the limit rests on; the page explains below its table what its sign means, README's too:
    ¹ the config, ² a profile, whose source mark in brackets is left out where that is made
    ``short``. Common practice needs none."""
    if check.limit is None:
        return "–"
    usual = {BASIS_CONFIG: "config\u00a0¹", BASIS_PRACTICE: "practice"}
    if check.basis in usual:
        return usual[check.basis]
    return f"{check.basis.partition(' (')[0]}\u00a0²" if short else check.basis
