"""What misleads a match: parts that moved, hits on the panel, texture that repeats itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.geometry import pixel_to_surface
from pipeline.model import Frame
from pipeline.stages.registration import Registered
from tests.stages.invented import Metal, Surface, frame_of, pixels
from tests.stages.registered_scans import (
    NOISE,
    ONCE,
    TRUE,
    TRUE_PANEL,
    frame,
    path,
    register,
)

ARC = 14


def arc(surface: Surface | None = None) -> list[Frame]:
    """The arc's frames, of other metal if given."""
    if surface is None:
        return [frame(k, False) for k in range(ARC)]
    there = path(False)
    return [
        frame_of(surface, TRUE, TRUE_PANEL, there.position[k], there.axial[k], index=k, noise=NOISE)
        for k in range(ARC)
    ]


def placed(frames: list[Frame]) -> tuple[Registered, np.ndarray]:
    """What was found, and every frame's position error without the first one's."""
    found = register(frames, path(False).encoder[:ARC], ring=False)
    error = found.placement.position_mm - path(False).position[found.placement.frames]
    return found, error - error[0]


def test_a_part_of_a_frame_that_moved_does_not_pull_the_frames_after_it() -> None:
    frames = arc()
    moved = frames[7].values.copy()
    moved[:, 200:] = frame(7, False, off_mm=2.5).values[:, 200:]
    frames[7] = Frame(7, moved, frames[7].flags)
    # The wrong tie alone would move half of the frames by 2.5 mm; 0.05 mm is half a strip pixel.
    assert np.ptp(placed(frames)[1]) < 0.1


@pytest.mark.parametrize("contrast", [0.03, 0.004])
@pytest.mark.parametrize("hits", [10, 40, 200])
def test_hits_on_the_panel_cost_next_to_nothing(hits: int, contrast: float) -> None:
    """Up to 3 × 2 pixels, up to three times as bright: 200 of them are 0.6 % of a frame; the faint
    metal's own contrast is a hundredth of theirs."""
    rng = np.random.default_rng(hits)
    frames = arc(Metal(ONCE, 18.0, contrast=contrast).surface())
    for k, f in enumerate(frames):
        values = f.values.copy()
        for row, column in zip(
            rng.integers(2, values.shape[0] - 4, hits),
            rng.integers(2, values.shape[1] - 4, hits),
            strict=True,
        ):
            values[row : row + rng.integers(1, 4), column : column + rng.integers(1, 3)] *= (
                rng.uniform(1.5, 3)
            )
        frames[k] = replace(f, values=values)
    found, error = placed(frames)
    assert found.misplaced == {} and found.unlinked == ()
    # Without them 0.0015 mm, the faint metal 0.016 mm.
    assert np.ptp(error) < (0.01 if contrast > 0.01 else 0.03)


@pytest.mark.parametrize("texture", [0.004, 0.0015, 0.0005])
def test_texture_that_repeats_is_matched_rightly_or_not_at_all(texture: float) -> None:
    """Ripples of 1.4 mm all round, ten times and more as strong as what differs between them:
    a match one ripple off is nearly as good, and one after the other would add up."""
    metal = Metal(ONCE, 18.0, contrast=texture).surface()
    ripples = round(ONCE / 1.4)

    def surface(s: np.ndarray, z: np.ndarray) -> np.ndarray:
        wave = np.cos(2 * np.pi * ripples / ONCE * s - 0.5 * z) * np.exp(-(z**2) / 50)
        return np.asarray(metal(s, z) * np.exp(0.03 * wave))

    found, error = placed(arc(surface))
    sigma = np.maximum(found.placement.sigma_mm, 1e-3)
    assert np.abs(error / sigma)[1:].max() < 4
    assert any("repeats itself" in link.reason for link in found.links)
    if texture <= 0.0005:
        # Nothing at all tells the ripples apart: only the encoder is left, and says so.
        assert len(found.unlinked) == ARC - 1


@pytest.mark.parametrize(
    ("slip_mm", "every_frame"), [(0.3, True), (1.0, True), (1.0, False), (2.0, False), (4.0, False)]
)
def test_a_gauge_that_slips_does_not_take_frames_with_it(slip_mm: float, every_frame: bool) -> None:
    """A comb of lead, ten times as strong as the metal, that moves once or before every frame."""
    there, frames = path(False), arc()
    for k, f in enumerate(frames):
        s, z = pixel_to_surface(
            TRUE, TRUE_PANEL, there.position[k], there.axial[k], *pixels(TRUE_PANEL)
        )
        along = s - 40 - slip_mm * (k if every_frame else float(k >= 6))
        lead = (np.abs(z - 8) < 2.5) & (np.abs(along) < 6) & (np.round(1.7 * along) % 3 == 0)
        frames[k] = replace(f, values=np.where(lead, 0.5 * f.values, f.values).astype(np.float32))
    found, error = placed(frames)
    assert found.misplaced == {}
    # Where a frame shows little else than the comb the encoder may be all that is left; it says so.
    assert np.abs(error / found.placement.sigma_mm)[1:].max() < 4
    assert np.ptp(error) < (0.02 if not found.unlinked else 0.5)
    assert len(found.unlinked) <= 1
