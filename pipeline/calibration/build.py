"""A calibration from its exposures.

Frames are read one at a time: darks and flats first as sketches (which of them don't belong?),
then to sum them up, then a few pairs for the noise model; all others once. Memory is about 60
bytes a pixel of the panel, 4 more for each dose level, 8 more for each further set of darks or
flats, however many frames there are.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.acceptance import acceptance_figures
from pipeline.calibration.classify import (
    BadPixelLimits,
    bad_neighbourhood,
    classify_persistent,
    classify_response,
    count_classes,
)
from pipeline.calibration.cross_check import noisy_in_any, unsteady_dark
from pipeline.calibration.dose_line import fit_dose_line
from pipeline.calibration.enough import require_enough
from pipeline.calibration.exposure_reader import ExposureReader, Progress, frames_of, pairs_of
from pipeline.calibration.figures import (
    level_figures,
    linearity_facts,
    more_figures,
    shape_figures,
    with_snr_n,
)
from pipeline.calibration.gather import (
    Darks,
    Flats,
    by_dose,
    gather_darks,
    gather_flats,
    require_empty_beam,
    without_beam,
)
from pipeline.calibration.gauges import Gauges, measure_gauges, picture_maker
from pipeline.calibration.grouping import group_bad_pixels
from pipeline.calibration.lag_shares import lag_shares
from pipeline.calibration.levels import combine, require_bright, several_doses
from pipeline.calibration.linearity import Mode, measure_curvature
from pipeline.calibration.noise import (
    BlockNoise,
    fit_noise,
    require_one_gain,
    require_steady,
)
from pipeline.calibration.product import (
    CalibrationFacts,
    CalibrationSet,
    NoiseModel,
    content_identity,
)
from pipeline.calibration.statistics import Exposures
from pipeline.calibration.step_off import LagPlan, read_step_offs
from pipeline.calibration.uniformity import Uniformity, find_non_uniform, independent_tests
from pipeline.errors import CalibrationError
from pipeline.model import FlagImage, FloatArray, PixelClass

MIN_GOOD_FRACTION = 0.5
"""With fewer good pixels than this the exposures are wrong, not the panel."""


@dataclass(frozen=True, slots=True)
class Conditions:
    """Which panel a calibration is for and when it holds; goes into its facts as it is."""

    serial: str
    gain_mode: str = ""
    binning: str | None = None
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


@dataclass(frozen=True, slots=True)
class BuildPlan:
    """What is wanted beyond dark, gain, bad pixels and noise.

    ``linearity``: see ``linearity.py``; ``separate_beam``: see ``beam.py``. This and gauges need
    the panel's ``pitch_mm``.
    """

    linearity: Mode = "off"
    separate_beam: bool = False
    pitch_mm: float | None = None
    lag: LagPlan = field(default_factory=LagPlan)
    gauges: Gauges = field(default_factory=Gauges)


def build_calibration(
    darks: Sequence[Exposures],
    flats: Sequence[Exposures],
    *,
    rows: int,
    columns: int,
    saturation_gv: float,
    conditions: Conditions,
    step_offs: Sequence[Exposures] = (),
    limits: BadPixelLimits | None = None,
    plan: BuildPlan | None = None,
    progress: Progress | None = None,
) -> CalibrationSet:
    """The calibration of a panel of ``rows`` × ``columns`` from its exposures.

    At least one dark and two flats of one dose; three or more of each let spikes and frames that
    don't belong be rejected, and two darks let noisy pixels be found. The first set of darks, with
    all of its conditions, belongs to the flats; others become dark states. Flats of equal dose are
    one level; with several levels every set must name its dose. ``step_offs``: sequences in which
    the beam ends, for lag and persistent pixels. ``progress`` is told how many frames of how many
    have been read.

    Raises:
        CalibrationError: too few exposures, flats saturated or too dark, darks as bright as
            flats, a dose missing or not matched by the signal, noise that is none, sets of mixed
            exposures or gain modes, something in the beam.
        FrameError: from reading the exposures.
    """
    limits, plan = limits or BadPixelLimits(), plan or BuildPlan()
    require_enough(darks, flats)
    reads = _reads(darks, flats, step_offs) + plan.gauges.frames
    reader = ExposureReader(rows, columns, reads, progress)
    dark = gather_darks(reader, darks)
    mean_dark = dark.groups[0].whole.mean
    flat = gather_flats(reader, flats, mean_dark, saturation_gv)
    require_empty_beam(flat)
    if plan.separate_beam:
        flat = without_beam(flat, plan.pitch_mm or 1.0)
    line = fit_dose_line(flat.levels)

    classes = _classify(dark, flat, limits)
    noise, lit = _measure_noise(reader, dark, flat, _good_pixels(classes))
    for level in flat.levels:
        require_bright(level, noise)
    uniformity = _add_non_uniform(classes, dark, flat, noise, limits)
    lag = read_step_offs(reader, step_offs, mean_dark, noise, plan.lag)
    if lag is not None:
        persistent = classify_persistent(lag.after, lag.after_noise_gv, limits)
        classes[persistent] |= np.uint8(PixelClass.PERSISTENT)
    classes[bad_neighbourhood(classes)] |= np.uint8(PixelClass.BAD_NEIGHBOURHOOD)

    good = _good_pixels(classes)
    gain, gain_relative = combine(flat.levels, noise, good)
    noise = NoiseModel(noise.offset, noise.slope, gain_relative)
    curvature = None
    if plan.linearity != "off":
        dark_frames = dark.groups[0].whole.frames
        curvature = measure_curvature(
            flat.levels, noise, dark_frames, gain, good, mode=plan.linearity
        )
        gain = curvature.gain
    picture = picture_maker(reader, mean_dark, gain, classes)
    gauges = measure_gauges(plan.gauges, picture, plan.pitch_mm or 1.0)
    reader.finish()
    figures = acceptance_figures(
        dark.groups[0].whole, flat.levels, noise, uniformity, limits, gain, classes
    )
    figures |= level_figures(flat.levels, line, lit) | shape_figures(dark, flat)
    figures |= more_figures(dark.groups[0], noise, line, lag) | dict(gauges.figures)
    facts = CalibrationFacts(
        **{one.name: getattr(conditions, one.name) for one in fields(conditions)},
        rows=rows,
        columns=columns,
        noise=noise,
        linearity=linearity_facts(line, curvature),
        bad_pixels=count_classes(classes),
        bad_groups=group_bad_pixels(classes, limits.rules).counts(),
        bad_pixel_limits=asdict(limits),
        beam=None if flat.beam is None else flat.beam.facts(),
        panel_geometry=gauges.panel_geometry,
        acceptance=with_snr_n(figures),
        rejected=tuple(
            {"file": name, "reason": reason}
            for name, reason in dark.rejected + flat.rejected + gauges.rejected
        ),
        dark_conditions=dark.conditions[0],
        dark_states=dark.conditions[1:],
    )
    if lag is not None:
        shares = lag_shares(lag.lag)
        facts = replace(
            facts,
            lag_fractions=lag.lag.fractions,
            lag_regions=_table(lag.lag.regions),
            lag_shares=() if shares is None else _table(shares),
        )
    states = tuple(group.whole.mean for group in dark.groups[1:])
    image = None if curvature is None else curvature.image
    identity = content_identity(
        facts, mean_dark, gain, classes, dark_states=states, curvature=image
    )
    return CalibrationSet(facts, mean_dark, gain, classes, identity, states, image)


def _table(values: FloatArray) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(float(one) for one in row) for row in values)


def _reads(
    darks: Sequence[Exposures], flats: Sequence[Exposures], step_offs: Sequence[Exposures]
) -> int:
    """How many frames will be read if none is left out."""
    once = sum(source.frames for source in step_offs) + sum(one.frames > 0 for one in step_offs)
    twice = 2 * sum(source.frames for source in (*darks, *flats))
    filled = [source for source in darks if source.frames]
    first = [source for source in filled if source.conditions == filled[0].conditions]
    groups = [first, *by_dose(flats).values()]
    return once + twice + 2 * sum(len(pairs_of(frames_of(group))) for group in groups)


def _classify(dark: Darks, flat: Flats, limits: BadPixelLimits) -> FlagImage:
    """All that darks and mean flats tell, before their noise is known."""
    levels = flat.levels
    classes = classify_response(
        [level.signal for level in levels],
        flat.clipped,
        limits,
        several_doses=several_doses(levels),
    )
    noisy = noisy_in_any([group.sets for group in dark.groups], limits)
    classes[noisy] |= np.uint8(PixelClass.NOISY)
    return classes


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


def _measure_noise(
    reader: ExposureReader, dark: Darks, flat: Flats, good: NDArray[np.bool_]
) -> tuple[NoiseModel, list[list[BlockNoise]]]:
    """The noise model, and what the pairs of each level say for it."""
    mean = dark.groups[0].whole.mean
    unlit = reader.pair_noise(dark.groups[0].shots, mean, good, lit=False)
    require_steady(unlit, [one.variance for one in dark.groups[0].sets])
    lit = [reader.pair_noise(shots, mean, good, lit=True) for shots in flat.shots]
    levels = zip(flat.levels, lit, strict=True)
    require_one_gain(unlit, {level.where: blocks for level, blocks in levels if blocks})
    return NoiseModel(*fit_noise(unlit + [block for blocks in lit for block in blocks])), lit


def _add_non_uniform(
    classes: FlagImage, dark: Darks, flat: Flats, noise: NoiseModel, limits: BadPixelLimits
) -> Uniformity:
    """Flag what differs between flats, and darks that change otherwise than their neighbours."""
    responding = (classes & np.uint8(PixelClass.DEAD)) == 0
    frames = dark.groups[0].whole.frames
    tests = independent_tests(flat.sets, flat.halves)
    uniformity = find_non_uniform(tests, noise, frames, responding, limits)
    unsteady = unsteady_dark(
        [group.sets for group in dark.groups],
        [one.frame_time_s for one in dark.conditions],
        noise,
        flat.levels[-1].median,
        limits,
    )
    classes[uniformity.failing | (unsteady & responding)] |= np.uint8(PixelClass.NON_UNIFORM)
    return uniformity
