"""A comparison for people and programs: the record adds up, the sentences say the figures."""

from __future__ import annotations

import json

import numpy as np

from pipeline.calibration.compare import compare
from pipeline.outputs.comparison import LISTED_PIXELS, comparison_record, summary
from tests.calibration.ageing_panel import aged


def test_the_record_adds_up_and_is_plain() -> None:
    first, second = aged(0), aged(2)
    found = compare(first, second)
    record = comparison_record(first, second, found)
    assert json.loads(json.dumps(record, allow_nan=False)) == record
    pixels = record["bad_pixels"]
    assert pixels["after"] - pixels["before"] == pixels["come"] - pixels["gone"]
    assert len(pixels["come_at"]) == min(pixels["come"], LISTED_PIXELS)
    one = pixels["come_at"][0]
    assert first.classes[one["row"], one["column"]] == 0
    assert second.classes[one["row"], one["column"]] != 0
    assert one["classes"]
    assert record["first"]["identity"] == first.identity
    assert record["dark_gv"]["median"] == found.dark.median


def test_long_lists_are_cut_but_counted() -> None:
    first, second = aged(0, rows=400, columns=500), aged(3, rows=400, columns=500)
    record = comparison_record(first, second, compare(first, second))
    come = int(np.count_nonzero((first.classes == 0) & (second.classes != 0)))
    assert record["bad_pixels"]["come"] == come > LISTED_PIXELS
    assert len(record["bad_pixels"]["come_at"]) == LISTED_PIXELS


def test_the_sentences_say_the_figures() -> None:
    found = compare(aged(0), aged(2))
    text = summary(found)
    assert f"At {found.strip.signal_gv:.0f} GV" in text
    assert f"{found.pixels.come} pixels turned bad and {found.pixels.gone} are good again" in text
    assert "filled in from neighbours" in text
