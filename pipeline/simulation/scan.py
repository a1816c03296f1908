"""A whole scan in numbers: the weld, the panel, every stop, and each stop's raw frame."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np

from pipeline.geometry import Arrangement, ScanGeometry, relative_flux
from pipeline.model import FloatArray, FloatImage, RawImage
from pipeline.simulation.carriage import Stop, run_carriage
from pipeline.simulation.detector import Detector, make_detector, record, respond
from pipeline.simulation.exposure import Beam, expose
from pipeline.simulation.features import stamp
from pipeline.simulation.layout import Item, place_items
from pipeline.simulation.presets import Preset
from pipeline.simulation.spectrum import TABLE_STEP_MM, transmission_table
from pipeline.simulation.thickness import ThicknessMap, empty_map
from pipeline.simulation.weld import add_weld

SPARE_MM = 4.0  # of map past what the panel's centre sees: wander, roll, source off the axis
WORKERS = 2


class _Draw(IntEnum):
    """What a random stream is for; each has its own, so that no draw shifts another."""

    WELD = 1
    ITEMS = 2
    CARRIAGE = 3
    DETECTOR = 4
    FRAME = 5
    DARK = 6
    FLAT = 7


@dataclass(frozen=True, slots=True)
class Scene:
    """Everything that a preset and a seed settle before the first exposure."""

    preset: Preset
    seed: int
    items: tuple[Item, ...]
    thickness: ThicknessMap
    beam: Beam
    detector: Detector
    stops: tuple[Stop, ...]

    def stream(self, draw: int, *indices: int) -> np.random.Generator:
        """The random numbers of one purpose; frames have one each, whoever makes them."""
        return np.random.default_rng([self.seed, draw, *indices])


def build_scene(preset: Preset, seed: int) -> Scene:
    """The scene of a preset; the same preset and seed give the same scene."""

    def stream(draw: _Draw) -> np.random.Generator:
        return np.random.default_rng([seed, draw])

    geometry, shape = preset.geometry, preset.shape
    thickness = empty_map(geometry.circumference_mm, preset.half_height_mm + SPARE_MM)
    add_weld(thickness, shape, stream(_Draw.WELD))
    items = place_items(shape, preset.layout, preset.kv, stream(_Draw.ITEMS))
    for item in items:
        for stroke in item.strokes:
            stamp(thickness, stroke)
    panel = preset.panel
    return Scene(
        preset=preset,
        seed=seed,
        items=items,
        thickness=thickness,
        beam=beam_at(preset),
        detector=make_detector(panel.rows, panel.columns, preset.detector, stream(_Draw.DETECTOR)),
        stops=run_carriage(preset.carriage, stream(_Draw.CARRIAGE)),
    )


def beam_at(preset: Preset, kv_share: float = 1.0) -> Beam:
    """The beam at a part of the set tube voltage, relative to the full one on plain wall."""
    wall_mm = _plain_wall_mm(preset)
    table = transmission_table(
        preset.kv * kv_share, reference_kv=preset.kv, reference_mm=wall_mm
    ) / np.float32(1 + preset.scatter)
    return Beam(table, preset.scatter * _read(table, wall_mm), preset.detector.blur_px)


def true_level(preset: Preset, stop: Stop) -> float:
    """How bright the frame is on plain wall, relative to level 1 at the full tube voltage."""
    if not stop.ramping:
        return stop.level
    beam = beam_at(preset, stop.kv_share)
    return stop.level * (_read(beam.table, _plain_wall_mm(preset)) + beam.scatter)


def _plain_wall_mm(preset: Preset) -> float:
    walls = 2 if preset.geometry.arrangement is Arrangement.TWO_WALL else 1
    return walls * preset.shape.wall_mm


def _read(table: FloatImage, steel_mm: float) -> float:
    return float(np.interp(steel_mm / TABLE_STEP_MM, np.arange(table.size), table))


def mean_signal(scene: Scene, stop: Stop) -> FloatImage:
    """The noise-free signal in GV above dark that a stop's exposure alone makes."""
    preset = scene.preset
    dose = expose(
        scene.thickness,
        preset.geometry,
        preset.panel,
        beam_at(preset, stop.kv_share) if stop.ramping else scene.beam,
        position_mm=stop.position_mm,
        axial_mm=stop.axial_mm,
        wall_mm=preset.shape.wall_mm,
    )
    return respond(scene.detector, dose * np.float32(preset.base_gv * stop.level))


def simulate_frame(scene: Scene, index: int, earlier: Sequence[FloatImage] = ()) -> RawImage:
    """The raw frame of ``scene.stops[index]``; ``earlier`` are the signals left by lag, last first.

    Without ``earlier`` the panel is rested.
    """
    signal = mean_signal(scene, scene.stops[index])
    return record(scene.detector, signal, earlier, scene.stream(_Draw.FRAME, index))


def scan_frames(scene: Scene, *, workers: int = WORKERS) -> Iterator[RawImage]:
    """Every raw frame in turn, lag included; the number of workers changes the speed only."""
    kept = len(scene.detector.plan.lag)
    earlier: deque[FloatImage] = deque(maxlen=kept)
    waiting: deque[Future[FloatImage]] = deque()
    stops = iter(scene.stops)
    with ThreadPoolExecutor(workers) as pool:
        for index in range(len(scene.stops)):
            while len(waiting) <= workers and (stop := next(stops, None)) is not None:
                waiting.append(pool.submit(mean_signal, scene, stop))
            signal = waiting.popleft().result()
            yield record(scene.detector, signal, earlier, scene.stream(_Draw.FRAME, index))
            earlier.appendleft(signal)


def dark_frames(scene: Scene) -> Iterator[RawImage]:
    """Frames of a rested panel without radiation."""
    nothing = np.zeros_like(scene.detector.dark)
    for index in range(scene.preset.dark_frames):
        yield record(scene.detector, nothing, (), scene.stream(_Draw.DARK, index))


def flat_frames(scene: Scene, level: int) -> Iterator[RawImage]:
    """Frames without a pipe at the dose ``flat_doses_gv[level]``, source where it should be.

    The first frame follows a rested panel, as lag does then.
    """
    preset = scene.preset
    dose_gv = preset.flat_doses_gv[level] * flat_shape(preset)
    kept = len(scene.detector.plan.lag)
    earlier: deque[FloatImage] = deque(maxlen=kept)
    for index in range(preset.flat_frames):
        rng = scene.stream(_Draw.FLAT, level, index)
        flicker = np.float32(1 + preset.carriage.flicker * rng.standard_normal())
        signal = respond(scene.detector, dose_gv * flicker)
        yield record(scene.detector, signal, earlier, rng)
        earlier.appendleft(signal)


def flat_shape(preset: Preset) -> FloatImage:
    """The bare beam over the panel, 1 at its centre, from a source on the axis."""
    geometry = nominal_geometry(preset)
    panel = preset.panel
    at = np.meshgrid(np.arange(float(panel.columns)), np.arange(float(panel.rows)))
    u, v = panel.to_plane(*at)
    beyond, normal = panel.beyond_mm(*at), panel.axes[2]
    flux: FloatArray = relative_flux(geometry, geometry.source(0.0), u, v, beyond, normal)
    return flux.astype(np.float32)


def nominal_geometry(preset: Preset) -> ScanGeometry:
    """The geometry as the technician believes it to be: source on the axis, stand-off steady."""
    return replace(
        preset.geometry, source_x_mm=0.0, source_y_mm=0.0, source_axial_mm=0.0, lift_off_mm=()
    )
