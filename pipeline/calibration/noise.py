"""The noise model of a panel, from pairs of frames shot alike (photon transfer).

The difference of two frames of the same dose has no fixed pattern, only noise: half its variance
is one frame's. Plotted against the signal it is a line, ``variance = offset + slope·signal``:
read noise and quantum noise (Janesick, *Photon Transfer*, 2007; also EMVA 1288).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.product import NoiseModel
from pipeline.calibration.statistics import QUANTISATION_STD_GV
from pipeline.errors import CalibrationError
from pipeline.model import FloatArray, FloatImage, RawImage

BLOCK_PX = 32
CLIP_FACTOR = 5.0
MIN_GOOD_FRACTION = 0.5
UNSTEADY_FACTOR = 2.0
"""Darks whose levels move so much that a pixel scatters this many times its noise are mixed."""

MIXED_FACTOR = 1.5
"""Two flats whose noise differs so much at equal signal were not read out alike."""

HUBER = 1.345
"""Blocks beyond this many standard deviations weigh less (Huber's 95 % efficiency)."""


@dataclass(frozen=True, slots=True)
class BlockNoise:
    """Signal (GV above dark), variance of one frame (GV²) and degrees of freedom, per block."""

    signal: FloatArray
    variance: FloatArray
    freedom: FloatArray


def pair_noise(
    first: RawImage,
    second: RawImage,
    dark: FloatImage,
    good: NDArray[np.bool_],
    *,
    lit: bool,
) -> BlockNoise:
    """Signal and noise in 32×32 blocks from two raw frames of the same dose.

    Only ``good`` pixels count, and blocks of which at least half is good; differences more than
    five standard deviations out (particles) are left out. With ``lit`` frames the second is
    first scaled to the first's level, because no tube gives the same dose twice; the scaling's
    part of the noise is accounted for. Columns and rows that don't fill a block are not used; a
    smaller panel is one block.
    """
    rows, columns = dark.shape
    height, width = min(BLOCK_PX, rows), min(BLOCK_PX, columns)
    ratio = 1.0
    if lit:
        level_a, level_b, level_dark = (
            float(np.sum(image, where=good, dtype=np.float64)) for image in (first, second, dark)
        )
        ratio = (level_a - level_dark) / (level_b - level_dark)
    strips = [
        _strip_noise(
            *(_blocks(image[top : top + height], width) for image in (first, second, dark, good)),
            ratio=ratio,
        )
        for top in range(0, rows - height + 1, height)
    ]
    signal, variance, freedom = (np.concatenate(part) for part in zip(*strips, strict=True))
    return BlockNoise(signal, variance, freedom)


def _blocks(strip: NDArray[np.generic], width: int) -> NDArray[np.float64]:
    """A strip one block high, as (block, pixel)."""
    count = strip.shape[1] // width
    cut = strip[:, : count * width].reshape(strip.shape[0], count, width)
    return cut.transpose(1, 0, 2).reshape(count, -1).astype(np.float64)


def _strip_noise(
    first: FloatArray, second: FloatArray, dark: FloatArray, good: FloatArray, *, ratio: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    a, b, weight = first - dark, second - dark, good
    enough = weight.sum(axis=1) >= max(2.0, MIN_GOOD_FRACTION * weight.shape[1])
    a, b, weight = a[enough], b[enough], weight[enough]
    # Clipping settles in two rounds: a spike is gone after the first, its pull on the level after
    # the second.
    for last in (False, False, True):
        number = weight.sum(axis=1)
        level_a = (a * weight).sum(axis=1) / number
        level_b = (b * weight).sum(axis=1) / number
        difference = a - ratio * b
        difference -= (level_a - ratio * level_b)[:, None]
        variance = (difference**2 * weight).sum(axis=1) / (number - 1)
        if not last:
            weight = weight * (difference**2 <= CLIP_FACTOR**2 * variance[:, None])
    return (level_a + level_b) / 2, variance / (1 + ratio**2), number - 1


def typical_noise(blocks: Sequence[BlockNoise]) -> tuple[float, float]:
    """Signal (GV above dark) and variance (GV²) of the middle one of these blocks, of one level.

    Both grow together over the panel, and so the two medians belong to each other.
    """
    signal = np.concatenate([block.signal for block in blocks])
    variance = np.concatenate([block.variance for block in blocks])
    return float(np.median(signal)), float(np.median(variance))


def fit_noise(blocks: list[BlockNoise]) -> tuple[float, float]:
    """``offset`` (GV², at least 0) and ``slope`` (GV) of the line through all blocks.

    Weighted by the scatter that the line itself predicts for a block's variance
    (``2·variance²/freedom``), and robustly (Huber), so that blocks with a flaw hardly count.

    Raises:
        CalibrationError: there are no blocks, the noise doesn't grow with the signal, or the fit
            doesn't settle.
    """
    signal = np.concatenate([block.signal for block in blocks])
    variance = np.concatenate([block.variance for block in blocks])
    freedom = np.concatenate([block.freedom for block in blocks])
    if not signal.size:
        raise CalibrationError(
            "no part of the panel has enough good pixels to measure its noise",
            where="flats",
            expected=f"a block of {BLOCK_PX}×{BLOCK_PX} pixels at least half of which is good",
            remedy="Check that nothing stood in the beam, and the limits for bad pixels",
        )
    least = QUANTISATION_STD_GV**2
    model = np.maximum(np.median(variance) * np.ones_like(variance), least)
    offset = slope = 0.0
    for _ in range(100):
        sigma = model * np.sqrt(2 / freedom)
        distance = np.abs(variance - (offset + slope * signal)) / sigma if slope else None
        weight = 1 / sigma**2
        if distance is not None:
            weight *= np.minimum(1, HUBER / np.maximum(distance, HUBER))
        before = offset, slope
        offset, slope = _line(signal, variance, weight)
        if slope <= 0:
            raise CalibrationError(
                "the noise of the flats doesn't grow with their signal",
                where="flats",
                expected="single exposures, each with its own noise",
                remedy="Check that the flats are not copies of one frame and were shot at the "
                "doses named",
            )
        model = np.maximum(offset + slope * signal, least)
        if np.allclose(before, (offset, slope), rtol=1e-7, atol=0):
            return offset, slope
    raise CalibrationError(
        "the noise model doesn't settle",
        where="flats",
        remedy="Shoot the flats again: their noise doesn't follow the signal",
    )


def _line(x: FloatArray, y: FloatArray, weight: FloatArray) -> tuple[float, float]:
    """Weighted least squares ``y = offset + slope·x`` with ``offset`` at least 0."""
    total = weight.sum()
    centre_x, centre_y = (weight * x).sum() / total, (weight * y).sum() / total
    spread = (weight * (x - centre_x) ** 2).sum()
    slope = (weight * (x - centre_x) * (y - centre_y)).sum() / spread if spread > 0 else 0.0
    offset = centre_y - slope * centre_x
    if offset < 0 or spread == 0:
        return 0.0, float((weight * x * y).sum() / (weight * x**2).sum())
    return float(offset), float(slope)


def relative_variance(model: NoiseModel, signal: FloatImage | float, frames: int) -> FloatImage:
    """Squared relative standard deviation of a mean of ``frames`` at ``signal`` GV (above 0)."""
    signal = np.asarray(signal, dtype=np.float32)
    return np.asarray((model.offset + model.slope * signal) / (frames * signal**2), np.float32)


def photon_transfer(model: NoiseModel) -> dict[str, float]:
    """What the noise model says of the panel, in electrons (of noise: as many as would scatter so).

    ``electrons_per_gv`` is 1/slope: Poisson's variance in gray values is the signal times the gray
    values of one electron. ``read_noise_electrons`` is without the noise of rounding;
    ``quantum_limited_from_gv`` is the signal from which on quantum noise exceeds all other.
    """
    read_gv = float(np.sqrt(max(model.offset - QUANTISATION_STD_GV**2, 0.0)))
    return {
        "electrons_per_gv": 1 / model.slope,
        "read_noise_electrons": read_gv / model.slope,
        "quantum_limited_from_gv": model.offset / model.slope,
    }


def require_steady(blocks: list[BlockNoise], variances: Sequence[FloatImage]) -> None:
    """Refuse darks that scatter from frame to frame far more than their noise.

    ``blocks``: noise of pairs of them, in which common levels don't count; ``variances``: of the
    pixels over each set (GV²).

    Raises:
        CalibrationError: names both.
    """
    if not blocks:
        return
    noise = float(np.sqrt(np.median(np.concatenate([block.variance for block in blocks]))))
    noise = max(noise, QUANTISATION_STD_GV)
    for variance in variances:
        scatter = float(np.sqrt(np.median(variance)))
        if scatter > UNSTEADY_FACTOR * noise:
            raise CalibrationError(
                f"the darks scatter by {scatter:.1f} GV from frame to frame, with a noise of only "
                f"{noise:.1f} GV",
                where="darks",
                expected="exposures of one gain mode, frame time and temperature in a set",
                remedy="Put darks of different kinds into folders of their own, each its own "
                "[[exposures]], or wait until the panel is warm",
            )


def require_one_gain(darks: list[BlockNoise], levels: Mapping[str, list[BlockNoise]]) -> None:
    """Refuse flats whose noise shows another gray value per electron than that of other flats.

    ``levels`` by what messages call them. Judged where quanta make most of the noise.

    Raises:
        CalibrationError: two levels differ by more than ``MIXED_FACTOR`` and by more than chance.
    """
    read = float(np.median(np.concatenate([block.variance for block in darks]))) if darks else 0.0
    slopes = {}
    for where, blocks in levels.items():
        signal, variance, freedom = (
            np.concatenate([getattr(block, name) for block in blocks])
            for name in ("signal", "variance", "freedom")
        )
        lit = (signal > 0) & (variance > 2 * read)
        if lit.any():
            # Four standard deviations of a median of variances, half of which may be read noise.
            chance = 4 * 1.25 * 2 * float(np.sqrt(2 / freedom[lit].sum()))
            slopes[where] = float(np.median((variance[lit] - read) / signal[lit])), chance
    if len(slopes) < 2:
        return
    least = min(slopes, key=lambda where: slopes[where][0])
    most = max(slopes, key=lambda where: slopes[where][0])
    (low, above), (high, below) = slopes[least], slopes[most]
    if high * (1 - below) > MIXED_FACTOR * low * (1 + above):
        raise CalibrationError(
            f"the noise of the {most} says {1 / high:.2g} electrons per gray value, that of the "
            f"{least} {1 / low:.2g}",
            where="flats",
            expected="all exposures in one gain mode, each a single frame",
            remedy="Take out the flats of another gain mode, or that are averages of frames",
        )
