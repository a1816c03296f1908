"""Places, lengths, clock positions and seams of a strip's ruler."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.quality.noted.strip_places import StripPlaces
from tests.outputs.weld import CIRCUMFERENCE_MM, make_log

EDGE_MM = 0.1 / math.sqrt(12)


def places(**told) -> StripPlaces:
    return StripPlaces(**({"pitch_mm": 0.1, "circumference_mm": 1200.0, "ring": True,
                           "clockwise": True} | told))  # fmt: skip


def test_a_place_is_as_uncertain_as_ruler_frame_and_pixel() -> None:
    found = places(
        ruler_sigma_mm=0.03,
        position_mm=np.array([0.0, 600.0]),
        position_sigma_mm=np.array([0.0, 0.04]),
    )
    assert found.place(590.0).value == 590.0
    assert found.place(590.0).sigma == pytest.approx(math.sqrt(0.03**2 + 0.04**2 + EDGE_MM**2))
    assert found.place(1190.0).sigma == pytest.approx(math.hypot(0.03, EDGE_MM))  # nearest is at 0


def test_places_repeat_on_a_ring_only() -> None:
    assert places().place(1203.0).value == pytest.approx(3.0)
    assert places(ring=False).place(-3.0).value == -3.0


def test_a_short_length_shares_the_rulers_deviation() -> None:
    """Seams 50 mm apart: over 10 mm two fifths of it count, over 100 mm that of two frames."""
    found = places(ruler_sigma_mm=0.05, seams_mm=tuple(50.0 * np.arange(24)))
    pixels = math.sqrt(2) * EDGE_MM
    assert found.length(10.0).sigma == pytest.approx(math.hypot(0.4 * 0.05, pixels))
    assert found.length(100.0).sigma == pytest.approx(math.hypot(math.sqrt(2) * 0.05, pixels))
    assert places(ruler_sigma_mm=0.05).length(1.0).sigma > 0.07  # nobody knows what is shared


@pytest.mark.parametrize(
    ("s_mm", "clockwise", "hours"),
    [(0, True, 0), (300, True, 3), (300, False, 9), (1100, True, 11), (1200, True, 0)],
)
def test_clock_positions_have_the_datum_at_12(s_mm: float, clockwise: bool, hours: float) -> None:
    assert places(clockwise=clockwise).clock_h(s_mm) == pytest.approx(hours)


def test_clock_positions_of_published_arithmetic() -> None:
    """Ø 610 mm: 1500 mm from the datum is 281.78°, 9.393 h; 159.7 mm is 1 h."""
    found = places(circumference_mm=math.pi * 610)
    assert found.clock_h(1500.0) == pytest.approx(9.393, abs=5e-4)
    assert found.clock_h(159.7) == pytest.approx(1.0, abs=5e-4)


def test_without_a_circumference_there_is_no_clock() -> None:
    assert places(circumference_mm=None, ring=False).clock_h(10.0) is None


def test_the_nearest_seam_is_looked_for_round_the_ring() -> None:
    found = places(seams_mm=(10.0, 500.0, 900.0))
    assert found.nearest_seam(1195.0, 2.0) == (1, pytest.approx(13.0))
    assert found.nearest_seam(495.0, 20.0) == (2, 0.0)
    assert places(ring=False, seams_mm=(10.0, 900.0)).nearest_seam(1195.0, 2.0) == (2, 295.0)
    assert places().nearest_seam(5.0, 1.0) is None


def test_a_log_tells_them() -> None:
    log = make_log()
    found = StripPlaces.of(log)
    assert found.circumference_mm == CIRCUMFERENCE_MM
    assert found.ring
    assert found.clockwise
    assert len(found.position_mm) == sum(frame.used for frame in log.frames)
    assert found.seams_mm == tuple(seam.s_mm for seam in log.seams)
    assert found.ruler_sigma_mm == 0.0  # this log has no such check
