"""A panel with its faults, and the 16-bit frame it makes of a dose.

raw = dark + response·dose + what earlier frames left + noise, rounded and cut at the converter's
ends. The noise is Gaussian with variance read² + slope·signal; at the hundreds of quanta a pixel
sees that is what Poisson noise looks like.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.model import FlagImage, FloatImage, PixelClass, RawImage
from pipeline.simulation.texture import spline_weights

Indices = NDArray[np.int64]

HIGHEST_GV = 65535
BAD_SHARE = 0.003
CURVATURE_REFERENCE_GV = 20000.0


@dataclass(frozen=True, slots=True)
class DetectorPlan:
    """The panel's ordinary behaviour, gray values (GV).

    ``lag_slope``: by which part lag is stronger in the last column than in the middle, and weaker
    in the first.
    """

    dark_gv: float = 300.0
    read_gv: float = 12.0
    slope_gv: float = 0.9  # variance per gray value of signal
    lag: tuple[float, ...] = (0.003, 0.001)  # part of the last frame's signal, of the one before
    lag_slope: float = 0.0
    blur_px: float = 0.6  # scintillator, standard deviation
    module_columns: int = 256

    def lag_share(self, columns: int) -> FloatImage:
        """What multiplies all lags in each of so many columns, float32."""
        return (1 + self.lag_slope * np.linspace(-1, 1, columns)).astype(np.float32)

    def gray_value_for(self, snr: float) -> float:
        """The signal in GV whose signal-to-noise ratio in one frame is ``snr``.

        From snr² = signal²/(read² + slope·signal).
        """
        half = snr**2 * self.slope_gv / 2
        return half + float(np.sqrt(half**2 + (snr * self.read_gv) ** 2))


@dataclass(frozen=True, slots=True)
class Detector:
    """One panel. Images are (rows, columns) float32; odd pixels are lists of flat indices.

    ``classes`` holds ``PixelClass`` bits and is the truth of which pixels are bad.
    """

    plan: DetectorPlan
    dark: FloatImage
    gain: FloatImage  # relative response, mean about 1
    classes: FlagImage
    curved: Indices  # response that bends with dose
    curvature: FloatImage
    persistent: Indices  # keep a large part of the last frame
    persistence: FloatImage
    noisy: Indices
    noise_gv: FloatImage
    stuck: Indices
    stuck_gv: FloatImage


def make_detector(
    rows: int, columns: int, plan: DetectorPlan, rng: np.random.Generator
) -> Detector:
    """Draw a panel's dark, gain and faults: about 0.3 % bad pixels, every class, clusters, a line.

    Raises:
        ValueError: a panel smaller than 64×64 has no room for its faults.
    """
    if min(rows, columns) < 64:
        raise ValueError(f"a panel of {rows}×{columns} is too small: 64×64 at least")
    gain = _gain(rows, columns, plan, rng)
    dark = _dark(rows, columns, plan, rng)
    classes = _classes(rows, columns, rng)
    flat = classes.ravel()

    def where(kind: PixelClass) -> Indices:
        return np.flatnonzero(flat & np.uint8(kind))

    def draw(indices: Indices, low: float, high: float) -> FloatImage:
        return rng.uniform(low, high, indices.size).astype(np.float32)

    under, over = where(PixelClass.UNDER_RESPONDING), where(PixelClass.OVER_RESPONDING)
    gain.ravel()[under] *= draw(under, 0.2, 0.5)
    gain.ravel()[over] *= draw(over, 1.45, 1.9)
    curved, persistent = where(PixelClass.NON_UNIFORM), where(PixelClass.PERSISTENT)
    noisy, stuck = where(PixelClass.NOISY), where(PixelClass.DEAD)
    stuck_gv = np.where(
        rng.random(stuck.size) < 0.15, HIGHEST_GV, plan.dark_gv * rng.uniform(0, 2, stuck.size)
    )
    return Detector(
        plan=plan,
        dark=dark,
        gain=gain,
        classes=classes,
        curved=curved,
        curvature=draw(curved, 0.08, 0.2)
        * rng.choice(np.array([-1, 1], dtype=np.float32), curved.size),
        persistent=persistent,
        persistence=draw(persistent, 0.1, 0.3),
        noisy=noisy,
        noise_gv=draw(noisy, 12, 40) * np.float32(plan.read_gv),
        stuck=stuck,
        stuck_gv=stuck_gv.astype(np.float32),
    )


def respond(detector: Detector, dose_gv: FloatImage) -> FloatImage:
    """The mean signal in GV that a dose (in GV of a pixel of gain 1) makes, without lag or dark."""
    signal = detector.gain * dose_gv
    flat = signal.ravel()
    bent = flat[detector.curved]
    flat[detector.curved] = bent * (
        1 + detector.curvature * (bent / np.float32(CURVATURE_REFERENCE_GV) - 1)
    )
    return signal


def record(
    detector: Detector,
    signal: FloatImage,
    earlier: Sequence[FloatImage],
    rng: np.random.Generator,
) -> RawImage:
    """The raw frame of a mean ``signal`` after the signals ``earlier`` (the last one first)."""
    total = signal.copy()
    if detector.plan.lag_slope:
        share = detector.plan.lag_share(signal.shape[1])
        earlier = [before * share for before in earlier]
    for fraction, before in zip(detector.plan.lag, earlier, strict=False):
        total += np.float32(fraction) * before
    if earlier:
        kept = detector.persistence * earlier[0].ravel()[detector.persistent]
        total.ravel()[detector.persistent] += kept
    variance = np.maximum(total, 0) * np.float32(detector.plan.slope_gv)
    variance += np.float32(detector.plan.read_gv**2)
    total += np.sqrt(variance) * rng.standard_normal(total.shape, dtype=np.float32)
    total += detector.dark
    flat = total.ravel()
    flat[detector.noisy] += detector.noise_gv * rng.standard_normal(
        detector.noisy.size, dtype=np.float32
    )
    flat[detector.stuck] = detector.stuck_gv
    return np.clip(np.rint(total), 0, HIGHEST_GV).astype(np.uint16)


def _gain(rows: int, columns: int, plan: DetectorPlan, rng: np.random.Generator) -> FloatImage:
    """Smooth unevenness of ±6 %, read-out modules, column amplifiers, pixel scatter of 1.2 %."""
    modules = 1 + 0.02 * rng.standard_normal(-(-columns // plan.module_columns))
    column = np.repeat(modules, plan.module_columns)[:columns]
    column = column * (1 + 0.006 * rng.standard_normal(columns))
    line = 1 + 0.002 * rng.standard_normal(rows)
    smooth = _smooth(rows, rng.standard_normal((4, 4)), columns)
    gain = (1 + 0.05 * smooth) * line[:, None] * column
    gain *= 1 + 0.012 * rng.standard_normal((rows, columns), dtype=np.float32)
    return gain.astype(np.float32)


def _smooth(rows: int, knots: np.ndarray, columns: int) -> np.ndarray:
    """One patch of a cubic B-spline surface over (rows, columns)."""
    across = np.stack(spline_weights(np.linspace(0, 1, columns)))
    down = np.stack(spline_weights(np.linspace(0, 1, rows)))
    return np.asarray(down.T @ knots @ across)


def _dark(rows: int, columns: int, plan: DetectorPlan, rng: np.random.Generator) -> FloatImage:
    modules = np.repeat(
        15 * rng.standard_normal(-(-columns // plan.module_columns)), plan.module_columns
    )[:columns]
    dark = plan.dark_gv + modules + 5 * rng.standard_normal(columns)
    return np.asarray(dark + 6 * rng.standard_normal((rows, columns), dtype=np.float32)).astype(
        np.float32
    )


def _classes(rows: int, columns: int, rng: np.random.Generator) -> FlagImage:
    """The class of each pixel: single ones, small clusters, a line, one ring round a good pixel."""
    classes = np.zeros((rows, columns), dtype=np.uint8)
    kinds = np.array(
        [
            PixelClass.DEAD,
            PixelClass.UNDER_RESPONDING,
            PixelClass.OVER_RESPONDING,
            PixelClass.NOISY,
            PixelClass.NON_UNIFORM,
            PixelClass.PERSISTENT,
        ],
        dtype=np.uint8,
    )
    wanted = round(BAD_SHARE * rows * columns)
    line_row, line_column = rows // 5, int(rng.integers(columns // 4, columns // 2))
    classes[line_row : line_row + rows // 4, line_column] = PixelClass.DEAD
    row, column = rows // 2, columns // 3
    classes[row : row + 3, column : column + 3] = PixelClass.DEAD
    classes[row + 1, column + 1] = PixelClass.BAD_NEIGHBOURHOOD
    for _ in range(max(2, wanted // 60)):  # clusters of up to 3×3, dead or under-responding
        row, column = int(rng.integers(1, rows - 4)), int(rng.integers(1, columns - 4))
        block = classes[row : row + 3, column : column + 3]
        block[(rng.random((3, 3)) < 0.6) & (block == 0)] = rng.choice(kinds[:2])
    missing = max(0, wanted - int(np.count_nonzero(classes)))
    single = rng.choice(np.flatnonzero(classes.ravel() == 0), missing, replace=False)
    share = (0.3, 0.17, 0.15, 0.2, 0.13, 0.05)
    classes.ravel()[single] = rng.choice(kinds, missing, p=share)
    return classes
