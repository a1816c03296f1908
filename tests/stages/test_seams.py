"""Seams: where they lie, which frames meet there, and what those say about each other."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.model import Placement
from pipeline.stages.matching import Ties
from pipeline.stages.seams import measure_seams


def placed(position: list[float]) -> Placement:
    n = len(position)
    zeros = np.zeros(n)
    return Placement(np.arange(n) * 10, np.array(position), zeros, zeros, np.ones(n))


def tied(pairs: list[tuple[int, int]], residual: list[float]) -> Ties:
    n = len(pairs)
    a, b = np.array(pairs).reshape(-1, 2).T
    zeros = np.zeros(n)
    places = a, b, zeros, zeros, zeros, zeros
    plain = np.zeros((n, 2, 5)), np.zeros((n, 2))
    return Ties(*places, np.zeros((n, 2, 2)), zeros, np.array(residual), *plain)


def test_a_seam_lies_midway_and_tells_what_its_own_ties_say() -> None:
    ties = tied([(0, 1), (0, 1), (0, 1), (1, 2), (0, 2)], [1.0, 1.1, 3.0, 2.0, 9.0])
    misfit = np.array([0.001, 0.002, 0.003, -0.01, 0.5])
    residual_mm = np.array([[0.03, 0.0], [-0.03, 0.0], [0.5, 0.0], [0.01, -0.04], [9, 9]])
    first, second = measure_seams(placed([0.0, 20.0, 50.0]), ties, misfit, residual_mm, None)
    assert (first.s_mm, first.left, first.right) == (10.0, 0, 1)
    assert (second.s_mm, second.left, second.right) == (35.0, 1, 2)
    assert first.level_step == pytest.approx(np.expm1(0.002))
    assert first.residual_mm == pytest.approx(0.03 / np.sqrt(2))  # medians (0.03, 0)
    assert second.level_step == pytest.approx(np.expm1(-0.01))
    assert second.doubling == pytest.approx(2.0)
    assert second.residual_mm == pytest.approx(np.sqrt((0.01**2 + 0.04**2) / 2))
    assert first.doubling is not None and 1.0 <= first.doubling <= 2.0


def test_a_tie_the_other_way_round_counts_with_the_other_sign() -> None:
    ties = tied([(0, 1), (1, 0)], [1.0, 1.0])
    (seam,) = measure_seams(
        placed([0.0, 20.0]), ties, np.array([0.01, -0.01]), np.zeros((2, 2)), None
    )
    assert seam.level_step == pytest.approx(np.expm1(0.01))


def test_frames_out_of_order_meet_in_the_order_they_lie() -> None:
    seams = measure_seams(
        placed([40.0, 0.0, 20.0]), tied([], []), np.empty(0), np.empty((0, 2)), None
    )
    assert [(s.left, s.right, s.s_mm) for s in seams] == [(1, 2, 10.0), (2, 0, 30.0)]


def test_no_tie_no_figures() -> None:
    (seam,) = measure_seams(placed([0.0, 9.0]), tied([], []), np.empty(0), np.empty((0, 2)), None)
    assert (seam.level_step, seam.doubling, seam.residual_mm) == (None, None, None)


@pytest.mark.parametrize(
    ("position", "at"),
    [
        ([0.0, 30.0, 60.0], 80.0),  # 60 … 100: before the datum
        ([10.0, 40.0, 95.0], 2.5),  # 95 … 110: after it
        ([-4.0, 40.0, 90.0], 93.0),
        ([1.0, 50.0, 103.0], 2.0),  # a scan past the datum
    ],
)
def test_a_ring_has_a_seam_over_the_datum_inside_the_strip(
    position: list[float], at: float
) -> None:
    ties = tied([(0, 2)], [1.5])
    seams = measure_seams(placed(position), ties, np.array([0.02]), np.zeros((1, 2)), 100.0)
    assert len(seams) == 3
    last = seams[-1]
    assert (last.left, last.right) == (2, 0)
    assert last.s_mm == pytest.approx(at)
    assert last.level_step == pytest.approx(np.expm1(-0.02))


def test_one_frame_has_no_seam() -> None:
    assert measure_seams(placed([5.0]), tied([], []), np.empty(0), np.empty((0, 2)), 100.0) == []
