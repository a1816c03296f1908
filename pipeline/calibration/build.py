"""A calibration from dark and flat exposures.

Two passes over the exposures, one frame in memory at a time: the first sums up darks and each
dose level of flats; the second reads a few pairs for the noise model. Memory is about 60 bytes a
pixel of the panel and 4 more for each dose level, however many frames there are.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.acceptance import acceptance_figures
from pipeline.calibration.classify import (
    BadPixelLimits,
    bad_neighbourhood,
    classify_noisy,
    classify_response,
    count_classes,
)
from pipeline.calibration.exposure_reader import ExposureReader, Progress, by_dose, frames_of
from pipeline.calibration.levels import (
    Level,
    clipped_pixels,
    combine,
    linearity,
    make_level,
    require_bright,
    several_doses,
)
from pipeline.calibration.noise import fit_noise
from pipeline.calibration.product import (
    CalibrationFacts,
    CalibrationSet,
    NoiseModel,
    content_identity,
)
from pipeline.calibration.statistics import Exposures
from pipeline.calibration.uniformity import find_non_uniform
from pipeline.errors import CalibrationError
from pipeline.model import FlagImage, FloatImage, PixelClass

MIN_GOOD_FRACTION = 0.5
"""With fewer good pixels than this the exposures are wrong, not the panel."""


@dataclass(frozen=True, slots=True)
class Conditions:
    """Which panel a calibration is for and when it holds; goes into its facts as it is."""

    serial: str
    gain_mode: str = ""
    frame_time_s: float | None = None
    kv_min: float | None = None
    kv_max: float | None = None
    temperature_min_c: float | None = None
    temperature_max_c: float | None = None
    valid_from: str | None = None
    valid_until: str | None = None
    source_distance_mm: float | None = None
    lag_fractions: tuple[float, ...] = ()
    exposures: tuple[Mapping[str, object], ...] = ()


def build_calibration(
    darks: Sequence[Exposures],
    flats: Sequence[Exposures],
    *,
    rows: int,
    columns: int,
    saturation_gv: float,
    conditions: Conditions,
    limits: BadPixelLimits | None = None,
    progress: Progress | None = None,
) -> CalibrationSet:
    """The calibration of a panel of ``rows`` × ``columns`` from its dark and flat exposures.

    At least one dark and two flats of one dose; three or more darks let spikes be rejected, and
    two let noisy pixels be found. Flats of equal dose are one level; with several levels every
    set must name its dose. ``progress`` is told how many frames of how many have been read.

    Raises:
        CalibrationError: too few exposures, flats saturated or too dark, darks as bright as
            flats, a dose missing or not matched by the signal, noise that is none.
        FrameError: from reading the exposures.
    """
    limits = limits or BadPixelLimits()
    _require_enough(darks, flats)
    reader = ExposureReader(rows, columns, darks, flats, progress)
    dark = reader.accumulate(darks).result()
    levels, halves, clipped = _measure_levels(reader, flats, dark.mean, saturation_gv)
    lines = linearity(levels)

    classes = classify_response(
        [level.signal for level in levels], clipped, limits, several_doses=several_doses(levels)
    )
    if dark.frames > 1:
        classes[classify_noisy(dark.variance, limits)] |= np.uint8(PixelClass.NOISY)
    good = _good_pixels(classes)

    noise = _measure_noise(reader, darks, flats, dark.mean, good)
    for level in levels:
        require_bright(level, noise)
    responding = (classes & np.uint8(PixelClass.DEAD)) == 0
    uniformity = find_non_uniform(
        _independent_tests(levels, halves), noise, dark.frames, responding, limits
    )
    classes[uniformity.failing] |= np.uint8(PixelClass.NON_UNIFORM)
    classes[bad_neighbourhood(classes)] |= np.uint8(PixelClass.BAD_NEIGHBOURHOOD)

    gain, gain_relative = combine(levels, noise, _good_pixels(classes))
    noise = NoiseModel(noise.offset, noise.slope, gain_relative)
    facts = CalibrationFacts(
        serial=conditions.serial,
        gain_mode=conditions.gain_mode,
        rows=rows,
        columns=columns,
        noise=noise,
        frame_time_s=conditions.frame_time_s,
        kv_min=conditions.kv_min,
        kv_max=conditions.kv_max,
        temperature_min_c=conditions.temperature_min_c,
        temperature_max_c=conditions.temperature_max_c,
        valid_from=conditions.valid_from,
        valid_until=conditions.valid_until,
        source_distance_mm=conditions.source_distance_mm,
        lag_fractions=conditions.lag_fractions,
        linearity=lines,
        bad_pixels=count_classes(classes),
        acceptance=acceptance_figures(dark, levels, noise, uniformity, limits, gain, classes),
        exposures=conditions.exposures,
    )
    identity = content_identity(facts, dark.mean, gain, classes)
    return CalibrationSet(facts, dark.mean, gain, classes, identity)


def _require_enough(darks: Sequence[Exposures], flats: Sequence[Exposures]) -> None:
    if sum(source.frames for source in darks) < 1:
        raise CalibrationError(
            "there are no dark frames",
            where="darks",
            expected="at least one, better ten or more",
            remedy="Shoot darks with the beam off, at the frame time of the scan",
        )
    if not any(source.frames > 1 for source in flats):
        raise CalibrationError(
            f"too few flats: {sum(source.frames for source in flats)}, no two of one kind",
            where="flats",
            expected="at least two of one dose in one folder, better ten or more",
            remedy="Shoot more flats: gain and noise can't be told apart from single frames",
        )
    filled = [source for source in flats if source.frames]
    if len(filled) > 1 and any(source.dose is None for source in filled):
        raise CalibrationError(
            "several sets of flats, and not all name their dose",
            where="flats",
            expected="a dose for every set",
            remedy="Give each set of flats its dose (such as mA·s); equal doses are one level",
        )
    for source in filled:
        if source.dose is not None and not 0 < source.dose < np.inf:
            raise CalibrationError(
                f"dose {source.dose:g}",
                where="flats",
                expected="a finite dose above 0",
                remedy="Correct the dose of this set of flats",
            )


def _good_pixels(classes: FlagImage) -> NDArray[np.bool_]:
    good = np.asarray(classes == 0)
    fraction = float(np.mean(good))
    if fraction < MIN_GOOD_FRACTION:
        raise CalibrationError(
            f"only {100 * fraction:.1f} % of the panel's pixels are good",
            where="flats",
            expected=f"at least {100 * MIN_GOOD_FRACTION:g} %",
            remedy="Check that all exposures are of one panel, that nothing stood in the beam, "
            "and the limits for bad pixels",
        )
    return good


def _measure_levels(
    reader: ExposureReader, flats: Sequence[Exposures], dark: FloatImage, saturation_gv: float
) -> tuple[list[Level], list[Level], NDArray[np.bool_]]:
    """The levels, the first and second half of a single level, and the clipped pixels."""
    groups = by_dose(flats)
    levels: list[Level] = []
    halves: list[Level] = []
    clipped = np.zeros(dark.shape, np.bool_)
    for group in groups:
        dose = group[0].dose
        middle = len(frames_of(group)) // 2 if len(groups) == 1 else 0
        total = reader.accumulate(group, middle, None)
        if middle:
            first = reader.accumulate(group, 0, middle)
            halves = [
                make_level(dose, half.frames, half.result().mean, dark) for half in (first, total)
            ]
            total.merge(first)
        statistics = total.result()
        level = make_level(dose, statistics.frames, statistics.mean, dark)
        clipped |= clipped_pixels(statistics.mean, statistics.variance, saturation_gv, level.where)
        levels.append(level)
    return levels, halves, clipped


def _measure_noise(
    reader: ExposureReader,
    darks: Sequence[Exposures],
    flats: Sequence[Exposures],
    dark: FloatImage,
    good: NDArray[np.bool_],
) -> NoiseModel:
    blocks = reader.pair_noise(darks, dark, good, lit=False)
    for group in by_dose(flats):
        blocks += reader.pair_noise(group, dark, good, lit=True)
    return NoiseModel(*fit_noise(blocks))


def _independent_tests(
    levels: Sequence[Level], halves: Sequence[Level]
) -> list[tuple[Level, Sequence[Level]]]:
    """Flats to test, each with the flats that its gain is made from, none of which it shares."""
    if halves:
        return [(halves[0], halves[1:])]
    if len(levels) == 2:  # either way round is the same test
        return [(levels[0], levels[1:])]
    return [(level, [other for other in levels if other is not level]) for level in levels]
