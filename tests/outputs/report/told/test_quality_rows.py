"""Measures in words: grouped by what is asked, marked as their checks judge."""

from __future__ import annotations

import ast
import re
from dataclasses import replace
from pathlib import Path

import pytest

import pipeline
from pipeline.model import Verdict
from pipeline.outputs.report.told.check_words import CHECK_TITLES
from pipeline.outputs.report.told.quality_rows import (
    MEASURE_TITLES,
    mark_of,
    measure_rows,
    value_with_sigma,
)
from pipeline.quality.log import Check, QualityMeasure
from tests.outputs.image_quality import BASIS, measure
from tests.outputs.weld import make_log

LOG = replace(make_log(), checks=())


@pytest.mark.parametrize(
    ("value", "others", "mark", "word"),
    [
        (0.09, {}, "pass", "met"),
        (0.0961, {}, "attention", "attention"),  # met by less than 2 · 0.002
        (0.1039, {}, "attention", "attention"),
        (0.11, {}, "fail", "not met"),
        (0.09, {"remedy": "measure SR_b"}, "attention", "attention"),  # met, but for a doubt
        (None, {}, "attention", "not measured"),
        (0.1, {"sigma": None}, "pass", "met"),
        (0.11, {"required": None, "bound": None, "margin": None}, "reported", "reported"),
    ],
)
def test_the_mark_says_how_a_measure_lies_to_what_is_asked(value, others, mark, word) -> None:
    one = measure(value, **others)
    assert mark_of(LOG, one) == mark
    (row,) = measure_rows(replace(LOG, measures=(one,)))
    assert (row.mark, row.word) == (mark, word)


def test_no_place_is_worse_than_its_check() -> None:
    one = measure(0.11)
    check = Check(one.id, "quality", 0.11, "mm", 0.1, Verdict.ATTENTION, BASIS, "allowed if")
    assert mark_of(replace(LOG, checks=(check,)), one) == "attention"
    failed = replace(check, verdict=Verdict.FAIL)
    assert mark_of(replace(LOG, checks=(failed,)), measure(0.09)) == "pass"


def test_places_of_one_measure_stand_under_what_they_share() -> None:
    places = [
        measure(value, s_mm=s, name=name, note=f"asked for pair D9; {note}", method="duplex gauge",
                remedy="a sharper panel")
        for value, s, name, note in ((0.12, 66.0, "D8", "lines lean"), (0.09, 132.0, "D9", "dim"))
    ]  # fmt: skip
    (row,) = measure_rows(replace(LOG, measures=tuple(places)))
    assert (row.title, row.asked, row.basis) == (
        "Basic spatial resolution",
        "at most 0.1 mm",
        BASIS,
    )
    assert row.told == ("asked for pair D9", "duplex gauge")
    assert row.remedy == "a sharper panel"
    assert [place.told for place in row.places] == [("lines lean",), ("dim",)]
    assert [place.margin for place in row.places] == ["−0.0200", "+0.0100"]
    # An eighth of 528.7 mm is 1:30; clockwise from the datum at 12.
    assert row.places[0].where == "at 66 mm, 1:30 o’clock, D8"
    assert (row.mark, row.word) == ("fail", "not met")


def test_the_places_of_a_column_have_the_same_decimals() -> None:
    """The greatest σ has its second digit in the fourth place, the least its first there too."""
    places = [measure(value, sigma=sigma, s_mm=s) for value, sigma, s in
              ((0.105888, 0.001243, 20.0), (0.109097, 0.00055, 260.0))]  # fmt: skip
    (row,) = measure_rows(replace(LOG, measures=tuple(places)))
    assert [place.value for place in row.places] == [
        "0.1059\u00a0±\u00a00.0012 mm", "0.1091\u00a0±\u00a00.0006 mm",
    ]  # fmt: skip
    assert [place.margin for place in row.places] == ["−0.0059", "−0.0091"]


def test_a_margin_without_uncertainty_has_its_values_decimals() -> None:
    (row,) = measure_rows(replace(LOG, measures=(measure(0.125, sigma=None),)))
    assert (row.places[0].value, row.places[0].margin) == ("0.125 mm", "−0.025")


def test_what_is_asked_stands_first_and_other_limits_apart() -> None:
    told = QualityMeasure("noise.snr_strip", 193.0, "")
    other = measure(0.09, required=0.2, margin=0.11)
    rows = measure_rows(replace(LOG, measures=(told, measure(0.09), other)))
    assert [row.asked for row in rows] == ["at most 0.1 mm", "at most 0.2 mm", ""]
    assert rows[2].title == "Signal-to-noise ratio of the strip’s own pixels"
    assert rows[2].basis == ""


@pytest.mark.parametrize(
    ("value", "sigma", "unit", "text"),
    [
        (0.105888, 0.001243, "mm", "0.1059\u00a0±\u00a00.0012 mm"),
        (129.344, 2.4156, "", "129.3\u00a0±\u00a02.4"),
        (1234.5, 120.0, "", "1234\u00a0±\u00a0120"),
        (0.125, None, "mm", "0.125 mm"),
        (3.0, None, "places", "3 places"),
    ],
)
def test_values_are_told_to_the_second_digit_of_their_uncertainty(value, sigma, unit, text) -> None:
    assert value_with_sigma(value, sigma, unit) == text


def test_every_measure_that_a_strip_can_have_has_its_words() -> None:
    quality = Path(pipeline.__file__).parent / "quality"
    names = ("requirement", "noise_figures", "gauge_figures", "shot_figures", "contrast_figures",
             "frame_figures")  # fmt: skip
    texts = {
        node.value
        for source in quality.rglob("*.py")
        if source.stem in names
        for node in ast.walk(ast.parse(source.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }
    along_only = {"weld.centre_z_mm", "weld.width_mm"}
    ids = {text for text in texts if re.fullmatch(r"[a-z]+\.[a-z_]+", text)} - along_only
    assert {"noise.snr_n", "contrast.sensitivity", "levels.gray_low"} <= ids
    assert ids <= set(CHECK_TITLES) | set(MEASURE_TITLES)
