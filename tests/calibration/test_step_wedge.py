from __future__ import annotations

import numpy as np
import pytest

from pipeline.calibration.step_wedge import measure_step_wedge
from pipeline.errors import CalibrationError

STEPS_MM = (2.0, 4.0, 6.0, 8.0, 10.0, 12.0)
MU_PER_MM = 0.2
OPEN_GV = 40000.0


def shot(
    steps_mm: tuple[float, ...] = STEPS_MM,
    *,
    step_px: int = 60,
    height_px: int = 150,
    margin_px: int = 40,
    slope_gv: float = 0.9,
    seed: int = 1,
) -> np.ndarray:
    """One absorption coefficient, photon noise; wedge in the middle of a bare beam."""
    clean = np.full((height_px + 2 * margin_px, step_px * len(steps_mm) + 2 * margin_px), OPEN_GV)
    for number, thickness in enumerate(steps_mm):
        first = margin_px + number * step_px
        clean[margin_px : margin_px + height_px, first : first + step_px] = OPEN_GV * np.exp(
            -MU_PER_MM * thickness
        )
    noise = np.random.default_rng(seed).standard_normal(clean.shape)
    return (clean + np.sqrt(slope_gv * clean) * noise).astype(np.float32)


def truth(thickness_mm: float, slope_gv: float = 0.9) -> tuple[float, float, float]:
    mean = OPEN_GV * np.exp(-MU_PER_MM * thickness_mm)
    noise = np.sqrt(slope_gv * mean)
    return mean, noise, noise / (mean * MU_PER_MM * thickness_mm)


def test_means_noise_and_sensitivity_of_every_step() -> None:
    found = measure_step_wedge(shot(), thickness_mm=STEPS_MM)
    assert [step.thickness_mm for step in found.steps] == list(STEPS_MM)
    for step in found.steps:
        mean, noise, sensitivity = truth(step.thickness_mm)
        # 36 × 75 pixels: the mean to σ/52; the median of 75 groups of 20 to 1.25·16 %/√75 = 2.3 %,
        # three times that; the slope to two means' noise over their contrast of 40 %: 0.1 %.
        assert step.mean_gv == pytest.approx(mean, abs=4 * noise / 52)
        assert step.noise_gv == pytest.approx(noise, rel=0.07)
        assert step.snr == pytest.approx(mean / noise, rel=0.07)
        assert step.contrast_sensitivity == pytest.approx(sensitivity, rel=0.08)


def test_the_figure_is_the_best_steps() -> None:
    found = measure_step_wedge(shot(), thickness_mm=STEPS_MM)
    best = min(truth(t)[2] for t in STEPS_MM)  # 1/(µt·SNR) is least at µt = 2: 10 mm
    assert found.contrast_sensitivity == pytest.approx(best, rel=0.08)
    assert found.contrast_sensitivity == min(s.contrast_sensitivity for s in found.steps)


def test_noise_doubled_is_sensitivity_halved() -> None:
    quiet = measure_step_wedge(shot(), thickness_mm=STEPS_MM)
    loud = measure_step_wedge(shot(slope_gv=3.6), thickness_mm=STEPS_MM)
    ratio = loud.contrast_sensitivity / quiet.contrast_sensitivity
    assert ratio == pytest.approx(2.0, rel=0.02)  # the same random numbers


@pytest.mark.parametrize(
    "turn", [np.fliplr, np.transpose, lambda picture: np.transpose(picture)[::-1]]
)
def test_however_the_wedge_lies(turn: object) -> None:
    assert callable(turn)
    there = measure_step_wedge(shot(), thickness_mm=STEPS_MM)
    turned = np.ascontiguousarray(turn(shot()))
    found = measure_step_wedge(turned, thickness_mm=STEPS_MM)
    for one, other in zip(found.steps, there.steps, strict=True):
        assert one.thickness_mm == other.thickness_mm
        # Other pixels near the steps' ends count, and groups run the other way: noise alone.
        assert one.mean_gv == pytest.approx(other.mean_gv, rel=2e-3)
        assert one.noise_gv == pytest.approx(other.noise_gv, rel=0.1)


def test_thicknesses_may_be_told_from_either_end_and_be_uneven() -> None:
    steps = (1.0, 2.0, 5.0, 9.0)
    found = measure_step_wedge(shot(steps), thickness_mm=steps[::-1])
    assert [step.thickness_mm for step in found.steps] == list(steps)
    for step in found.steps:
        assert step.contrast_sensitivity == pytest.approx(truth(step.thickness_mm)[2], rel=0.08)


@pytest.mark.parametrize("steps", [(2.0, 4.0), (2.0, 4.0, 6.0)])
def test_two_and_three_steps(steps: tuple[float, ...]) -> None:
    found = measure_step_wedge(shot(steps), thickness_mm=steps)
    assert len(found.steps) == len(steps)


@pytest.mark.parametrize(
    ("picture", "told", "message"),
    [
        (np.full((200, 300), 20000, np.float32), STEPS_MM, "no shadow of a wedge is seen"),
        (shot(step_px=20), STEPS_MM, "no 6 steps, one brighter than the next, are seen"),
        (shot((2.0, 8.0, 4.0)), (2.0, 4.0, 8.0), "no 3 steps, one brighter than the next"),
        (shot(height_px=3), STEPS_MM, "no 6 steps, one brighter than the next, are seen"),
    ],
    ids=["empty", "steps too short", "not in a row", "too low"],
)
def test_what_isnt_a_wedge_is_refused(
    picture: np.ndarray, told: tuple[float, ...], message: str
) -> None:
    with pytest.raises(CalibrationError, match=f"step wedge: {message}.*Check thickness_mm"):
        measure_step_wedge(picture, thickness_mm=told)


def test_the_picture_is_left_alone() -> None:
    picture = shot()
    before = picture.copy()
    measure_step_wedge(picture, thickness_mm=STEPS_MM)
    assert (picture == before).all()
