"""Slips of the encoder: each found in its step, none made up, and told by the frames' names."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.quality.encoder import Slip, encoder_check, find_slips

STEP_MM, FRAMES, JITTER_MM = 32.0, 60, 0.1


def scan(slips: dict[int, float], seed: int = 0, scale: float = 1.006) -> tuple[np.ndarray, ...]:
    """(counted, gone): before frame k the carriage goes ``slips[k]`` mm further than counted."""
    rng = np.random.default_rng(seed)
    counted = STEP_MM * (np.arange(FRAMES) + rng.uniform(-0.01, 0.01, FRAMES))
    gone = scale * counted + np.r_[0.0, rng.normal(0, JITTER_MM, FRAMES - 1)]
    for k, extra in slips.items():
        gone[k:] += extra
    return counted, gone


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(
    "slips",
    [{}, {7: 5.0}, {1: -5.0}, {FRAMES - 1: 1.5}, {10: 2.0, 11: -2.0}, {5: 1.4, 30: -3.0, 31: 4.0}],
    ids=str,
)
def test_every_slip_is_found_in_its_step(slips: dict[int, float], seed: int) -> None:
    found = find_slips(*scan(slips, seed), (), step_sigma_mm=0.3)
    assert {slip.right: slip.left for slip in found} == {k: k - 1 for k in slips}
    for slip in found:
        # Two jitters of 0.1 mm, four of their standard deviations.
        assert slip.extra_mm == pytest.approx(slips[slip.right], abs=4 * JITTER_MM * np.sqrt(2))


def test_lost_counts_are_a_carriage_that_went_further() -> None:
    """4 mm of a step weren't counted."""
    counted, gone = scan({})
    counted[20:] -= 4.0
    (slip,) = find_slips(counted, gone, (), step_sigma_mm=0.3)
    assert (slip.left, slip.right) == (19, 20)
    assert slip.extra_mm == pytest.approx(4.0, abs=0.6)


@pytest.mark.parametrize(("told_mm", "found"), [(0.3, 1), (0.8, 0)])
def test_what_the_config_allows_a_step_is_no_slip(told_mm: float, found: int) -> None:
    assert len(find_slips(*scan({9: 1.4}), (), step_sigma_mm=told_mm)) == found


def test_usual_jitter_is_no_slip_however_large() -> None:
    rng = np.random.default_rng(1)
    counted = STEP_MM * np.arange(200.0)
    gone = counted + rng.normal(0, 2.0, 200)
    # Of 199 steps chance names 199 · 6e-5.
    assert find_slips(counted, gone, (), step_sigma_mm=0.3) == ()


def test_steps_that_only_the_encoder_tells_are_not_judged() -> None:
    assert find_slips(*scan({9: 3.0}), (9,), step_sigma_mm=0.3) == ()
    assert find_slips(*scan({9: 3.0}), range(1, FRAMES), step_sigma_mm=0.3) == ()


@pytest.mark.parametrize("frames", [1, 2, 3])
def test_too_few_frames_tell_nothing(frames: int) -> None:
    counted, gone = scan({1: 3.0})
    assert find_slips(counted[:frames], gone[:frames], (), step_sigma_mm=0.3) == ()


def test_frames_at_one_place_do_no_harm() -> None:
    """A stop shot twice, and a table in which nothing moves."""
    counted, gone = (np.repeat(values, 2) for values in scan({9: 3.0}))
    (slip,) = find_slips(counted, gone, (), step_sigma_mm=0.3)
    assert slip.right == 18
    assert find_slips(np.zeros(9), np.zeros(9), (), step_sigma_mm=0.3) == ()


def test_the_check_names_steps_and_never_fails() -> None:
    names = {3 * k: f"f{k}.tif" for k in range(12)}
    frames = sorted(names)
    check = encoder_check([Slip(3, 4, 2.138), Slip(7, 8, -5.0)], frames, names)
    assert (check.id, check.value, check.limit, check.verdict) == (
        "registration.encoder_slip",
        2,
        None,
        "pass",
    )
    assert "f3.tif to f4.tif 2.14 mm further than counted" in check.note
    assert "f7.tif to f8.tif 5 mm less far than counted" in check.note
    many = encoder_check([Slip(k, k + 1, 1.0) for k in range(10)], frames, names)
    assert many.note.endswith(" and 2 more") and many.note.count(" mm further") == 8
    none = encoder_check([], frames, names)
    assert none.value == 0 and "looked at" not in none.note
