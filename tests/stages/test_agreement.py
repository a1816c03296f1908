"""The same metal or not, block by block: whatever the noise, and whatever gauge lies on both."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.calibration.product import NoiseModel
from pipeline.stages.agreement import Agreement, judge, texture_noise
from pipeline.stages.views import View
from tests.stages.invented import Metal, Surface
from tests.stages.test_matching import GEOMETRY, GRID, NOISE, metal, view

STEP_MM = 8.0
STEP_PX = round(STEP_MM / GRID.pitch_mm)
CORNERS = np.array([(r, c) for r in (20, 60) for c in (STEP_PX + 14, STEP_PX + 60)])
SIZE = (40, 40)


def judged(a: View, b: View, noise: NoiseModel = NOISE, off_px: float = 0.0) -> Agreement:
    """Both 8 mm apart, as all views here; ``off_px`` beside the right shift."""
    return judge(a, b, CORNERS, SIZE, np.full((4, 2), (0.0, off_px - STEP_PX)), noise)


def with_gauge(surface: Surface) -> Surface:
    """A gauge of some millimetres with ten times the metal's contrast lies on it."""
    gauge = Metal(GEOMETRY.circumference_mm, contrast=0.3, base_gv=1.0, seed=77).surface()

    def brightness(s: np.ndarray, z: np.ndarray) -> np.ndarray:
        s, z = np.broadcast_arrays(s, z)
        covered = (np.abs(s - 36.0) < 2.5) & (np.abs(z) < 4.0)
        return np.where(covered, surface(s, z) * gauge(s, z), surface(s, z))

    return brightness


@pytest.mark.parametrize("noise", [NOISE, NoiseModel(16.0, 20.0)], ids=["low", "high"])
def test_the_same_metal_agrees_and_other_metal_does_not(noise: NoiseModel) -> None:
    for seed in range(3):
        a = view(30.0, seed=seed, noise=noise)
        same = judged(a, view(38.0, index=1, seed=seed, noise=noise), noise)
        other = judged(
            a, view(38.0, index=1, seed=seed, noise=noise, surface=metal(1 + seed)), noise
        )
        assert same.same is True and other.same is False
        # 4 patches of 3×3 blocks, each of some 11 independent samples: the covariance with other
        # metal scatters by 0.3 of the structure, so that 5 % lie above half of it; with the same
        # metal, noise of a third of the structure at most, hardly any lies below.
        assert 33 <= min(same.structured, other.structured) <= 36
        assert same.share is not None and other.share is not None
        assert same.share > 0.95 and other.share < 0.25


def test_the_right_metal_at_a_wrong_shift_does_not_agree() -> None:
    a, b = view(30.0), view(38.0, index=1)
    assert judged(a, b, off_px=0.3).same is True
    assert judged(a, b, off_px=12.0).same is False


def test_a_gauge_that_lies_on_both_does_not_make_other_metal_the_same() -> None:
    a = view(30.0, surface=with_gauge(metal()))
    right = view(38.0, index=1, surface=with_gauge(metal()))
    other = view(38.0, index=1, surface=with_gauge(metal(3)))
    assert judged(a, right).same is True
    found = judged(a, other)
    assert found.same is False and found.agreeing > 0  # the gauge does agree
    # Though it is most of all that can be seen: a plain correlation would call it the same.
    crop = np.s_[20:100, STEP_PX + 14 : STEP_PX + 100], np.s_[20:100, 14:100]
    plain = np.corrcoef(a.texture[crop[0]].ravel(), other.texture[crop[1]].ravel())[0, 1]
    assert plain > 0.8


def test_bare_plate_is_no_evidence() -> None:
    blank = metal(blank_mm=(0.0, 90.0))
    for seed in range(5):
        found = judged(
            view(30.0, surface=blank, seed=seed), view(38.0, index=1, surface=blank, seed=seed)
        )
        assert found.structured == 0 and found.share is None and found.same is None


@pytest.mark.parametrize(
    ("agreeing", "same"), [(0, False), (11, False), (12, None), (14, None), (15, True), (20, True)]
)
def test_between_same_and_other_nothing_is_said(agreeing: int, same: bool | None) -> None:
    assert Agreement(20, agreeing).same is same
    assert Agreement(4, min(agreeing, 4)).same is None  # too few to tell


@pytest.mark.parametrize(("size", "blocks"), [((11, 40), 0), ((12, 12), 1), ((24, 40), 6)])
def test_small_patches_hold_few_blocks(size: tuple[int, int], blocks: int) -> None:
    found = judge(
        view(30.0), view(38.0, index=1), CORNERS[:1], size, np.array([(0.0, -STEP_PX)]), NOISE
    )
    assert found.structured == blocks
    none = np.empty((0, 2), dtype=np.int64)
    assert judge(view(30.0), view(38.0), none, SIZE, np.empty((0, 2)), NOISE) == Agreement(0, 0)


@pytest.mark.parametrize("gray_value", [3_000.0, 20_000.0])
def test_the_noise_of_a_texture(gray_value: float) -> None:
    noise = NoiseModel(100.0, 2.0, 0.001)
    blank = Metal(GEOMETRY.circumference_mm, 18.0, contrast=1e-9, base_gv=gray_value).surface()
    made = view(30.0, surface=blank, noise=noise)
    inner = made.texture[20:-20, 20:-20]
    # The background takes out 1/64 of the noise; unrolling at whole pixels of 2×2 averages leaves
    # some 0.8 of a view pixel's noise, by the six-point kernel's phase.
    assert inner.std() == pytest.approx(texture_noise(np.array(gray_value), noise), rel=0.25)
