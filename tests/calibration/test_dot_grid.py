from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.calibration.dot_finder import find_dots
from pipeline.calibration.dot_grid import DotGrid, measure_dot_grid
from pipeline.calibration.plane_fit import apply_homography
from pipeline.errors import CalibrationError
from tests.calibration.dot_shots import PITCH_MM, PLATE, SHAPE, errors, shot


def measured(picture: np.ndarray, **options: float) -> DotGrid:
    told = {"dot_spacing_mm": 3.0, "pitch_mm": PITCH_MM, "source_distance_mm": 700.0} | options
    return measure_dot_grid(picture, **told)


@pytest.fixture(scope="module")
def picture() -> np.ndarray:
    return shot()


@pytest.fixture(scope="module")
def grid(picture: np.ndarray) -> DotGrid:
    return measured(picture)


def test_every_whole_dot_is_found_to_a_twentieth_of_a_pixel(grid: DotGrid) -> None:
    truth = PLATE.dots(SHAPE, PITCH_MM)
    # Dots right at the border have too little ground round them.
    inner = (truth[:, 2:] > 14).all(axis=1) & (truth[:, 2:] < np.array([385, 305])).all(axis=1)
    assert np.count_nonzero(inner) <= grid.columns.size <= len(truth)
    error = errors(grid)
    assert np.abs(error).max() <= 0.05  # what was asked for
    # A disc of 65 % contrast and 10 px seen at SNR 150: σ = noise / √Σ(slope²) with an edge of
    # some 1.6 px: 0.65/1.6 a px along half of the rim's 33 × 1.6 px, 0.0066/(0.41·√26) = 0.0032.
    assert 0.002 < np.sqrt(np.mean(error**2)) < 0.0045
    # The uncertainty that is told is the one there is, within 20 %.
    assert np.sqrt(np.mean(grid.sigma_px**2)) == pytest.approx(np.sqrt(np.mean(error**2)), rel=0.2)


def test_without_noise_dots_are_found_to_a_hundredth() -> None:
    error = errors(measured(shot(snr=1e7)))
    # What is left is the profile's sampling (¼ px, joined by straight lines).
    assert np.sqrt(np.mean(error**2)) < 0.005
    assert np.abs(error).max() < 0.02


def test_the_full_panel_in_one_frame() -> None:
    plate, shape = replace(PLATE, spacing_mm=5.0, dot_mm=1.2, corner_bend_px=0.3), (1152, 1536)
    found = measured(shot(plate, shape=shape), dot_spacing_mm=5.0)
    assert found.columns.size > 600
    assert np.abs(errors(found, plate, shape)).max() <= 0.05
    assert found.roll_deg == pytest.approx(0.35, abs=0.002)


def test_roll_tilts_and_scale(grid: DotGrid) -> None:
    facts = grid.facts()
    # 108 dots of 0.0035 px over ±200 px: roll and scale to 0.0035/√120/100 = 3e-6.
    assert facts["roll_deg"] == pytest.approx(0.35, abs=0.003)
    # Seen aslant, by nz of the plate's normal, an area is smaller.
    aslant = (1 + np.tan(np.radians(1.5)) ** 2 + np.tan(np.radians(0.8)) ** 2) ** -0.25
    assert facts["magnification"] == pytest.approx(700 / 668 * aslant, rel=3e-5)
    # A tilt t changes the scale by t·(40 mm/668 mm) over the panel, known to some 1e-5: 0.01°;
    # several times that.
    assert facts["tilt_columns_deg"] == pytest.approx(1.5, abs=0.06)
    assert facts["tilt_rows_deg"] == pytest.approx(-0.8, abs=0.08)
    # No bend, but the cubic surface takes its share of 0.0035 px of noise.
    assert facts["distortion_um"] < 1.0
    # Both directions: 0.0035 px · √2 · 100 µm = 0.5 µm.
    assert 0.25 < facts["residual_um"] < 0.7
    assert facts["dots"] == np.count_nonzero(grid.used)
    # Nearer to the source at the left, so seen larger there; 38 mm of the plate fill the panel.
    change = -np.tan(np.radians(1.5)) * 40 / (700 / 668) / 668
    assert facts["magnification_change_columns"] == pytest.approx(change, rel=0.05)


@pytest.mark.parametrize(
    ("roll", "tilts"), [(-20.0, (0.0, 0.0)), (40.0, (-2.0, 3.0)), (0.0, (0.0, 0.0)), (-3, (4, 4))]
)
def test_other_postures(roll: float, tilts: tuple[float, float]) -> None:
    plate = replace(PLATE, roll_deg=roll, tilt_columns_deg=tilts[0], tilt_rows_deg=tilts[1])
    found = measured(shot(plate))
    assert np.abs(errors(found, plate)).max() <= 0.05
    assert found.roll_deg == pytest.approx(roll, abs=0.01)
    assert found.tilts_deg() == pytest.approx(tilts, abs=0.1)


def test_without_a_distance_there_are_no_tilts(picture: np.ndarray, grid: DotGrid) -> None:
    found = measure_dot_grid(picture, dot_spacing_mm=3.0, pitch_mm=PITCH_MM)
    assert found.tilts_deg() is None
    assert found.facts().keys() == grid.facts().keys() - {"tilt_columns_deg", "tilt_rows_deg"}


def test_a_bend_is_told_from_a_projection() -> None:
    plate = replace(PLATE, corner_bend_px=1.0)
    found = measured(shot(plate))
    assert np.abs(errors(found, plate)).max() <= 0.05
    # The bend is a·r³ with 1 px at r = 1 (a corner). A projection can take away the linear part
    # only. What is left in both directions together is smaller than the whole, and much larger
    # than noise.
    assert 10 < found.facts()["distortion_um"] < 100
    assert found.facts()["residual_um"] < 0.8
    straight = apply_homography(found.homography, found.plate_mm)
    seen = np.column_stack([found.columns, found.rows])
    left = seen - straight - found.bend_px
    np.testing.assert_allclose(left, found.residual_px)


def test_holes_do_like_dots(picture: np.ndarray) -> None:
    bright = (30000 - picture).astype(np.float32)
    found = measured(bright)
    assert np.abs(errors(found)).max() <= 0.05
    assert not find_dots(bright, 30.0).dark
    assert find_dots(picture, 30.0).dark


@pytest.mark.parametrize("blur_px", [0.4, 1.5])
def test_sharper_and_softer_panels(blur_px: float) -> None:
    found = measured(shot(blur_px=blur_px))
    assert np.abs(errors(found)).max() <= 0.05


def test_missing_dots_and_blots_are_gone_round(picture: np.ndarray, grid: DotGrid) -> None:
    spoilt = picture.copy()
    truth = PLATE.dots(SHAPE, PITCH_MM)
    gone = truth[::7]
    for column, row in gone[:, 2:]:  # every seventh dot painted over with its own ground
        place = np.s_[round(row) - 9 : round(row) + 10, round(column) - 9 : round(column) + 10]
        spoilt[place] = np.median(spoilt[place][0])
    middle = truth[:-1, 2:] + 15.6  # blots between four dots, of a dot's size
    for column, row in middle[3::20]:
        rows, columns = np.ogrid[: SHAPE[0], : SHAPE[1]]
        spoilt[np.hypot(rows - row, columns - column) < 5] *= np.float32(0.4)
    found = measured(spoilt)
    error = errors(found)
    assert np.abs(error[found.used]).max() <= 0.05
    assert grid.columns.size - len(gone) - 2 <= found.columns.size < grid.columns.size
    assert found.left_out >= len(middle[3::20]) - 2
    assert found.roll_deg == pytest.approx(0.35, abs=0.005)


def test_a_dot_in_a_wrong_place_is_left_out(picture: np.ndarray) -> None:
    spoilt = picture.copy()
    column, row = (round(v) for v in PLATE.dots(SHAPE, PITCH_MM)[45, 2:])
    place = np.s_[row - 12 : row + 13, column - 12 : column + 13]
    spoilt[place] = np.roll(spoilt[place], 1, axis=1)
    found = measured(spoilt)
    wrong = np.hypot(found.columns - column, found.rows - row) < 3
    assert np.count_nonzero(wrong) == 1
    assert not found.used[wrong].any()
    assert np.count_nonzero(~found.used) == 1
    assert found.left_out == 1


def test_nothing_there_is_refused() -> None:
    rng = np.random.default_rng(2)
    empty = (20000 + 130 * rng.standard_normal(SHAPE)).astype(np.float32)
    with pytest.raises(CalibrationError, match="dot grid: no square lattice of dots is seen"):
        measured(empty)


def test_too_few_dots_are_refused(picture: np.ndarray) -> None:
    with pytest.raises(CalibrationError, match=r"\(1\d dots hang together\); expected 25 dots"):
        measured(picture[:130, :160])


@pytest.mark.parametrize(
    ("told", "message"),
    [
        ({"dot_spacing_mm": 5.0}, r"seen 3\.1\d mm apart on the panel, but dot_spacing_mm = 5;"),
        ({"dot_spacing_mm": 0.7}, "not over four times as large. Correct dot_spacing_mm"),
        ({"pitch_mm": 0.6}, r"3 mm apart are 5.0 pixels apart on the panel; expected 6 pixels"),
    ],
)
def test_a_spacing_that_cant_be_is_refused(
    picture: np.ndarray, told: dict[str, float], message: str
) -> None:
    with pytest.raises(CalibrationError, match=message):
        measured(picture, **told)


def test_the_picture_is_left_alone(picture: np.ndarray) -> None:
    before = picture.copy()
    measured(picture)
    assert (picture == before).all()
