"""Positions are as sure as they say also where every frame is compared with many others."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from pipeline.stages.matching import Ties
from pipeline.stages.registration import Registration
from pipeline.stages.shared_noise import allow_for_shared_noise
from tests.stages.invented import Metal
from tests.stages.registered_scans import NOISE, ONCE, TRUE, TRUE_PANEL, frame_of, register

STAGE = Registration(patch_px=128, search_mm=2.0)
SEEDS = 6


@cache
def pulls(step_mm: float, frames: int, contrast: float) -> np.ndarray:
    """Position errors over their sigmas, (seeds, frames − 1), of metal that noise nearly hides."""
    found = []
    for seed in range(SEEDS):
        rng = np.random.default_rng([seed, 3])
        surface = Metal(ONCE, 18.0, seed=seed, contrast=contrast).surface()
        true = step_mm * np.arange(frames) + np.r_[0.0, rng.normal(0, 0.2, frames - 1)]
        axial = np.r_[0.0, rng.normal(0, 0.1, frames - 1)]
        encoder = true + np.r_[0.0, rng.normal(0, 0.1, frames - 1)]
        scan = [
            frame_of(surface, TRUE, TRUE_PANEL, s, z, index=k, noise=NOISE, seed=seed)
            for k, (s, z) in enumerate(zip(true, axial, strict=True))
        ]
        solved = register(scan, encoder, ring=False, stage=STAGE).placement
        off = solved.position_mm - true
        found.append((off - off[0])[1:] / solved.sigma_mm[1:])
    return np.array(found)


@pytest.mark.parametrize(("step_mm", "frames"), [(2.0, 12), (6.0, 10), (13.5, 8)])
def test_position_errors_are_as_large_as_their_sigmas_say(step_mm: float, frames: int) -> None:
    """Overlaps of 31 mm: with a dozen frames at every place, with four, with two."""
    rms = float(np.sqrt(np.mean(pulls(step_mm, frames, 0.004) ** 2)))
    # To be within 0.8 … 1.25. Errors of a scan go together, so that six scans are some 20
    # independent numbers, whose RMS scatters by 16 %.
    assert 0.8 * 0.84 < rms < 1.25 * 1.16


def ties(pairs: list[tuple[int, int]], s_a: float, s_b: float) -> Ties:
    a, b = (np.array(side, dtype=np.int64) for side in zip(*pairs, strict=True))
    n = len(pairs)
    one = np.ones(n)
    return Ties(
        *(
            a,
            b,
            s_a * one,
            0 * one,
            s_b * one,
            0 * one,
            np.tile(np.eye(2), (n, 1, 1)),
            0 * one,
            one,
        ),
        *(np.zeros((n, 2, 5)), np.zeros((n, 2))),
    )


def inflated(made: Ties, position_mm: list[float], once_mm: float = 1000.0) -> list[float]:
    found = allow_for_shared_noise(made, np.array(position_mm), (-15.0, 15.0), once_mm)
    assert (found.covariance[:, 0, 1] == 0).all()
    np.testing.assert_array_equal(found.covariance[:, 0, 0], found.covariance[:, 1, 1])
    return [float(c) for c in found.covariance[:, 0, 0]]


def test_two_frames_share_nothing() -> None:
    assert inflated(ties([(0, 1)], 5.0, -5.0), [0.0, 10.0]) == [1.0]
    assert len(allow_for_shared_noise(Ties.join([]), np.zeros(3), (-1.0, 1.0), 9.0)) == 0


def test_where_all_see_the_same_each_of_m_partners_counts() -> None:
    pairs = [(a, b) for b in range(5) for a in range(b)]
    assert inflated(ties(pairs, 0.0, 0.0), [0.0] * 5) == [pytest.approx((4 + 3) / 4)] * 10


def test_partners_that_do_not_see_the_place_do_not_count() -> None:
    """Three frames in a row, 20 mm apart, each seeing 15 mm to either side: no place is seen by
    all, also over a ring's datum."""
    assert inflated(ties([(0, 1), (1, 2)], 10.0, -10.0), [0.0, 20.0, 40.0]) == [1.0, 1.0]
    assert (
        inflated(ties([(0, 1), (1, 2), (2, 0)], 10.0, -10.0), [0.0, 20.0, 40.0], 60.0) == [1.0] * 3
    )
    # 10 mm apart: the middle one's place at −3 mm is seen by both its partners, that at 7 mm not by
    # the first; the ends have one partner each.
    found = inflated(ties([(0, 1), (1, 2)], 7.0, -3.0), [0.0, 10.0, 20.0])
    assert found == [pytest.approx((1.5 + 3) / 4), 1.0]
