"""How a calibration's figures are said in plain words."""

from __future__ import annotations

from pipeline.model import Verdict
from pipeline.outputs.drawing.words import limit, number
from pipeline.quality.ageing import Figure

FIGURE_TITLES = {
    "offset.level_gv": "Level of the dark",
    "offset.level_gv_change": "Level of the dark",
    "offset.drift": "Drift of the dark during the exposures",
    "noise.read_gv": "Read noise",
    "noise.read_gv_rise": "Read noise",
    "signal.sensitivity": "Gray values for 1 mA·s at 1 m",
    "signal.sensitivity_change": "Gray values for 1 mA·s at 1 m",
    "snr.at_dose": "SNR for 1 mA·s at 1 m",
    "snr.at_dose_drop": "SNR for 1 mA·s at 1 m",
    "snr.snr_n": "Normalised SNR of one brightest flat",
    "uniformity.spread": "Spread of a corrected flat",
    "uniformity.flat_shape": "Smooth shape by which flats differ",
    "linearity.deviation": "Deviation from a straight response",
    "lag.first_frame": "Lag in the first frame",
    "lag.first_frame_rise": "Lag in the first frame, its change",
    "lag.second_frame": "Lag in the second frame",
    "sharpness.sr_b_mm": "Basic spatial resolution",
    "sharpness.sr_b_mm_rise": "Basic spatial resolution, its change",
    "contrast.sensitivity": "Contrast sensitivity",
    "contrast.sensitivity_rise": "Contrast sensitivity",
    "pixels.bad_fraction": "Part of the pixels that are bad",
    "pixels.relevant_clusters": "Clusters with pixels that have too few good neighbours",
    "pixels.new_relevant_clusters": "New clusters with pixels that have too few good neighbours",
    "gain.shading_change": "Smooth change of the gain",
    "gain.pixel_change": "Pixel-by-pixel change of the gain, noise taken off",
    "pixels.new_bad_fraction": "Part of the pixels that turned bad",
    "pixels.new_lines": "New bad lines",
}

WHAT_TO_DO = {
    "offset": "Was the panel warm, and at the usual temperature and frame time? Shoot the darks "
    "again when it is; if it stays, the electronics age or light leaks in.",
    "noise": "Look for a loose cable, a new source of interference, a warmer panel; then shoot the "
    "darks again.",
    "signal": "Check tube voltage, charge, filter and source distance against the first exposures; "
    "if they are alike, scintillator or tube age.",
    "snr": "Check dose and filter against the first exposures; if they are alike, fewer quanta are "
    "detected: the scintillator ages.",
    "uniformity.spread": "Shoot more flats, or with more dose; look at the gain for dust.",
    "uniformity.flat_shape": "Shoot the flats again without moving source, filter or panel. If it "
    "stays, look at the linearity.",
    "linearity": "Is the brightest level too close to saturation, or a dose noted wrongly?",
    "lag": "Was the panel at its usual temperature? If so it ages: scan more slowly, or have it "
    "looked at.",
    "sharpness": "Did the gauge lie on the panel, turned by 2 to 5°? If so, look at the focal spot "
    "and the screen.",
    "contrast": "Check tube voltage and scatter against the first exposures.",
    "pixels.bad_fraction": "Look at the map: strewn pixels are age, a patch is damage.",
    "pixels.relevant_clusters": "Look at the map whether they lie where the weld runs; there, "
    "other frames must overlap them.",
    "gain.shading": "Did source and filter stand where they stood at first? If so, look at the "
    "map of the change for an outline.",
    "gain.pixel": "Look at the map of the change: stripes are the read-out, spots are dust.",
    "pixels.new_relevant": "Look at the map whether they lie where the weld runs; there, other "
    "frames must overlap them.",
    "pixels.new": "Look at the map of what has come: close together is damage; strewn, with many "
    "good again, is noisy exposures.",
}
"""What to do first about a figure whose id begins so; the longest that fits counts."""

VERDICT_MEANING = {
    Verdict.PASS: "Every figure lies within its limit. The panel is as it was when it was first "
    "calibrated, as far as was measured.",
    Verdict.ATTENTION: "Not every figure passed. Read what is named here and decide whether the "
    "panel still serves its purpose before you release this calibration.",
    Verdict.FAIL: "At least one figure is far outside its limit. Don't release this calibration "
    "until the cause is known: repeat the exposures, then look at the panel.",
}

GEOMETRY_WORDS = {
    "roll_deg": ("Roll", "°"),
    "tilt_columns_deg": ("Tilt along the columns", "°"),
    "tilt_rows_deg": ("Tilt along the rows", "°"),
    "magnification": ("Magnification", ""),
    "distortion_um": ("Largest distortion", " µm"),
    "residual_um": ("What is left, rms", " µm"),
}
"""The figures of a dot-grid shot that people ask for, and their units."""

GROUP_TITLES = {
    "single": "Single pixels",
    "cluster": "Clusters that neighbours fill well",
    "line": "Lines",
    "relevant_cluster": "Clusters with pixels that have too few good neighbours",
    "kernel_pixels": "Pixels with too few good neighbours, in all clusters and lines",
    "largest_cluster_pixels": "Pixels in the largest cluster",
}
"""The counts of groups of bad pixels (see ``calibration/grouping.py``)."""

_COUNTS_OF_NEW = {"pixels.new_lines", "pixels.new_relevant_clusters"}
"""Figures whose value is what has come since the first calibration, where there was none."""

_PERCENT = {
    "uniformity.spread",
    "uniformity.flat_shape",
    "linearity.deviation",
    "lag.first_frame",
    "lag.second_frame",
    "contrast.sensitivity",
    "pixels.bad_fraction",
    "gain.shading_change",
    "gain.pixel_change",
    "pixels.new_bad_fraction",
}
"""Relative figures that people say in percent."""
_SUFFIXES = ("_change", "_rise", "_drop")


def of_change(check_id: str) -> bool:
    """Whether a check judges a relative change since the first calibration."""
    own = ("gain.shading_change", "gain.pixel_change")
    return check_id.endswith(_SUFFIXES) and check_id not in own


def value_text(figure: Figure, value: float | None) -> str:
    """A figure's value (now, or first) with its unit, in percent where people say it so."""
    if value is None:
        return "–"
    check_id = figure.check.id
    base = next((check_id.removesuffix(s) for s in _SUFFIXES if of_change(check_id)
                 and check_id.endswith(s)), check_id)  # fmt: skip
    if base in _PERCENT:
        return f"{number(100 * value)} %"
    return f"{number(value)} {figure.unit}".strip()


def first_text(figure: Figure) -> str:
    """A figure's value in the first calibration; "–" where it is about what is new since."""
    new = figure.check.id in _COUNTS_OF_NEW
    return value_text(figure, None if new else figure.first)


def now_text(figure: Figure) -> str:
    """A figure's value in this calibration."""
    new = figure.check.id in _COUNTS_OF_NEW
    return value_text(figure, figure.check.value if new else figure.now)


def change_text(figure: Figure) -> str:
    """The change since the first calibration in percent, with its sign."""
    if figure.check.id in _COUNTS_OF_NEW or figure.change is None:
        return "–"
    return f"{number(100 * figure.change, 1, sign=True)} %"


def limit_text(figure: Figure) -> str:
    """The limit that a figure was held against, as people say it."""
    check = figure.check
    if check.limit is None:
        return "none"
    least = check.id == "snr.snr_n"
    if of_change(check.id):
        sign = {"_change": "±", "_rise": "+", "_drop": "−"}
        mark = next(sign[suffix] for suffix in _SUFFIXES if check.id.endswith(suffix))
        return f"{mark}{limit(100 * check.limit)} %"
    if check.id in _PERCENT:
        return f"{limit(100 * check.limit)} %"
    return f"{'≥ ' if least else ''}{limit(check.limit)} {figure.unit}".strip()


def what_to_do(check_id: str) -> str:
    """What to do first about a figure that didn't pass."""
    fits = [name for name in WHAT_TO_DO if check_id.startswith(name)]
    return WHAT_TO_DO[max(fits, key=len)] if fits else ""


def note_text(figure: Figure) -> str:
    """A check's note without the bounds, which the table of figures tells for all at once."""
    parts = figure.check.note.split("; ")
    return "; ".join(part for part in parts if not part.startswith(("attention ", "fail ")))


def reason_text(figure: Figure) -> str:
    """Why a figure didn't pass, after its title."""
    check = figure.check
    if check.value is None:
        return "; ".join(["not measured", *check.note.split("; ")[:1]])
    if of_change(check.id):
        return (
            f"{change_text(figure)} since the first calibration "
            f"({value_text(figure, figure.first)}, now {value_text(figure, figure.now)}); "
            f"limit {limit_text(figure)}"
        )
    return f"{value_text(figure, check.value)}; limit {limit_text(figure)}"
