"""The check of the stand-off against what was told: verdicts at its bounds, and what it says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.model import Verdict
from pipeline.quality.limits import Limits
from pipeline.quality.standoff import standoff_checks
from pipeline.stages.adjustment import Adjustment, adjust
from pipeline.stages.matching import Ties
from tests.stages.tied_scans import GEOMETRY, PANEL, PRIORS


def solved(standoff_mm: float, sigma_mm: float) -> Adjustment:
    plain = adjust(
        Ties.join([]), np.array([0.0, 20.0]), GEOMETRY, PANEL, PRIORS, ring=False, pitch_mm=0.1
    )
    geometry = replace(plain.geometry, standoff_mm=standoff_mm)
    return replace(plain, geometry=geometry, standoff_sigma_mm=sigma_mm)


@pytest.mark.parametrize(
    ("found_mm", "sigma_mm", "value", "verdict"),
    [
        (10.0, 0.0, 0.0, Verdict.PASS),
        (10.2, 0.01, 0.18, Verdict.PASS),
        (10.25, 0.01, 0.23, Verdict.ATTENTION),
        (9.0, 0.0, 1.0, Verdict.ATTENTION),
        (11.4, 0.0, 1.4, Verdict.ATTENTION),
        (8.4, 0.0, 1.6, Verdict.FAIL),
        (10.9, 0.5, 0.0, Verdict.PASS),  # the frames hardly tell
    ],
)
def test_within_what_was_told_it_asks_and_beyond_it_fails(
    found_mm: float, sigma_mm: float, value: float, verdict: Verdict
) -> None:
    (check,) = standoff_checks(solved(found_mm, sigma_mm), 10.0, 0.5, Limits())
    assert (check.id, check.verdict) == ("geometry.standoff_off_mm", verdict)
    assert check.value == pytest.approx(value, abs=1e-9)
    assert check.note.endswith("attention above 0.2, fail above 1.5")


@pytest.mark.parametrize(("found_mm", "word"), [(10.5, "larger"), (9.5, "smaller")])
def test_the_diameter_that_would_show_the_same_is_named(found_mm: float, word: str) -> None:
    (check,) = standoff_checks(solved(found_mm, 0.01), 10.0, 0.5, Limits())
    assert f"{found_mm:.3f} ± 0.010 mm" in check.note
    assert f"a diameter that is really 1.00 mm {word} than told" in check.note


def test_no_other_diameter_is_named_where_nothing_differs() -> None:
    (check,) = standoff_checks(solved(10.009, 0.01), 10.0, 0.5, Limits())
    assert "diameter" not in check.note


@pytest.mark.parametrize(("sigma_mm", "verdict"), [(0.2, Verdict.FAIL), (0.05, Verdict.FAIL)])
def test_a_stand_off_told_closely_is_believed_less_far(sigma_mm: float, verdict: Verdict) -> None:
    (check,) = standoff_checks(solved(10.7, 0.0), 10.0, sigma_mm, Limits())
    assert check.verdict is verdict


def test_a_stand_off_that_was_held_has_no_check() -> None:
    assert standoff_checks(solved(10.0, 0.0), 10.0, 0.0, Limits()) == []
