"""The exposures that calibrate one simulated panel, frame by frame, and what is wrong with them."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np

from pipeline.model import FloatImage, RawImage
from pipeline.simulation.detector import Detector, Indices, make_detector, record, respond
from pipeline.simulation.panel_plan import (
    REFERENCE_C,
    REFERENCE_FRAME_TIME_S,
    DarkSet,
    Fault,
    PanelPlan,
)

SPOILT_FRAME = 3  # index in its set: the flat with an object, the dark with light
LEAK_GV = 250.0
OBJECT_PASSES = 0.5
ROLL_OFF = 0.45
AFTERGLOW_GV = 40000.0
DUST_SPECKS = 6


class _Draw(IntEnum):
    """What a random stream is for; each has its own, so that no draw shifts another."""

    DETECTOR = 101
    EXTRAS = 102
    DUST = 103
    DARK = 104
    FLAT = 105
    STEP_OFF = 106
    GAUGE = 107


@dataclass(frozen=True, slots=True)
class Speck:
    """A speck of dust: place of its middle, size, and the part of the dose that it takes away."""

    row: float
    column: float
    diameter_px: float
    absorbs: float


@dataclass(frozen=True, slots=True)
class PanelScene:
    """A panel as it is, before the first exposure.

    ``detector.dark`` is the offset at REFERENCE_C without leakage; ``leakage_gv`` (rows, columns)
    is added to it at REFERENCE_C and REFERENCE_FRAME_TIME_S. ``hot`` lists the flat indices of
    pixels that flicker with their leakage.
    """

    plan: PanelPlan
    seed: int
    faults: frozenset[Fault]
    detector: Detector
    leakage_gv: FloatImage
    hot: Indices
    dust: tuple[Speck, ...]

    def stream(self, draw: int, *indices: int) -> np.random.Generator:
        """The random numbers of one purpose; frames have one each."""
        return np.random.default_rng([self.seed, draw, *indices])

    def leaked(self, temperature_c: float, frame_time_s: float) -> FloatImage:
        """Leakage in GV at that temperature and frame time."""
        doublings = (temperature_c - REFERENCE_C) / self.plan.leakage.doubling_c
        return self.leakage_gv * np.float32(2**doublings * frame_time_s / REFERENCE_FRAME_TIME_S)

    def mean_dark(self, temperature_c: float, frame_time_s: float) -> FloatImage:
        """The noise-free dark in GV of a rested panel; dead pixels don't show it."""
        drift = self.plan.leakage.offset_gv_per_c * (temperature_c - REFERENCE_C)
        return self.detector.dark + np.float32(drift) + self.leaked(temperature_c, frame_time_s)

    def beam(self, source_distance_mm: float) -> FloatImage:
        """The bare beam over the panel, 1 at its middle: inverse square, obliquity, heel."""
        plan = self.plan
        u = (np.arange(plan.columns) - (plan.columns - 1) / 2) * plan.pitch_mm / source_distance_mm
        v = (np.arange(plan.rows) - (plan.rows - 1) / 2) * plan.pitch_mm / source_distance_mm
        flux = (1 + u[None, :] ** 2 + v[:, None] ** 2) ** -1.5 * (1 + plan.heel * u)
        return np.asarray(flux.astype(np.float32))


def build_panel(plan: PanelPlan, seed: int, faults: Iterable[Fault] = ()) -> PanelScene:
    """The panel of a plan; the same plan, seed and faults give the same panel.

    Raises:
        ValueError: the panel is smaller than 64×64.
    """
    chosen = frozenset(faults)
    detector = make_detector(
        plan.rows, plan.columns, plan.detector, np.random.default_rng([seed, _Draw.DETECTOR])
    )
    rng = np.random.default_rng([seed, _Draw.EXTRAS])
    size = plan.rows * plan.columns
    curvature = rng.normal(plan.curvature, plan.curvature_scatter, size).astype(np.float32)
    curvature[detector.curved] += detector.curvature
    if Fault.ROLL_OFF in chosen:
        detector.gain[:] *= _roll_off(plan)
    leakage = plan.leakage
    leaks = leakage.mean_gv * np.exp(leakage.scatter * rng.standard_normal(size))
    good = np.flatnonzero(detector.classes.ravel() == 0)
    hot = np.sort(rng.choice(good, round(leakage.hot_share * size), replace=False))
    leaks[hot] *= rng.uniform(4, 9, hot.size)
    return PanelScene(
        plan=plan,
        seed=seed,
        faults=chosen,
        detector=replace(detector, curved=np.arange(size), curvature=curvature),
        leakage_gv=leaks.astype(np.float32).reshape(plan.shape),
        hot=hot,
        dust=_dust(plan, np.random.default_rng([seed, _Draw.DUST])),
    )


def dark_exposures(scene: PanelScene, index: int) -> Iterator[RawImage]:
    """The frames of ``plan.darks[index]``, the panel rested but for a fault."""
    darks = scene.plan.darks[index]
    earlier: list[FloatImage] = []
    if Fault.AFTERGLOW in scene.faults and index == len(scene.plan.darks) - 1:
        before = respond(scene.detector, scene.beam(scene.plan.flats[0].source_distance_mm))
        earlier = [before * np.float32(AFTERGLOW_GV)] * len(scene.plan.detector.lag)
    nothing = np.zeros(scene.plan.shape, dtype=np.float32)
    for number in range(darks.frames):
        signal = nothing
        if Fault.LIGHT_LEAK in scene.faults and (index, number) == (0, SPOILT_FRAME):
            signal = respond(scene.detector, leaking_light(scene.plan))
        rng = scene.stream(_Draw.DARK, index, number)
        yield _shot(scene, signal, earlier, rng, darks)
        earlier = [signal, *earlier][: len(earlier)]  # a rested panel stays so: light is weak


def flat_exposures(scene: PanelScene, index: int) -> Iterator[RawImage]:
    """The frames of ``plan.flats[index]``; the panel has been lit alike before the first."""
    flats = scene.plan.flats[index]
    level = scene.beam(flats.source_distance_mm) * np.float32(flats.level_gv)
    if Fault.DUST in scene.faults and index == 1:
        level *= dust_passes(scene)
    steady = respond(scene.detector, level)
    earlier = deque([steady] * len(scene.plan.detector.lag), maxlen=len(scene.plan.detector.lag))
    for number in range(flats.frames):
        rng = scene.stream(_Draw.FLAT, index, number)
        dose = level * np.float32(1 + scene.plan.flicker * rng.standard_normal())
        if Fault.OBJECT in scene.faults and (index, number) == (0, SPOILT_FRAME):
            rows, columns = object_place(scene.plan)
            dose[rows, columns] *= np.float32(OBJECT_PASSES)
        signal = respond(scene.detector, dose)
        yield _shot(scene, signal, earlier, rng)
        earlier.appendleft(signal)


def step_off_exposures(scene: PanelScene) -> Iterator[RawImage]:
    """Lit frames, then dark ones: what is left in these is lag. Lit alike before the first."""
    plan = scene.plan
    flat = plan.flats[0]
    lit = respond(scene.detector, scene.beam(flat.source_distance_mm) * np.float32(20000))
    dark = np.zeros_like(lit)
    earlier = deque([lit] * len(plan.detector.lag), maxlen=len(plan.detector.lag))
    for number in range(plan.step_off_lit + plan.step_off_dark):
        signal = lit if number < plan.step_off_lit else dark
        yield _shot(scene, signal, earlier, scene.stream(_Draw.STEP_OFF, number))
        earlier.appendleft(signal)


def gauge_exposures(scene: PanelScene, kind: str) -> Iterator[RawImage]:
    """The frames with the ``duplex_wire``, ``dot_grid`` or ``step_wedge`` in the beam."""
    plan = scene.plan
    blur_px = plan.detector.blur_px
    distance_mm = plan.flats[0].source_distance_mm
    if kind == "duplex_wire":
        dose = plan.duplex.dose(plan.shape, plan.pitch_mm, blur_px, plan.kv)
    elif kind == "dot_grid":
        dose = plan.dot_plate.dose(plan.shape, plan.pitch_mm, blur_px)
        distance_mm = plan.dot_plate.source_distance_mm
    else:
        dose = plan.step_wedge.dose(plan.shape, blur_px, plan.kv)
    level = scene.beam(distance_mm) * dose * np.float32(plan.gauge_level_gv)
    signal = respond(scene.detector, level)
    number_of_kind = ("duplex_wire", "dot_grid", "step_wedge").index(kind)
    earlier = [signal] * len(plan.detector.lag)
    for number in range(plan.gauge_frames):
        yield _shot(scene, signal, earlier, scene.stream(_Draw.GAUGE, number_of_kind, number))


def dust_passes(scene: PanelScene) -> FloatImage:
    """What the dust lets through at every pixel."""
    rows, columns = np.ogrid[: scene.plan.rows, : scene.plan.columns]
    passes = np.ones(scene.plan.shape, dtype=np.float32)
    for speck in scene.dust:
        distance = np.hypot(rows - speck.row, columns - speck.column)
        cover = np.clip(speck.diameter_px / 2 - distance + 0.5, 0, 1)
        passes *= (1 - speck.absorbs * cover).astype(np.float32)
    return passes


def object_place(plan: PanelPlan) -> tuple[slice, slice]:
    """Rows and columns of the object left in the beam: a bar of a tenth by a thirtieth."""
    row, column = plan.rows // 4, 2 * plan.columns // 3
    return slice(row, row + plan.rows // 10), slice(column, column + plan.columns // 30)


def leaking_light(plan: PanelPlan) -> FloatImage:
    """Light in GV that comes in at the panel's first column and fades by 1/e in an eighth of it."""
    fade = np.exp(-8 * np.arange(plan.columns) / plan.columns)
    light = np.broadcast_to(LEAK_GV * fade, plan.shape)
    return np.asarray(light, dtype=np.float32)


def _roll_off(plan: PanelPlan) -> FloatImage:
    """1 in the middle, 1 − ROLL_OFF in the corners; steep at the edges, smooth between."""
    y, x = np.ogrid[-1 : 1 : plan.rows * 1j, -1 : 1 : plan.columns * 1j]
    fall = 1 - ROLL_OFF * (x**4 + y**4) / 2
    return np.asarray(fall.astype(np.float32))


def _dust(plan: PanelPlan, rng: np.random.Generator) -> tuple[Speck, ...]:
    return tuple(
        Speck(
            float(rng.uniform(20, plan.rows - 20)),
            float(rng.uniform(20, plan.columns - 20)),
            float(rng.uniform(3, 12)),
            float(rng.uniform(0.03, 0.15)),
        )
        for _ in range(DUST_SPECKS)
    )


def _shot(
    scene: PanelScene,
    signal: FloatImage,
    earlier: Iterable[FloatImage],
    rng: np.random.Generator,
    conditions: DarkSet | None = None,
) -> RawImage:
    """The raw frame of a mean signal; without conditions at the reference ones."""
    temperature_c = conditions.temperature_c if conditions else REFERENCE_C
    frame_time_s = conditions.frame_time_s if conditions else REFERENCE_FRAME_TIME_S
    leaked = scene.leaked(temperature_c, frame_time_s)
    flickering = leaked.ravel()[scene.hot]
    total = signal + leaked  # leaking charge is noisy like any other
    flicker = 0.25 * flickering * rng.standard_normal(scene.hot.size, dtype=np.float32)
    total.ravel()[scene.hot] += flicker
    drift = np.float32(scene.plan.leakage.offset_gv_per_c * (temperature_c - REFERENCE_C))
    panel = replace(scene.detector, dark=scene.detector.dark + drift)
    return record(panel, total, tuple(earlier), rng)
