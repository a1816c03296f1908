from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.simulation.features import Stroke, stamp, stroke_through
from pipeline.simulation.glyphs import STROKES, text_segments, text_width
from pipeline.simulation.thickness import ThicknessMap, empty_map


def _map() -> ThicknessMap:
    return empty_map(40.0, 5.0)


@pytest.mark.parametrize("diameter", [0.1, 0.25, 0.8])
def test_a_wire_has_the_cross_section_of_a_wire(diameter: float) -> None:
    target = _map()
    wire = stroke_through([(11.013, -9.0), (11.013, 9.0)], diameter / 2, diameter, rounded=True)
    stamp(target, wire)
    area = target.values.sum(axis=1, dtype=np.float64) * target.pitch_s_mm
    # The chord is summed at steps of 1/80 mm; the square-root ends of a wire 8 steps wide make
    # the sum wrong by less than 0.5·(1/8)^1.5 = 2 %.
    np.testing.assert_allclose(area, math.pi * diameter**2 / 4, rtol=0.02)
    centre = (target.values * target.s_mm()).sum(axis=1) / target.values.sum(axis=1)
    # A tenth of the fine step of 0.0125 mm: far below 0.02 px of 0.1 mm.
    np.testing.assert_allclose(centre, 11.013, atol=0.00125)


@pytest.mark.parametrize("s_mm", [7.0, 7.0131, 7.0377])
def test_a_flat_line_has_its_edges_where_they_should_be(s_mm: float) -> None:
    target = _map()
    stamp(target, stroke_through([(s_mm, -9.0), (s_mm, 9.0)], 0.3, 5.0, rounded=False))
    profile = target.values[target.values.shape[0] // 2]
    width = profile.sum(dtype=np.float64) * target.pitch_s_mm / 5.0
    # Coverage of the fine cells is exact for a straight edge along them; float32 sums remain.
    assert width == pytest.approx(0.6, abs=1e-5)
    assert (profile * target.s_mm()).sum() / profile.sum() == pytest.approx(s_mm, abs=1e-5)


def test_a_ball_takes_away_its_volume() -> None:
    target = _map()
    stamp(target, stroke_through([(20.0, 1.0)], 0.5, -1.0, rounded=True))
    volume = target.values.sum(dtype=np.float64) * target.pitch_s_mm * target.pitch_z_mm
    # 80 fine steps across: the sum is wrong by some (1/80)^1.5 = 0.15 %.
    assert volume == pytest.approx(-math.pi / 6, rel=0.0015)


def test_what_crosses_the_datum_comes_out_on_the_other_side() -> None:
    target, shifted = _map(), _map()
    stamp(target, stroke_through([(-1.0, 0.0), (1.0, 0.5)], 0.3, 2.0, rounded=True))
    stamp(shifted, stroke_through([(39.0, 0.0), (41.0, 0.5)], 0.3, 2.0, rounded=True))
    assert target.values[:, :15].max() > 1
    assert target.values[:, -15:].max() > 1
    # The same line one turn on; coordinates round differently in the last bits.
    np.testing.assert_allclose(target.values, shifted.values, atol=1e-5)


def test_what_lies_past_the_map_is_left_out() -> None:
    target = _map()
    stamp(target, stroke_through([(20.0, 4.0), (20.0, 30.0)], 0.3, 2.0, rounded=False))
    assert target.values[-1].max() == pytest.approx(2.0, rel=1e-4)
    stamp(target, stroke_through([(10.0, 20.0)], 0.3, 2.0, rounded=False))
    assert target.values[:, 180:220].max() == 0


def test_digits_stand_in_their_box_and_beside_each_other() -> None:
    segments = text_segments("0123456789", centre=(100.0, 10.0), height=4.0)
    points = np.array(segments).reshape(-1, 2)
    low, high = points.min(axis=0), points.max(axis=0)
    half_width = 4.0 * text_width("0123456789") / 2
    # Hand-drawn arcs reach past their box by up to 2 % of the height.
    assert low[0] >= 100 - half_width - 0.08
    assert high[0] <= 100 + half_width + 0.08
    assert low[1] == pytest.approx(8.0, abs=0.08)
    assert high[1] == pytest.approx(12.0, abs=0.08)
    assert len({str(lines) for lines in STROKES.values()}) == len(STROKES)


def test_a_stroke_without_rounding_fills_its_corner() -> None:
    target = _map()
    corner = Stroke((((5.0, 0.0), (8.0, 0.0)), ((8.0, 0.0), (8.0, 3.0))), 0.4, 1.5)
    stamp(target, corner)
    # Two segments overlap at the corner; their union counts once.
    assert target.values.max() == pytest.approx(1.5, rel=1e-5)
