"""A match that misleads must not take the rest of an arc with it."""

from __future__ import annotations

import numpy as np

from pipeline.model import Frame
from tests.stages.registered_scans import frame, path, register


def test_a_part_of_a_frame_that_moved_does_not_pull_the_frames_after_it() -> None:
    frames = [frame(k, False) for k in range(14)]
    moved = frames[7].values.copy()
    moved[:, 200:] = frame(7, False, off_mm=2.5).values[:, 200:]
    frames[7] = Frame(7, moved, frames[7].flags)
    found = register(frames, path(False).encoder[:14], ring=False)
    error = found.placement.position_mm - path(False).position[found.placement.frames]
    # The wrong tie alone would move half of the frames by 2.5 mm; 0.05 mm is half a strip pixel.
    assert np.abs(error - error.mean()).max() < 0.05
