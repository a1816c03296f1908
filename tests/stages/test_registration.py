"""Registration from pictures to placement: a whole ring, and what is said of misfits."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.model import Frame
from pipeline.stages.registration import Registered, Registration
from tests.stages.registered_scans import (
    FRAMES,
    NOISE,
    ONCE,
    PITCH_MM,
    SETUP,
    TRUE,
    TRUE_PANEL,
    frame,
    path,
    register,
)

ARC = 14


def ring_frames() -> list[Frame]:
    return [frame(k) for k in range(FRAMES)]


def arc_frames() -> list[Frame]:
    return [frame(k, False) for k in range(ARC)]


def misses(found: Registered, ring: bool) -> np.ndarray:
    """Solved minus true position of every used frame, mm."""
    return found.placement.position_mm - path(ring).position[found.placement.frames]


@pytest.fixture(scope="module")
def ring() -> Registered:
    return register(ring_frames(), path().encoder)


@pytest.fixture(scope="module")
def arc() -> Registered:
    return register(arc_frames(), path(False).encoder[:ARC], ring=False)


# ---- a scan as it should be ---------------------------------------------------------------------


def test_a_ring_is_placed(ring: Registered) -> None:
    truth = path()
    np.testing.assert_array_equal(ring.placement.frames, np.arange(FRAMES))
    assert ring.misplaced == {} and ring.unlinked == ()
    # A slip of 1 mm, a scale off by 0.4 % and 0.2 mm of jitter stand in the encoder.
    assert np.abs(truth.encoder - truth.position).max() > 1.0
    off = misses(ring, True)
    # Each step has 9 ties good to some 0.003 mm, and the ring closes: a hundredth of the pitch
    # and more to spare.
    assert np.sqrt(np.mean(off**2)) < 0.06 * PITCH_MM
    assert np.abs(off / ring.placement.sigma_mm)[1:].max() < 4
    assert np.abs(ring.placement.axial_mm - truth.axial).max() < 0.2 * PITCH_MM
    assert ring.placement.sigma_mm.max() < 0.2 * PITCH_MM


def test_the_geometry_comes_back(ring: Registered) -> None:
    solved = ring.adjustment
    sigma = solved.source_sigma_mm
    assert abs(solved.geometry.source_x_mm - TRUE.source_x_mm) < 4 * sigma[0]
    assert abs(solved.geometry.source_y_mm - TRUE.source_y_mm) < 4 * sigma[1]
    # The prior says 5 mm and 0.5°.
    assert max(sigma) < 0.2
    assert abs(solved.panel.roll_rad - TRUE_PANEL.roll_rad) < 4 * solved.roll_sigma_rad + 2e-5
    assert solved.roll_sigma_rad < 2e-4


def test_closure_is_small_and_levels_are_right(ring: Registered) -> None:
    assert ring.adjustment.closure_mm is not None
    # Open, 28 steps of 0.003 mm / sqrt(9) and the source's part.
    assert abs(ring.adjustment.closure_mm) < 0.05
    assert ring.adjustment.wraps.any()
    off = np.log(ring.placement.level) - np.log(path().level)
    # Patches of some 24×24 half-resolution pixels with noise of 1 / 280: 3e-4 a tie; the beam's
    # shape is taken at the middle row: 2e-4.
    assert np.abs(off - off.mean()).max() < 1.5e-3
    assert np.log(ring.placement.level).sum() == pytest.approx(0, abs=1e-9)
    assert np.abs(ring.level_misfit).max() < 5e-3
    assert len(ring.level_misfit) == len(ring.ties)


def test_an_arc_is_placed_without_closure(arc: Registered) -> None:
    assert arc.adjustment.closure_mm is None and arc.misplaced == {} and arc.unlinked == ()
    off = misses(arc, False)
    assert np.abs(off).max() < 0.1 * PITCH_MM
    # Further from the first frame it is known less well.
    assert arc.placement.sigma_mm[-1] > arc.placement.sigma_mm[1]


@pytest.mark.parametrize("threads", [1, 3])
def test_threads_change_nothing(arc: Registered, threads: int) -> None:
    again = register(arc_frames(), path(False).encoder[:ARC], ring=False, threads=threads)
    np.testing.assert_array_equal(again.placement.position_mm, arc.placement.position_mm)
    np.testing.assert_array_equal(again.placement.level, arc.placement.level)


def test_frames_keep_their_numbers_in_the_scan(arc: Registered) -> None:
    """Left-out frames leave holes in the numbers; nothing else changes."""
    numbers = [3 + 2 * k for k in range(ARC)]
    found = register(arc_frames(), path(False).encoder[:ARC], ring=False, indices=numbers)
    np.testing.assert_array_equal(found.placement.frames, numbers)
    np.testing.assert_array_equal(found.placement.position_mm, arc.placement.position_mm)
    assert found.ties.a.max() < ARC  # numbered by place among the used


@pytest.mark.parametrize("neighbours", [1, 2, 4])
def test_neighbours(arc: Registered, neighbours: int) -> None:
    stage = Registration(patch_px=128, search_mm=4.0, neighbours=neighbours)
    found = register(arc_frames(), path(False).encoder[:ARC], ring=False, stage=stage)
    assert np.abs(misses(found, False)).max() < 0.1 * PITCH_MM
    pairs = {(link.a, link.b) for link in found.links}
    assert all((k - 1, k) in pairs for k in range(1, ARC))
    if neighbours == 4:
        assert len(found.links) > len(arc.links)


@pytest.mark.parametrize("patch_px", [64, 256])
@pytest.mark.parametrize("search_mm", [2.0, 6.0])
def test_patches_and_search(patch_px: int, search_mm: float) -> None:
    stage = Registration(patch_px=patch_px, search_mm=search_mm)
    found = register(arc_frames(), path(False).encoder[:ARC], ring=False, stage=stage)
    assert np.abs(misses(found, False)).max() < 0.1 * PITCH_MM


@pytest.mark.parametrize(("source", "roll"), [(False, True), (True, False)])
def test_what_is_not_to_be_refined_stays_as_told(source: bool, roll: bool) -> None:
    stage = Registration(patch_px=128, search_mm=4.0, refine_source=source, refine_roll=roll)
    found = register(arc_frames(), path(False).encoder[:ARC], ring=False, stage=stage)
    solved = found.adjustment
    assert ("source_x_mm" in solved.refined, "roll_deg" in solved.refined) == (source, roll)
    if not source:
        assert (solved.geometry.source_x_mm, solved.geometry.source_y_mm) == (
            pytest.approx(0, abs=1e-6),
            pytest.approx(0, abs=1e-6),
        )
    if not roll:
        assert solved.panel.roll_rad == pytest.approx(SETUP.panel.roll_rad, abs=1e-7)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("patch_px", 47),
        ("search_mm", 0),
        ("neighbours", 9),
        ("min_level", 1),
        ("max_saturated", -1),
    ],
)
def test_parameters_have_their_bounds(name: str, value: float) -> None:
    with pytest.raises(ValueError, match=name):
        Registration(**{name: value})


# ---- frames that don't fit ----------------------------------------------------------------------


def placed_with(changed: dict[int, Frame]) -> Registered:
    frames = arc_frames()
    for k, other in changed.items():
        frames[k] = other
    return register(frames, path(False).encoder[:ARC], ring=False)


@pytest.mark.parametrize(
    ("what", "other"),
    [
        ("other metal", lambda: frame(7, False, seed=5)),
        ("the next frame's content", lambda: frame(8, False)),
        ("content from elsewhere", lambda: frame(12, False)),
    ],
    ids=["other metal", "doubled", "from elsewhere"],
)
def test_a_frame_in_a_wrong_place_is_left_out_and_named(what: str, other: object) -> None:
    found = placed_with({7: other()})  # type: ignore[operator]
    assert set(found.misplaced) == {7}
    assert found.misplaced[7].startswith("wrong_place: ")
    assert found.placement.frames.tolist() == [k for k in range(ARC) if k != 7]
    assert np.abs(misses(found, False)).max() < 0.1 * PITCH_MM
    assert found.ties.b.max() == ARC - 2  # numbered among those that are left


def test_two_frames_that_changed_places_are_both_named() -> None:
    found = placed_with({4: frame(7, False), 7: frame(4, False)})
    assert set(found.misplaced) == {4, 7}
    assert np.abs(misses(found, False)).max() < 0.1 * PITCH_MM


SPARSE = list(range(0, 26, 2))
"""Every second frame: 16 mm of the 34 that each sees, so that only direct neighbours overlap."""


@pytest.mark.parametrize("at", [0, 1, 6, 11, 12])
def test_a_stranger_among_frames_that_hardly_overlap_is_named_alone(at: int) -> None:
    """Also at the ends, and next to them, where the last frame's only neighbour is the stranger."""
    frames = [frame(k, False) for k in SPARSE]
    frames[at] = frame(SPARSE[at], False, seed=5)
    found = register(frames, path(False).encoder[SPARSE], ring=False)
    assert set(found.misplaced) == {at}
    # Each part by itself is as right as ever; across the gap the encoder counts.
    off = found.placement.position_mm - path(False).position[SPARSE][found.placement.frames]
    for part in (off[:at], off[at:]):
        assert len(part) == 0 or np.ptp(part) < 0.15 * PITCH_MM
    assert found.unlinked == ((at,) if 0 < at < 12 else ())


@pytest.mark.parametrize("apart", [1, 2, 5])
def test_frames_that_hardly_overlap_exchanged_are_both_named_and_no_other(apart: int) -> None:
    """Two apart, the one between matches neither; it stays, since two explain it all."""
    frames = [frame(k, False) for k in SPARSE]
    frames[4], frames[4 + apart] = frames[4 + apart], frames[4]
    found = register(frames, path(False).encoder[SPARSE], ring=False)
    assert set(found.misplaced) == {4, 4 + apart}


def test_a_frame_that_the_encoder_misplaces_goes_where_its_content_belongs() -> None:
    """The carriage stood 3 mm further on than it was told: all its ties agree on that."""
    found = placed_with({7: frame(7, False, off_mm=3.0)})
    assert found.misplaced == {}
    off = misses(found, False)
    assert off[7] == pytest.approx(3.0, abs=0.1 * PITCH_MM)
    assert np.abs(np.delete(off, 7)).max() < 0.1 * PITCH_MM


def test_a_blank_stretch_falls_back_on_the_encoder_and_says_so() -> None:
    """Where two steps show nothing but plain plate, the encoder's steps count."""
    there = path(False).position
    blank = (float(there[5]) + 2.0, float(there[9]) - 2.0)
    frames = [frame(k, False, blank_mm=blank) for k in range(ARC)]
    found = register(frames, path(False).encoder[:ARC], ring=False)
    assert found.misplaced == {}
    assert len(found.unlinked) > 0
    assert set(found.unlinked) <= set(range(5, 11))
    assert any("blank overlap" in link.reason for link in found.links)
    before, after = found.unlinked[0] - 1, found.unlinked[0]
    # The encoder's step: 0.2 mm of jitter at either end (0.3 mm as told), times its scale.
    step = np.diff(found.placement.position_mm)[before]
    assert step == pytest.approx(np.diff(there)[before], abs=4 * 0.3)
    assert found.placement.sigma_mm[after] > 0.2
    # On either side of it frames still fit each other.
    off = misses(found, False)
    assert np.ptp(off[: found.unlinked[0]]) < 0.1 * PITCH_MM
    assert np.ptp(off[found.unlinked[-1] :]) < 0.1 * PITCH_MM


def test_no_texture_anywhere_is_the_encoder_alone() -> None:
    frames = [frame(k, False, blank_mm=(0.0, ONCE)) for k in range(5)]
    encoder = path(False).encoder[:5]
    found = register(frames, encoder, ring=False)
    assert len(found.ties) == 0 and found.unlinked == (1, 2, 3, 4)
    np.testing.assert_allclose(found.placement.position_mm, encoder, atol=1e-6)
    np.testing.assert_allclose(found.placement.level, 1, atol=1e-9)
    assert found.misplaced == {}


def test_two_frames_are_enough_and_one_is_no_trouble() -> None:
    found = register(arc_frames()[:2], path(False).encoder[:2], ring=False)
    assert np.abs(misses(found, False)).max() < 0.1 * PITCH_MM
    alone = register(arc_frames()[:1], path(False).encoder[:1], ring=False)
    assert alone.placement.position_mm == pytest.approx(path(False).encoder[:1])
    assert alone.unlinked == () and alone.links == ()


def test_a_gap_in_the_scan_is_unlinked() -> None:
    keep = [k for k in range(ARC) if k not in (5, 6, 7, 8)]
    frames = [frame(k, False) for k in keep]
    found = register(frames, path(False).encoder[keep], ring=False, indices=keep)
    assert found.unlinked == (5,)  # the sixth of the frames, number 9 of the scan
    assert found.placement.frames[5] == 9


def test_residuals_are_what_noise_leaves(arc: Registered) -> None:
    assert SETUP.noise is NOISE
    # The pictures differ by their noise alone, as far as the panel's own noise model knows.
    assert np.median(arc.ties.residual) == pytest.approx(1.0, abs=0.2)
