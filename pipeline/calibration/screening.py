"""Each set of exposures without the frames that don't belong to it, which are named with why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.calibration.clipping import clipped_share, saturated
from pipeline.calibration.exposure_reader import ExposureReader, Shot, frames_of
from pipeline.calibration.foreign_object import block_means, find_objects
from pipeline.calibration.frame_outliers import (
    odd_darks,
    odd_flats,
    require_alike,
    require_one_kind,
)
from pipeline.calibration.set_shape import bend_within
from pipeline.calibration.sketch import Sketch
from pipeline.calibration.statistics import Exposures
from pipeline.model import FloatArray, FloatImage


@dataclass(frozen=True, slots=True)
class Screened:
    """The frames of a set that count, and (name, reason) of those that don't.

    ``first_gv`` and ``last_gv``: what the first and the last frame that count show, all over.
    ``bend``: by how much the smooth shape of flats that count differs (see ``set_shape.py``).
    """

    shots: list[Shot]
    rejected: tuple[tuple[str, str], ...]
    first_gv: float
    last_gv: float
    bend: float = 0.0


def screen_darks(reader: ExposureReader, source: Exposures, where: str) -> Screened:
    """The darks that are like the others of their set.

    Raises:
        CalibrationError: more than a third are not.
    """
    cells = Sketch(*reader.shape)
    shots = frames_of([source])
    sketches = np.stack([cells.of(frame) for frame in reader.frames(shots)])
    return _without(odd_darks(sketches, cells), shots, sketches, where)


def screen_flats(
    reader: ExposureReader,
    source: Exposures,
    dark: FloatImage,
    where: str,
    saturation_gv: float,
) -> Screened:
    """The flats that are like the others of their set, and show nothing that these don't.

    Saturation is told before anything else: where a flat is cut off, it has another shape.

    Raises:
        CalibrationError: more than a third are not, or are saturated.
    """
    cells = Sketch(*reader.shape)
    shots = frames_of([source])
    sketches: list[FloatArray] = []
    maps: list[FloatImage] = []
    clipped: list[tuple[float, int]] = []
    for frame in reader.frames(shots):
        clipped.append(clipped_share(frame, saturation_gv))
        sketches.append(cells.of(frame))
        maps.append(block_means(frame))
    cut = saturated(clipped, where)
    signals = np.stack(sketches) - cells.of(dark)
    reasons = odd_flats(signals, cells)
    if not reasons:
        require_alike(np.median(signals, axis=(1, 2)), _names(shots), where)
    for thing in find_objects(maps, block_means(dark), reader.shape):
        if not reasons.get(thing.frame, "").startswith("other_dose"):
            reasons[thing.frame] = f"object: something in the beam, {thing.describe()}"
    reasons |= cut
    found = _without(dict(sorted(reasons.items())), shots, signals, where)
    kept = [k for k in range(len(shots)) if k not in reasons]
    return replace(found, bend=bend_within(signals[kept]))


def _without(
    reasons: dict[int, str], shots: list[Shot], sketches: FloatArray, where: str
) -> Screened:
    names = _names(shots)
    require_one_kind(reasons, names, where)
    kept = [k for k in range(len(shots)) if k not in reasons]
    return Screened(
        [shots[k] for k in kept],
        tuple((names[k], why) for k, why in reasons.items()),
        float(np.median(sketches[kept[0]])),
        float(np.median(sketches[kept[-1]])),
    )


def _names(shots: Sequence[Shot]) -> list[str]:
    return [source.name(index) for source, index in shots]
