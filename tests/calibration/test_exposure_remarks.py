"""Doubts about exposures: each with its sentence, and none for sound ones."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from pipeline.calibration.acceptance import remarks
from pipeline.calibration.exposure_remarks import exposure_remarks
from pipeline.calibration.product import CalibrationFacts, DarkConditions
from tests.calibration.ageing_panel import aged

FACTS = aged(0).facts


def told(acceptance: dict[str, float] | None = None, **facts: Any) -> tuple[str, ...]:
    figures = {**FACTS.acceptance, **(acceptance or {})}
    return exposure_remarks(dataclasses.replace(FACTS, acceptance=figures, **facts))


def exposures(*digests: str) -> tuple[dict[str, object], ...]:
    files = [{"name": f"{k}.tif", "sha256": one} for k, one in enumerate(digests)]
    return ({"kind": "dark", "folder": "dark", "files": files},)


def test_sound_exposures_bring_no_remark() -> None:
    assert told(exposures=exposures("a", "b", "c")) == ()
    assert exposure_remarks(CalibrationFacts("P", "", 8, 8, FACTS.noise)) == ()


def test_copies_are_named() -> None:
    (note,) = told(exposures=exposures("a", "b", "a", "a"))
    assert note.startswith("Exposures that are copies of each other: dark/0.tif (3 times). ")
    (note,) = told({"dark_std_gv": 0.0})
    assert note.startswith("The darks don't differ from each other at all")


def test_a_level_of_one_frame_is_named() -> None:
    assert told({"flat_2_frames": 2.0}) == ()
    (note,) = told({"flat_2_frames": 1.0})
    assert note.startswith("One flat only counts at dose 2.1: ")


COOL, HOT = DarkConditions(10.0, 2.0), DarkConditions(38.0, 2.0)
LONG = DarkConditions(10.0, 4.0)


@pytest.mark.parametrize(
    ("first", "other", "level_gv", "doubted"),
    [  # the first darks have 290 GV; 12 GV of read noise are allowed
        (COOL, HOT, 360.0, False),
        (COOL, HOT, 279.0, False),
        (COOL, HOT, 277.0, True),
        (HOT, COOL, 360.0, True),
        (HOT, COOL, 250.0, False),
        (COOL, LONG, 277.0, True),
        (COOL, LONG, 300.0, False),
        (DarkConditions(10.0, 2.0), DarkConditions(38.0, 1.0), 200.0, False),  # no telling
        (DarkConditions(), DarkConditions(38.0), 200.0, False),
    ],
)
def test_darks_that_are_darker_when_warm_or_long_are_doubted(
    first: DarkConditions, other: DarkConditions, level_gv: float, doubted: bool
) -> None:
    found = told({"dark_1_level_gv": level_gv}, dark_conditions=first, dark_states=(other,))
    assert len(found) == doubted
    if doubted:
        assert "are their folders exchanged?" in found[0]


def test_of_several_contradictions_the_largest_is_told() -> None:
    (note,) = told(
        {"dark_1_level_gv": 395.0, "dark_2_level_gv": 250.0},
        dark_conditions=DarkConditions(22.0, 2.0),
        dark_states=(COOL, HOT),
    )
    assert note.startswith(
        "The darks at 38 °C and 2 s (250 GV) are darker than those at 10 °C and 2 s (395 GV)"
    )


@pytest.mark.parametrize(
    ("limit", "said"), [(0.01, None), (0.010_04, None), (0.0101, "±1.01 %"), (0.0219, "±2.19 %")]
)
def test_a_limit_that_noise_widened_is_told_if_it_differs(limit: float, said: str | None) -> None:
    figures = {**FACTS.acceptance, "non_uniform_limit": limit}
    found = remarks(dataclasses.replace(FACTS, acceptance=figures))
    noisy = [one for one in found if "too noisy" in one]
    assert len(noisy) == (said is not None)
    if said:
        assert f"limit of ±1 %: {said} was used" in noisy[0]
