"""Calibrate and stitch on real radiographs cut into overlapping frames at known places.

What must come back: every frame's place, and the radiograph itself, to the noise that the frames
were given. The bar is soft and low in contrast; the plate has lead edges, and line pairs that
repeat.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from pipeline.calibrate import run_calibrate
from pipeline.config.calibrate import load_calibrate_config
from pipeline.config.weld import load_weld_config
from pipeline.io.positions import read_positions
from pipeline.io.strip import StripMaps, read_maps, read_strip
from pipeline.kernels.interpolation import noise_left
from pipeline.model import FloatArray, Origin
from pipeline.run import RunResult, run_weld
from pipeline.stages.views import REDUCE
from tests.real.real_scan import PICTURES, PITCH_MM, CutScan, cut_into_scan

MODEL_PX = 0.02
"""What six-point interpolation and a radiograph sampled by splines may leave of a position."""

BLOCK = 64  # strip columns


@dataclass(frozen=True)
class Stitched:
    """A stitched scan beside its truth; images are of the strip's size.

    ``difference`` is strip minus radiograph, both in parts of the radiograph's 1; ``sigma`` the
    noise that the strip predicts for itself, ``measured`` where a frame saw the pixel.
    """

    radiograph: FloatArray
    scan: CutScan
    result: RunResult
    position_error_px: FloatArray
    axial_error_px: FloatArray
    truth: FloatArray
    difference: FloatArray
    sigma: FloatArray
    measured: np.ndarray


@pytest.fixture(scope="module", params=PICTURES)
def stitched(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Stitched:
    picture = PICTURES[request.param]
    radiograph = picture.radiograph()
    scan = cut_into_scan(
        radiograph,
        tmp_path_factory.mktemp(request.param),
        panel_columns=picture.panel_columns,
        step_mm=picture.step_mm,
        seed=5,
    )
    run_calibrate(load_calibrate_config(scan.calibrate))
    result = run_weld(load_weld_config(scan.stitch))

    places = read_positions(result.folder / "positions.csv")
    assert [place.why_not for place in places] == [""] * len(scan.position_mm)
    position = np.array([place.position_mm for place in places], dtype=float)
    axial = np.array([place.axial_mm for place in places], dtype=float)
    # Nothing measures where along the pipe the carriage stood on average: z counts from there.
    axial_zero = float(np.mean(axial - scan.axial_mm))

    strip, _ = read_strip(result.folder / "strip.tif")
    maps: StripMaps = read_maps(result.folder / "maps.tif")
    facts = result.log.strip
    row = facts.z_first_mm - axial_zero - scan.z_first_mm + np.arange(facts.rows) * facts.pitch_mm
    column = facts.s_first_mm + np.arange(facts.columns) * facts.pitch_mm
    where = np.stack(np.meshgrid(row / PITCH_MM, column / PITCH_MM, indexing="ij"))
    truth = map_coordinates(radiograph, where, order=3, mode="nearest")

    measured = maps.origin == Origin.MEASURED
    values = strip * facts.scale + facts.offset
    full = float(np.median(values[measured] / truth[measured]))  # the tube's mean output
    return Stitched(
        radiograph=radiograph,
        scan=scan,
        result=result,
        position_error_px=(position - scan.position_mm) / PITCH_MM,
        axial_error_px=(axial - axial_zero - scan.axial_mm) / PITCH_MM,
        truth=truth,
        difference=values / full - truth,
        sigma=maps.sigma * facts.sigma_scale / full,
        measured=measured,
    )


def cramer_rao_px(case: Stitched, axis: int) -> float:
    """No estimate from neighbours alone places the last frame against the first better than this.

    Of two pictures of one scene with independent noise σ the shift's variance is at least
    1/Σ(g²/2σ²) over the overlap, g the scene's slope; the steps' variances add up. Scene and noise
    are taken at the resolution at which frames are compared.
    """
    scan = case.scan
    scene = _block_means(case.radiograph, REDUCE)
    variance = scan.slope_gv * scene / scan.full_gv / REDUCE**2
    information = (np.gradient(scene, axis=axis) ** 2 / (2 * variance)).sum(axis=0)
    half = scan.panel.columns / 2 * scan.geometry.radius_mm / scan.geometry.panel_distance_mm
    centre = scan.position_mm / PITCH_MM
    first = ((centre[1:] - half) / REDUCE).astype(int)
    end = ((centre[:-1] + half) / REDUCE).astype(int)
    steps = [1 / information[a:b].sum() for a, b in zip(first, end, strict=True)]
    return REDUCE * float(np.sqrt(np.sum(steps)))


def test_the_encoder_alone_would_be_millimetres_off(stitched: Stitched) -> None:
    """So that what follows is the pictures' doing."""
    wrong = stitched.scan.encoder_mm - stitched.scan.position_mm
    assert np.abs(wrong).max() > 0.6


def test_positions_come_back(stitched: Stitched) -> None:
    """Relative to the first frame, which holds the datum: 3 σ of the last one, and the model.

    The chain of neighbours is what the bound counts; the links over two and three frames make up
    for what a real estimator loses against it.
    """
    worst = 3 * cramer_rao_px(stitched, axis=1) + MODEL_PX
    assert worst < 0.15
    assert np.abs(stitched.position_error_px).max() < worst


def test_axial_wander_comes_back(stitched: Stitched) -> None:
    """The same along the pipe."""
    worst = 3 * cramer_rao_px(stitched, axis=0) + MODEL_PX
    assert worst < 0.15
    assert np.abs(stitched.axial_error_px).max() < worst


def test_strip_shows_the_radiograph_to_the_noise_of_the_frames(stitched: Stitched) -> None:
    """Means of 4×4 pixels differ from the radiograph's by just the noise that the strip predicts.

    Interpolation with the mean variance factor f along either axis ties neighbouring pixels
    together, so that a mean of 4×4 scatters not by σ/4 but by σ/4/f: the photons are the same. At
    this scale it costs the radiograph itself nothing. Each 64 columns are first brought to the
    radiograph's level (levels have their own test below). ±12 %: 8 % for the approximation (f
    varies with the phase, and blocks are small), 4 % for what 0.02 px mean on the plate's edges.
    """
    scatter, predicted = [], []
    for block in _column_blocks(stitched.truth.shape[1]):
        whole = _block_means(stitched.measured[:, block].astype(float), 4) == 1
        level = _level(stitched, block)
        off = stitched.difference[:, block] - (level - 1) * stitched.truth[:, block]
        scatter.append(_block_means(off, 4)[whole])
        predicted.append(_block_means(stitched.sigma[:, block] ** 2, 4)[whole])
    left = np.mean([noise_left(phase) for phase in np.linspace(0, 1, 65, dtype=np.float32)])
    noise = np.sqrt(np.concatenate(predicted).mean()) / 4 / float(left)
    assert np.concatenate(scatter).std() == pytest.approx(float(noise), rel=0.12)


def test_no_part_of_the_strip_is_displaced(stitched: Stitched) -> None:
    """Each 64 columns against the radiograph: least squares for a shift, along s and along z.

    A source 0.05 mm off the axis (as well as it is known) would move everything by
    0.05·(1 − R/L) = 0.004 mm, 0.04 px; MODEL_PX and the shift's own noise (3 σ) on top.
    """
    for axis in (0, 1):
        slope = np.gradient(stitched.truth, axis=axis)
        for block in _column_blocks(stitched.truth.shape[1]):
            seen = stitched.measured[:, block]
            g = slope[:, block][seen]
            weight = 1 / stitched.sigma[:, block][seen] ** 2
            information = float(np.sum(weight * g**2))
            shift_px = float(np.sum(weight * g * stitched.difference[:, block][seen])) / information
            assert abs(shift_px) < 0.04 + MODEL_PX + 3 * information**-0.5, (axis, block)


def test_brightness_holds_along_the_strip(stitched: Stitched) -> None:
    """The frames' levels differ by up to 2 %; nowhere in the strip is more left than one seam may
    show, 0.3 %."""
    levels = [_level(stitched, block) for block in _column_blocks(stitched.truth.shape[1])]
    assert np.ptp(levels) < 3e-3


def test_quality_log_finds_nothing_wrong_with_places_and_seams(stitched: Stitched) -> None:
    """No check of registration or seams fails, and nearly every pixel was measured.

    A remark is allowed: on the plate's lead edges two frames differ by more than noise, because
    each sampled the edge with pixels of its own.
    """
    failing = [
        check.id
        for check in stitched.result.log.checks
        if check.id.startswith(("registration.", "seam.")) and check.verdict == "fail"
    ]
    assert failing == []
    assert stitched.measured.mean() > 0.99


def _level(case: Stitched, block: slice) -> float:
    """How bright the strip is there, relative to the radiograph."""
    seen = case.measured[:, block]
    return float(1 + case.difference[:, block][seen].sum() / case.truth[:, block][seen].sum())


def _block_means(image: FloatArray, side: int) -> FloatArray:
    """Means of side×side pixels; what doesn't fill a block is left out."""
    rows, columns = (length // side for length in image.shape)
    whole = image[: rows * side, : columns * side]
    return np.asarray(whole.reshape(rows, side, columns, side).mean(axis=(1, 3)))


def _column_blocks(columns: int) -> list[slice]:
    """The strip in blocks of BLOCK columns; a rest is left out."""
    return [slice(k, k + BLOCK) for k in range(0, columns - BLOCK + 1, BLOCK)]
