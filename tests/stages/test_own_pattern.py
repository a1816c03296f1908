"""What the panel itself shows in every frame must not be taken for metal that stood still."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest

from pipeline.calibration.product import NoiseModel
from pipeline.kernels.texture import texture_of
from pipeline.model import Frame
from pipeline.stages.own_pattern import is_pattern, pattern_variance
from pipeline.stages.registration import Registered, Registration
from pipeline.stages.views import BACKGROUND_PX, BLUR_PX, View
from tests.stages.invented import Metal, frame_of
from tests.stages.registered_scans import (
    NOISE,
    ONCE,
    PANEL,
    SETUP,
    TRUE,
    TRUE_PANEL,
    register,
    view,
)

STAGE = Registration(patch_px=128, search_mm=4.0)
STEP_MM = 3.0  # within the search: at the panel's own place another match may seem to lie
FRAMES = 14
BLANK = (0.0, ONCE)


@cache
def gain_error() -> np.ndarray:
    """White, standard deviation 1."""
    return np.random.default_rng(77).standard_normal((PANEL.rows, PANEL.columns))


@cache
def positions(stuck_from: int | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Where the frames were taken, what the encoder said; ``stuck_from`` didn't move off the one
    before it though the encoder counted."""
    rng = np.random.default_rng(5)
    true = STEP_MM * np.arange(FRAMES) + np.r_[0.0, rng.normal(0, 0.15, FRAMES - 1)]
    encoder = true + np.r_[0.0, rng.normal(0, 0.1, FRAMES - 1)]
    if stuck_from is not None:
        true = true.copy()
        true[stuck_from:] -= true[stuck_from] - true[stuck_from - 1]
    return true, encoder


def frames(
    share: float,
    *,
    contrast: float = 0.03,
    blank_mm: tuple[float, float] = (0.0, 0.0),
    stuck_from: int | None = None,
    noise: NoiseModel = NOISE,
) -> list[Frame]:
    """The scan's frames, left with a gain error of this ``share``."""
    surface = Metal(ONCE, 18.0, contrast=contrast, blank_mm=blank_mm).surface()
    left = (1 + share * gain_error()).astype(np.float32)
    made = []
    for k, at in enumerate(positions(stuck_from)[0]):
        f = frame_of(surface, TRUE, TRUE_PANEL, at, index=k, noise=noise)
        made.append(replace(f, values=f.values * left))
    return made


def at_rest(found: Registered) -> int:
    """Links between different frames said to stand at the same place (to a tenth of a step)."""
    return sum(k.step_mm is not None and abs(k.step_mm) < 0.1 * STEP_MM for k in found.links)


@pytest.mark.parametrize("share", [0.003, 0.01, 0.03])
def test_blank_frames_are_not_tied_by_what_the_panel_shows(share: float) -> None:
    """From half the noise of a frame's pixel (0.007) to four times that."""
    true, encoder = positions()
    found = register(frames(share, blank_mm=BLANK), encoder, ring=False, stage=STAGE)
    assert at_rest(found) == 0 and found.misplaced == {}
    assert found.unlinked == tuple(range(1, FRAMES)) and len(found.ties) == 0
    # The encoder alone: it jitters by 0.1 mm; what is solved follows it.
    assert np.abs(found.placement.position_mm - true).max() < 0.5
    if share >= 0.01:
        assert any("the panel itself" in link.reason for link in found.links)


@pytest.mark.parametrize(("share", "contrast"), [(0.01, 0.004), (0.03, 0.03)])
def test_metal_is_matched_beside_the_pattern(share: float, contrast: float) -> None:
    """Faint metal beside a gain error that is stronger than it in every block."""
    true, encoder = positions()
    found = register(frames(share, contrast=contrast), encoder, ring=False, stage=STAGE)
    assert at_rest(found) == 0 and found.misplaced == {} and found.unlinked == ()
    off = found.placement.position_mm - true
    # A third of a strip pixel; the match of the pattern would be off by a step of 3 mm.
    assert np.ptp(off) < 0.03


@pytest.mark.parametrize("share", [0.0, 0.01])
def test_a_carriage_that_stood_still_is_seen_all_the_same(share: float) -> None:
    true, encoder = positions(8)
    found = register(frames(share, stuck_from=8), encoder, ring=False, stage=STAGE)
    assert at_rest(found) == 1 and found.misplaced == {} and found.unlinked == ()
    assert np.ptp(found.placement.position_mm - true) < 0.02


# ---- the measure itself -------------------------------------------------------------------------


def two(share: float, apart: int = 6, **options: float) -> tuple[View, View]:
    made = frames(share, **options)  # type: ignore[arg-type]
    return view(made[2], 2, STAGE), view(made[2 + apart], 2 + apart, STAGE)


@pytest.mark.parametrize("share", [0.01, 0.03])
def test_the_variance_is_what_the_gain_error_leaves_in_a_view(share: float) -> None:
    a, b = two(share, blank_mm=BLANK)
    alone = np.asarray(20_000 * (1 + share * gain_error()), dtype=np.float32)
    half = cv2.pyrDown(alone)
    texture, _ = texture_of(half, floor=1.0, background_px=BACKGROUND_PX, blur_px=0.87 * BLUR_PX)
    # Unrolling interpolates once (six points at a random phase keep 0.8 of white noise's
    # variance); of noise smoothed by 1 px some 3.5 px in a row go together (√4π), so that the mean
    # of 12, which is taken out, holds 0.3 of the variance: 0.56 is left.
    assert 0.45 < pattern_variance(a, b) / texture.var() < 0.7


def test_other_metal_and_noise_have_nothing_in_common() -> None:
    """Without a gain error: the mean of some 600 correlations of blocks is 0 within 6 of its
    standard errors."""
    assert pattern_variance(*two(0.0)) == 0.0
    assert pattern_variance(*two(0.0, blank_mm=BLANK)) == 0.0


def test_lead_figures_that_fall_on_the_same_place_are_no_pattern() -> None:
    """A tape's numbers a step apart: strong, but only in a small part of the panel."""
    a, b = two(0.0)
    for v in (a, b):
        v.texture[20:40, 40:70] += np.float32(0.5) * _figure((20, 30))
    assert pattern_variance(a, b) == 0.0


def test_edges_along_the_weld_are_no_pattern() -> None:
    a, b = two(0.0, blank_mm=BLANK)
    for v in (a, b):
        v.texture[60:70] += np.float32(0.2)
    assert pattern_variance(a, b) == 0.0


@pytest.mark.parametrize(("variance", "is_so"), [(None, True), (0.0, False)])
def test_without_knowing_the_pattern_any_match_may_be_it(
    variance: float | None, is_so: bool
) -> None:
    assert is_pattern(*two(0.01, blank_mm=BLANK), variance) is is_so


def test_what_is_far_more_than_the_pattern_is_metal() -> None:
    a, _ = two(0.01)
    assert not is_pattern(a, a, 1e-6)
    assert is_pattern(a, a, float(a.texture.var()))


def _figure(shape: tuple[int, int]) -> np.ndarray:
    return np.random.default_rng(3).choice([-1.0, 0.0], shape).astype(np.float32)


def test_setup_has_enough_reach() -> None:
    """The tests above need a search that reaches the panel's own place, and overlaps beyond."""
    assert STEP_MM < STAGE.search_mm < SETUP.view_grid.columns * SETUP.view_grid.pitch_mm / 4
