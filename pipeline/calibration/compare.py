"""What changed between two calibrations of a panel, and what that would do to strips."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.compare_darks import other_darks
from pipeline.calibration.compare_remarks import compare_remarks
from pipeline.calibration.product import CalibrationFacts, CalibrationSet
from pipeline.errors import CalibrationError
from pipeline.model import FlagImage, FloatArray, FloatImage, PixelClass

SMOOTH_PX = 65
"""Side of the square over which a change counts as shading; what is finer is the pixels' own."""
OUTLIER_STD = 6.0
"""Changes further out than this don't tell of shading."""
EDGE_FRACTION = 0.02
"""Part of the width left out at each end of the column profile, where the mean is one-sided."""
DEFAULT_GV = 10_000.0


@dataclass(frozen=True, slots=True)
class Change:
    """How one map changed, over pixels good in both calibrations.

    ``rms`` of the whole change about its median, ``shading`` from the least to the greatest of its
    smooth part, ``pixel_rms`` of the rest; ``expected`` is the rms that the exposures' noise
    alone brings (None where it isn't known). GV for darks, relative for gains.
    """

    median: float
    rms: float
    shading: float
    pixel_rms: float
    expected: float | None

    @property
    def pixel_rms_beyond_noise(self) -> float:
        """The pixels' own change with the exposures' noise taken off in squares; never below 0."""
        return math.sqrt(max(self.pixel_rms**2 - (self.expected or 0.0) ** 2, 0.0))


@dataclass(frozen=True, slots=True)
class PixelChange:
    """Bad pixels come and gone: in all, and by class. The maps are bool (rows, columns).

    A pixel counts in all when it was good before or is good now; in a class also when it only
    changed its class.
    """

    come_map: NDArray[np.bool_]
    gone_map: NDArray[np.bool_]
    come_by_class: Mapping[str, int]
    gone_by_class: Mapping[str, int]

    @property
    def come(self) -> int:
        """How many pixels were good and are bad now."""
        return int(np.count_nonzero(self.come_map))

    @property
    def gone(self) -> int:
        """How many pixels were bad and are good now."""
        return int(np.count_nonzero(self.gone_map))


@dataclass(frozen=True, slots=True)
class StripEffect:
    """What the second calibration instead of the first does to frames, and so to strips.

    At ``signal_gv``, relative: ``pixel_rms`` changes from pixel to pixel, beside ``frame_noise``
    of a single frame; ``shading`` across the panel; ``seam_step``, the largest gray step between
    two frames that overlap by half. Levels can't take a step up that comes back at every seam of a
    ring, so this is what it may come to there; the blending's taper makes a slope of it.
    ``filled_before`` and ``filled_after`` are the parts of a strip that no frame would measure
    at that overlap.
    """

    signal_gv: float
    pixel_rms: float
    frame_noise: float
    shading: float
    seam_step: float
    filled_before: float
    filled_after: float


@dataclass(frozen=True, slots=True)
class Comparison:
    """The second calibration against the first.

    ``dark_change`` (GV, second less first) and ``gain_change`` (relative) are float32 (rows,
    columns) and mean something where ``both_good``. ``column_profile`` is the mean relative
    change of frames in each column, over the middle half of the rows. ``remarks`` tell where the
    two weren't made alike.
    """

    dark_change: FloatImage
    gain_change: FloatImage
    both_good: NDArray[np.bool_]
    column_profile: FloatArray
    dark: Change
    gain: Change
    pixels: PixelChange
    strip: StripEffect
    remarks: tuple[str, ...]


def compare(first: CalibrationSet, second: CalibrationSet) -> Comparison:
    """How ``second`` differs from ``first``.

    Raises:
        CalibrationError: the panels have different sizes, or no pixel is good in both.
    """
    facts, others = first.facts, second.facts
    if (facts.rows, facts.columns) != (others.rows, others.columns):
        raise CalibrationError(
            f"the calibrations are of {facts.rows} × {facts.columns} and of "
            f"{others.rows} × {others.columns} pixels",
            expected="two calibrations of one panel in one binning",
            remedy="Name two calibrations that belong together",
        )
    both_good = np.asarray((first.classes | second.classes) == 0)
    if not both_good.any():
        raise CalibrationError(
            "no pixel is good in both calibrations",
            remedy="Look at the bad-pixel maps of the two",
        )
    dark_change: FloatImage = second.dark - first.dark
    safe = np.ones_like(first.gain)
    np.copyto(safe, first.gain, where=both_good)
    gain_change = np.ones_like(second.gain)
    np.divide(second.gain, safe, out=gain_change, where=both_good)
    gain_change -= 1
    signal_gv = 0.5 * facts.acceptance.get("flat_signal_gv", 2 * DEFAULT_GV)
    frame_change = _frame_change(safe, dark_change, gain_change, signal_gv)
    profile = _column_profile(frame_change, both_good)
    return Comparison(
        dark_change=dark_change,
        gain_change=gain_change,
        both_good=both_good,
        column_profile=profile,
        dark=_change(dark_change, both_good, _dark_noise(facts, others)),
        gain=_change(gain_change, both_good, _gain_noise(facts, others)),
        pixels=_pixel_change(first.classes, second.classes),
        strip=_strip_effect(frame_change, both_good, profile, signal_gv, first, second),
        remarks=(*compare_remarks(first, second), *other_darks(first, second)),
    )


def _frame_change(
    gain: FloatImage, dark_change: FloatImage, gain_change: FloatImage, signal_gv: float
) -> FloatImage:
    """Relative change of corrected gray values where the first calibration gives ``signal_gv``.

    The raw value above the first dark is signal·gain; corrected anew it is
    (signal·gain − dark change) / (gain·(1 + gain change)).
    """
    changed: FloatImage = 1 - dark_change / (np.float32(signal_gv) * gain)
    changed /= 1 + gain_change
    changed -= 1
    return changed


def _smooth(change: FloatImage, good: NDArray[np.bool_]) -> FloatImage:
    """Mean change of the good pixels in a square about each pixel, outliers left out."""
    median = float(np.median(change[good]))
    spread = 1.4826 * float(np.median(np.abs(change[good] - median))) or 1.0
    weight = (good & (np.abs(change - median) <= OUTLIER_STD * spread)).astype(np.float32)
    side = min(SMOOTH_PX, *change.shape)
    size = (side, side)
    sums = cv2.boxFilter(
        (change - np.float32(median)) * weight,
        cv2.CV_64F,
        size,
        normalize=False,
        borderType=cv2.BORDER_CONSTANT,
    )
    counts = cv2.boxFilter(
        weight, cv2.CV_64F, size, normalize=False, borderType=cv2.BORDER_CONSTANT
    )
    # Rounding in the sliding sums: a count below a half is none.
    filled = np.divide(sums, counts, out=np.zeros_like(sums), where=counts > 0.5)
    smooth: FloatImage = (filled + median).astype(np.float32)
    return smooth


def _change(change: FloatImage, good: NDArray[np.bool_], expected: float | None) -> Change:
    values = change[good].astype(np.float64)
    smooth = _smooth(change, good)
    middle = smooth[good]
    median = float(np.median(values))
    return Change(
        median=median,
        rms=float(np.sqrt(np.mean((values - median) ** 2))),
        shading=float(middle.max() - middle.min()),
        pixel_rms=float(np.std(values - middle)),
        expected=expected,
    )


def _column_profile(change: FloatImage, good: NDArray[np.bool_]) -> FloatArray:
    """Mean over the good pixels of the middle half of the rows; the weld lies there."""
    rows = change.shape[0]
    middle = slice(rows // 4, rows - rows // 4)
    weight: FloatArray = good[middle].sum(axis=0).astype(np.float64)
    sums: FloatArray = (change[middle] * good[middle]).sum(axis=0, dtype=np.float64)
    profile: FloatArray = np.full(sums.shape, sums.sum() / max(weight.sum(), 1.0))
    np.divide(sums, weight, out=profile, where=weight > 0)
    return profile


def _strip_effect(
    change: FloatImage,
    good: NDArray[np.bool_],
    profile: FloatArray,
    signal_gv: float,
    first: CalibrationSet,
    second: CalibrationSet,
) -> StripEffect:
    noise = first.facts.noise
    figures = _change(change, good, None)
    columns = len(profile)
    half = columns // 2
    bare = round(EDGE_FRACTION * columns)
    width = min(SMOOTH_PX, half - half % 2 - 1)
    # The weld's pixels average along a seam, so only what is wider than a seam's taper counts.
    calm = np.convolve(np.pad(profile, width // 2, mode="edge"), np.ones(width) / width, "valid")
    step = calm[half:] - calm[: columns - half]
    step = step[bare : len(step) - bare]
    return StripEffect(
        signal_gv=signal_gv,
        pixel_rms=figures.pixel_rms,
        frame_noise=math.sqrt(max(noise.offset + noise.slope * signal_gv, 0.0)) / signal_gv,
        shading=figures.shading,
        seam_step=float(np.max(np.abs(step))),
        filled_before=_filled(first.classes, half),
        filled_after=_filled(second.classes, half),
    )


def _filled(classes: FlagImage, half: int) -> float:
    """Part of the places that two frames see, half a panel apart, and neither measures."""
    bad = classes != 0
    return float(np.mean(bad[:, half:] & bad[:, : bad.shape[1] - half]))


def _pixel_change(first: FlagImage, second: FlagImage) -> PixelChange:
    come: dict[str, int] = {}
    gone: dict[str, int] = {}
    for kind in PixelClass:
        was, now = (classes & np.uint8(kind) != 0 for classes in (first, second))
        come[str(kind.name).lower()] = int(np.count_nonzero(now & ~was))
        gone[str(kind.name).lower()] = int(np.count_nonzero(was & ~now))
    bad, bad_now = first != 0, second != 0
    return PixelChange(bad_now & ~bad, bad & ~bad_now, come, gone)


def _dark_noise(first: CalibrationFacts, second: CalibrationFacts) -> float | None:
    """Noise of the difference of two mean darks, GV."""
    variance = 0.0
    for facts in (first, second):
        std, frames = (facts.acceptance.get(name) for name in ("dark_std_gv", "dark_frames"))
        if std is None or not frames:
            return None
        variance += std**2 / frames
    return math.sqrt(variance)


def _gain_noise(first: CalibrationFacts, second: CalibrationFacts) -> float | None:
    noises = (first.noise.gain_relative, second.noise.gain_relative)
    return math.hypot(*noises) if all(noises) else None
