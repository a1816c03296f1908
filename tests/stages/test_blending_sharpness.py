"""Sharpness of the chain from frame to strip: waves, a slanted edge, and small indications.

The pipe is large and the stand-off small, so that a strip pixel is hardly larger than a panel's,
which is the hardest case; columns and rows then meet every sub-pixel phase within a frame.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, map_coordinates, spline_filter, uniform_filter
from scipy.special import erf

from pipeline.geometry import ScanGeometry
from tests.stages.cut_scans import PITCH, Cut, cut
from tests.stages.invented import Surface

WIDE_PIPE = ScanGeometry(600.0, 10.0)
BASE_GV = 20_000.0
# What a panel does before it is sampled, in its pixels: scintillator and focal spot, then its
# aperture of 1.
BLUR_PX = 0.7
SMOOTH_PX = float(np.hypot(BLUR_PX, np.sqrt(1 / 12)))
ALONE, SEVERAL = [2.03], [-8.97, -2.4, 2.03, 7.71]  # mm: overlapping at phases of their own
MIDDLE = slice(10, 57)  # rows; those beyond are within the taper of the panel's rows
DIRECTIONS = pytest.mark.parametrize("along", ["s", "z"])
FRAMES = pytest.mark.parametrize("positions", [ALONE, SEVERAL], ids=["alone", "several"])


def scan_of(surface: Surface, positions: list[float]) -> Cut:
    return cut(3, ring=False, geometry=WIDE_PIPE, positions=positions, surface=surface)


def places(scan: Cut, columns: slice) -> tuple[np.ndarray, np.ndarray]:
    """(s, z) in mm of the strip's pixels in MIDDLE and ``columns``, both of the same shape."""
    grid = scan.grid
    s = grid.s_first_mm + np.arange(grid.columns)[columns] * grid.pitch_mm
    z = grid.z_first_mm + np.arange(grid.rows)[MIDDLE] * grid.pitch_mm
    return np.broadcast_arrays(s[np.newaxis], z[:, np.newaxis])


def seen_columns(scan: Cut, positions: list[float]) -> slice:
    """Columns within 15 mm of a frame that lies in the middle."""
    first = (positions[len(positions) // 2] - scan.grid.s_first_mm) / PITCH
    return slice(round(first - 15 / PITCH), round(first + 15 / PITCH))


@FRAMES
@DIRECTIONS
def test_waves_of_half_nyquist_keep_95_percent_at_every_phase(
    along: str, positions: list[float]
) -> None:
    # A little aslant, so that the other direction's phases are passed through as well.
    k, tilt = 2 * np.pi / (4 * PITCH), 0.06

    def phase(s: np.ndarray, z: np.ndarray) -> np.ndarray:
        return k * (s + tilt * z) if along == "s" else k * (z + tilt * s)

    scan = scan_of(lambda s, z: BASE_GV * (1 + 0.1 * np.cos(phase(s, z))), positions)
    strip, _, _ = scan.compose()
    columns = seen_columns(scan, positions)
    angle = phase(*places(scan, columns))
    values = strip.values[MIDDLE, columns] / BASE_GV - 1
    kept = []
    for row in range(0, values.shape[0] - 8, 8):
        for column in range(0, values.shape[1] - 8, 8):
            here = np.s_[row : row + 8, column : column + 8]
            waves = np.stack([np.cos(angle[here]), np.sin(angle[here])], axis=-1).reshape(-1, 2)
            amplitude, *_ = np.linalg.lstsq(waves, values[here].ravel(), rcond=None)
            kept.append(float(np.hypot(*amplitude)) / 0.1)
    # Rounding to whole gray values: 0.3 of 2,000 over 64 pixels, 2e-5. At a phase of one half in
    # both directions six points keep 0.9508 (tests/kernels/test_resample.py); a strip pixel of
    # 1.017 panel pixels lies a little lower on that curve.
    assert min(kept) > 0.95
    assert max(kept) < 1.001


@FRAMES
@DIRECTIONS
@pytest.mark.parametrize("offset_px", [0.0, 0.25, 0.5, 0.75])
def test_a_slanted_edge_keeps_95_percent_at_half_nyquist(
    along: str, positions: list[float], offset_px: float
) -> None:
    """The modulation transfer by the slanted-edge method of ISO 12233 (*from memory*): edge spread
    from pixels sorted by their distance, its derivative, Fourier transform."""
    sigma, slant = SMOOTH_PX * PITCH, np.radians(3.0)

    def distance(s: np.ndarray, z: np.ndarray) -> np.ndarray:
        across, down = (s, z) if along == "s" else (z, s)
        place = (2.0 if along == "s" else 0.0) + offset_px * PITCH
        return (across - place) * np.cos(slant) + down * np.sin(slant)

    scan = scan_of(
        lambda s, z: BASE_GV * (1 - 0.2 * erf(distance(s, z) / (np.sqrt(2) * sigma))), positions
    )
    strip, _, _ = scan.compose()
    columns = seen_columns(scan, positions)
    d = distance(*places(scan, columns)).ravel()
    found = strip.values[MIDDLE, columns].ravel() / BASE_GV - 1
    true = -0.2 * erf(d / (np.sqrt(2) * sigma))
    frequency = 1 / (4 * PITCH)
    kept = _transfer(d, found, frequency) / _transfer(d, true, frequency)
    assert 0.95 < kept < 1.001


def _transfer(d: np.ndarray, edge: np.ndarray, frequency: float) -> float:
    """Size of the Fourier transform, at ``frequency``, of the edge's derivative along ``d``."""
    step, reach = PITCH / 5, 8 * PITCH
    bins = np.floor((d + reach) / step).astype(int)
    inside = (bins >= 0) & (bins < round(2 * reach / step))
    spread = np.bincount(bins[inside], edge[inside]) / np.bincount(bins[inside])
    line = np.diff(spread)
    at = np.arange(len(line)) * step
    return float(np.abs(np.sum(line * np.exp(-2j * np.pi * frequency * at))))


# ---- small indications --------------------------------------------------------------------------

FINE = 8  # parts of a panel pixel in which indications are drawn
HALF_MM = (22.0, 8.0)


def indications(kind: str, seed: int) -> tuple[Surface, np.ndarray]:
    """Metal with sixteen indications of one kind at random phases, as a panel's blur leaves them;
    and their places (16, 2) in mm. Depths are in parts of the dose."""
    rng = np.random.default_rng(seed)
    step = PITCH / FINE
    s = np.arange(-HALF_MM[0], HALF_MM[0], step)
    z = np.arange(-HALF_MM[1], HALF_MM[1], step)
    at = np.stack(np.meshgrid(-8.0 + 3.0 * np.arange(8), [-2.2, 2.2]), axis=-1).reshape(-1, 2)
    at = at + rng.uniform(-PITCH, PITCH, at.shape)
    drawn = np.zeros((len(z), len(s)))
    for s0, z0 in at:
        x, y = (s - s0)[np.newaxis] / PITCH, (z - z0)[:, np.newaxis] / PITCH
        if kind == "pore":  # 3 panel pixels across
            drawn += 0.1 * np.sqrt(np.maximum(1 - (x**2 + y**2) / 1.5**2, 0))
        elif kind == "wire":  # 1 panel pixel thick, across the weld
            drawn += 0.1 * np.sqrt(np.maximum(1 - x**2 / 0.5**2, 0)) * (np.abs(y) < 6)
        else:  # a crack of half a panel pixel, aslant along the weld
            drawn += 0.1 * (np.abs(y - 0.2 * x) < 0.25) * (np.abs(x) < 5)
    picture = gaussian_filter(uniform_filter(drawn, FINE), BLUR_PX * FINE)
    spline = spline_filter(picture, order=3, mode="reflect")

    def brightness(s_mm: np.ndarray, z_mm: np.ndarray) -> np.ndarray:
        where = np.broadcast_arrays((z_mm - z[0]) / step, (s_mm - s[0]) / step)
        shade = map_coordinates(spline, where, order=3, mode="reflect", prefilter=False)
        return BASE_GV * (1 + shade)

    return brightness, at


@FRAMES
@pytest.mark.parametrize("kind", ["pore", "wire", "crack"])
def test_small_indications_keep_98_percent_of_their_contrast(
    kind: str, positions: list[float]
) -> None:
    kept = []
    for seed in range(3):
        surface, at = indications(kind, seed)
        scan = scan_of(surface, positions)
        strip, _, _ = scan.compose()
        found = strip.values[:, : scan.grid.columns] / BASE_GV - 1
        true = scan.truth() / BASE_GV - 1
        for s_mm, z_mm in at:
            column = round((s_mm - scan.grid.s_first_mm) / PITCH)
            row = round((z_mm - scan.grid.z_first_mm) / PITCH)
            here = np.s_[row - 6 : row + 7, column - 6 : column + 7]
            kept.append(float(np.sum(found[here] * true[here]) / np.sum(true[here] ** 2)))
    # Whole gray values: 0.3 of some 500 at a few dozen pixels, below 1e-4.
    assert min(kept) > 0.98
    assert max(kept) < 1.002
