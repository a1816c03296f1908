"""Invented scans of a small ring as pictures: views of every frame, truth beside them."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from pipeline.calibration.product import NoiseModel
from pipeline.geometry import Panel, ScanGeometry
from pipeline.model import Frame
from pipeline.stages.adjustment import Priors
from pipeline.stages.distortion import Distortion
from pipeline.stages.registration import Registered, Registration, ScanSetup
from pipeline.stages.views import View, view_grid
from tests.stages.invented import Metal, Surface, frame_of

TOLD = ScanGeometry(60.0, 10.0)
TRUE = replace(TOLD, source_x_mm=1.2, source_y_mm=-0.8)
PANEL = Panel(320, 400, 0.1)
TRUE_PANEL = replace(PANEL, roll_rad=0.003)
ONCE = TOLD.circumference_mm
NOISE = NoiseModel(16.0, 1.0)
FRAMES = 28
PITCH_MM = 0.1

SETUP = ScanSetup(
    geometry=TOLD,
    panel=PANEL,
    distortion=Distortion(),
    view_grid=view_grid(TOLD, PANEL, Distortion(), PITCH_MM),
    noise=NOISE,
    priors=Priors(0.3, 0.01, 0.5, 5.0, np.radians(0.5)),
    ring=True,
    usual_level_gv=20_000.0,
)


@dataclass(frozen=True)
class Path:
    """Where every frame was truly taken, how bright, and what the encoder said."""

    position: np.ndarray
    axial: np.ndarray
    level: np.ndarray
    encoder: np.ndarray


@cache
def path(ring: bool = True) -> Path:
    rng = np.random.default_rng(42)
    step = ONCE / FRAMES if ring else 8.0
    position = step * np.arange(FRAMES) + np.r_[0.0, rng.normal(0, 0.3, FRAMES - 1)]
    slip = np.where(np.arange(FRAMES) >= 11, 1.0, 0.0)
    encoder = 1.004 * (position + np.r_[0.0, rng.normal(0, 0.2, FRAMES - 1)]) + slip
    axial = np.r_[0.0, rng.normal(0, 0.2, FRAMES - 1)]
    return Path(position, axial, np.exp(rng.normal(0, 0.03, FRAMES)), encoder)


@cache
def metal(seed: int = 0, blank_mm: tuple[float, float] = (0.0, 0.0)) -> Surface:
    return Metal(ONCE, 18.0, seed=seed, blank_mm=blank_mm).surface()


@cache
def frame(
    k: int,
    ring: bool = True,
    *,
    seed: int = 0,
    blank_mm: tuple[float, float] = (0.0, 0.0),
    off_mm: float = 0.0,
) -> Frame:
    """Frame k as corrected; ``off_mm`` away from its true place if told so."""
    there = path(ring)
    return frame_of(
        metal(seed, blank_mm),
        TRUE,
        TRUE_PANEL,
        there.position[k] + off_mm,
        there.axial[k],
        index=k,
        level=there.level[k],
        noise=NOISE,
    )


def view(made: Frame, index: int, stage: Registration) -> View:
    return replace(stage.view(made, SETUP), frame=index)


def register(
    frames: list[Frame],
    encoder_mm: np.ndarray,
    *,
    ring: bool = True,
    stage: Registration | None = None,
    indices: list[int] | None = None,
    threads: int = 2,
) -> Registered:
    registration = stage or Registration(patch_px=128, search_mm=4.0)
    numbers = indices or list(range(len(frames)))
    views = (view(f, index, registration) for f, index in zip(frames, numbers, strict=True))
    with ThreadPoolExecutor(threads) as pool:
        return registration.place(views, encoder_mm, replace(SETUP, ring=ring), pool)
