"""Scans whose order, direction or counts are wrong as a whole: recognised, and said in words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.errors import FrameError
from pipeline.model import Frame
from pipeline.stages.direction import Votes
from tests.stages.registered_scans import FRAMES, PITCH_MM, frame, path, register

ARC = 14


def arc(seed: int = 0) -> list[Frame]:
    return [frame(k, False, seed=seed) for k in range(ARC)]


@pytest.mark.parametrize("count", [3, 6, ARC])
def test_frames_that_run_against_their_positions_are_refused(count: int) -> None:
    """As when the encoder counts the other way."""
    encoder = path(False).encoder[:count]
    with pytest.raises(FrameError, match="run against position_mm") as told:
        register(arc()[:count][::-1], encoder, ring=False)
    assert "flip_columns" in str(told.value)


def test_a_mirrored_panel_is_refused_as_well() -> None:
    mirrored = [replace(f, values=np.ascontiguousarray(f.values[:, ::-1])) for f in arc()]
    with pytest.raises(FrameError, match="run against position_mm"):
        register(mirrored, path(False).encoder[:ARC], ring=False)


def test_a_ring_that_runs_the_other_way_is_refused() -> None:
    frames = [frame(k) for k in range(FRAMES)][::-1]
    with pytest.raises(FrameError, match="run against position_mm"):
        register(frames, path().encoder)


def test_two_frames_say_too_little_to_refuse_them() -> None:
    found = register(arc()[:2][::-1], path(False).encoder[:2], ring=False)
    assert found.unlinked == (1,)


def test_frames_in_any_order_are_not_taken_for_a_scan_that_runs_backwards() -> None:
    """Every frame shows another place than its row says; no overlap is right, hence no strip."""
    order = np.random.default_rng(1).permutation(ARC)
    with pytest.raises(FrameError, match="pictures and positions don't belong together"):
        register([frame(int(k), False) for k in order], path(False).encoder[:ARC], ring=False)


def test_pairs_exchanged_are_not_taken_for_a_scan_that_runs_backwards() -> None:
    frames = arc()
    frames[4], frames[5] = frames[5], frames[4]
    frames[9], frames[10] = frames[10], frames[9]
    found = register(frames, path(False).encoder[:ARC], ring=False)
    assert {4, 5, 9, 10} <= set(found.misplaced)


def test_votes_need_two_and_the_majority() -> None:
    for forwards, backwards, refused in [(0, 1, False), (0, 2, True), (2, 2, False), (2, 3, True)]:
        votes = Votes(forwards, backwards, backwards)
        if refused:
            with pytest.raises(FrameError, match=f"{backwards} of {backwards} overlaps"):
                votes.require_forwards()
        else:
            votes.require_forwards()


# ---- the same place twice -----------------------------------------------------------------------


def test_a_second_pass_over_the_same_place_just_adds_frames() -> None:
    """Its counts are off by 1.5 mm: the overlaps tell."""
    there = path(False)
    encoder = np.r_[there.encoder[:ARC], there.encoder[4:10] + 1.5]
    true = np.r_[there.position[:ARC], there.position[4:10]]
    frames = arc() + arc()[4:10]
    order = np.argsort(encoder, kind="stable")
    found = register(
        [frames[k] for k in order], encoder[order], ring=False, indices=[int(k) for k in order]
    )
    assert found.misplaced == {} and found.unlinked == ()
    off = found.placement.position_mm - true[found.placement.frames]
    assert np.ptp(off) < 0.1 * PITCH_MM


@pytest.mark.parametrize("second", [range(ARC), range(3, 11)])
def test_a_scan_begun_anew_with_the_same_counts_is_named(second: range) -> None:
    """Other metal at the same positions, half as many frames again or as many: a strip of both
    would be neither."""
    encoder = np.r_[path(False).encoder[:ARC], path(False).encoder[list(second)] + 2.0]
    frames = arc() + [arc(5)[k] for k in second]
    order = np.argsort(encoder, kind="stable")
    found = register(
        [frames[k] for k in order], encoder[order], ring=False, indices=[int(k) for k in order]
    )
    assert set(found.misplaced) == set(range(ARC, ARC + len(second)))
    assert all("passes here twice" in why for why in found.misplaced.values())
    off = found.placement.position_mm - path(False).position[:ARC]
    assert np.abs(off).max() < 0.1 * PITCH_MM
