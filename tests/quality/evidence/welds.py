"""Strips of many invented welds, alike in all that welds of one job share.

Each has its own metal (the simulation's weld generator, its pores and slag), and shares with all
others: pipe, procedure, location tape, gauges and lead figures at the same places, the panel's
imperfect gain at the same steps of the carriage. Coarse, as overviews of strips are.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.simulation.features import stamp
from pipeline.simulation.layout import Item, Layout, place_items
from pipeline.simulation.presets import get_preset
from pipeline.simulation.thickness import empty_map
from pipeline.simulation.weld import WeldShape, add_weld

Gray = NDArray[np.uint16]

PITCH_MM = 0.4
_HALF_MM = 30.0
_PER_MM = 0.055  # attenuation of steel at some 250 kV with scatter
_LEVEL = 30000.0
_SHARED = ("tick", "lead_text", "wire", "duplex")
_FRAMES = 60


@dataclass(frozen=True)
class Job:
    """What all welds of a job share: shape, layout of marks, and the map of those."""

    shape: WeldShape
    layout: Layout
    kv: float
    half_mm: float
    shared: NDArray[np.float32]
    panel: NDArray[np.float64]

    @property
    def circumference_mm(self) -> float:
        return float(np.pi * self.shape.diameter_mm)


def make_job(name: str = "ring24", *, seed: int = 0) -> Job:
    """A job on pipes like a preset's."""
    preset = get_preset(name)
    half_mm = min(_HALF_MM, preset.half_height_mm)
    circumference_mm = float(np.pi * preset.shape.diameter_mm)
    target = empty_map(circumference_mm, half_mm, PITCH_MM)
    items = place_items(preset.shape, preset.layout, preset.kv, np.random.default_rng(seed))
    for item in items:
        if item.kind in _SHARED:
            _stamp(target, item)
    rng = np.random.default_rng(seed)
    columns = target.values.shape[1]
    step = columns // _FRAMES
    pattern = np.resize(rng.normal(0, 0.001, step), columns)
    return Job(preset.shape, preset.layout, preset.kv, half_mm, target.values, pattern)


def _stamp(target: object, item: Item) -> None:
    for stroke in item.strokes:
        stamp(target, stroke)  # type: ignore[arg-type]


def weld_thickness(job: Job, seed: int) -> NDArray[np.float32]:
    """Steel of one weld, with its own faults and the job's marks."""
    target = empty_map(job.circumference_mm, job.half_mm, PITCH_MM)
    add_weld(target, job.shape, np.random.default_rng([seed, 1]))
    for item in place_items(job.shape, job.layout, job.kv, np.random.default_rng([seed, 2])):
        if item.kind not in _SHARED:
            _stamp(target, item)
    return target.values + job.shared


def shoot(job: Job, thickness: NDArray[np.float32], seed: int, *, snr: float = 400.0) -> Gray:
    """The strip of some steel: exposure, the panel's pattern, noise of its own."""
    rng = np.random.default_rng([seed, 3])
    gray = _LEVEL * np.exp(-_PER_MM * (thickness - job.shape.wall_mm))
    gray *= 1 + job.panel
    gray *= 1 + rng.normal(0, 1 / snr, gray.shape)
    return np.clip(np.rint(gray), 1, 65535).astype(np.uint16)


def turned(gray: Gray, part: float) -> Gray:
    """Begun at another place of the ring."""
    return np.roll(gray, round(part * gray.shape[1]), axis=1)


def cropped(gray: Gray, first: float, last: float) -> Gray:
    """Only a part along the weld; no ring any more."""
    return np.ascontiguousarray(gray[:, round(first * gray.shape[1]) : round(last * gray.shape[1])])


def narrowed(gray: Gray, above_mm: float, below_mm: float) -> Gray:
    """Rows cut away on both sides."""
    rows = gray.shape[0]
    cut = gray[round(above_mm / PITCH_MM) : rows - round(below_mm / PITCH_MM)]
    return np.ascontiguousarray(cut)


def noisier(gray: Gray, seed: int, *, share: float = 0.01) -> Gray:
    """Noise added afterwards."""
    rng = np.random.default_rng([seed, 4])
    return np.clip(gray * (1 + rng.normal(0, share, gray.shape)), 1, 65535).astype(np.uint16)


def recalibrated(gray: Gray, seed: int) -> Gray:
    """Another calibration: another gain, column by column and slowly, another level and curve."""
    rng = np.random.default_rng([seed, 5])
    columns = gray.shape[1]
    knots = np.arange(0, columns + 50 / PITCH_MM, 50 / PITCH_MM)
    slow = np.interp(np.arange(columns), knots, rng.normal(0, 0.02, knots.size))
    gain = (1 + slow) * (1 + rng.normal(0, 0.002, columns))
    changed = 40000 * (gray * gain / 40000) ** 0.93
    return np.clip(np.rint(changed), 1, 65535).astype(np.uint16)


def along(gray: Gray) -> Gray:
    """Reversed along the weld."""
    return np.ascontiguousarray(gray[:, ::-1])


def across(gray: Gray) -> Gray:
    """Reversed across the weld."""
    return np.ascontiguousarray(gray[::-1])


TRICKS: tuple[tuple[str, Callable[[Gray, int], Gray], bool], ...] = (
    ("turned", lambda gray, seed: turned(gray, 0.37), True),
    ("noisier", noisier, True),
    ("recalibrated", recalibrated, True),
    ("reversed along", lambda gray, seed: along(gray), True),
    ("reversed across", lambda gray, seed: across(gray), True),
    ("narrowed", lambda gray, seed: narrowed(gray, 6.0, 2.0), True),
    ("cropped to 60 %", lambda gray, seed: cropped(gray, 0.3, 0.9), False),
    ("cropped to 35 %", lambda gray, seed: cropped(gray, 0.1, 0.45), False),
    (
        "turned, reversed both ways, recalibrated, noisier",
        lambda gray, seed: noisier(recalibrated(across(along(turned(gray, 0.6))), seed), seed),
        True,
    ),
    (
        "turned, cropped to half, recalibrated, noisier",
        lambda gray, seed: noisier(recalibrated(cropped(turned(gray, 0.2), 0.1, 0.6), seed), seed),
        False,
    ),
)
"""Ways to pass one weld's strip off as another's: name, what is done, whether it stays a ring."""
