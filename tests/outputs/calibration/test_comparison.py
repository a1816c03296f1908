"""A comparison for people and programs: the record adds up, the sentences say the figures."""

from __future__ import annotations

import json

import cv2
import numpy as np

from pipeline.calibration.compare import compare
from pipeline.outputs.calibration.comparison import (
    LISTED_PIXELS,
    comparison_picture,
    comparison_record,
    summary,
)
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
    assert "These hold both changes, the dark's at that signal and the gain's" in text
    assert f"{100 * found.gain.shading:.2f} %" in text


def test_texts_of_the_picture_stay_in_their_places() -> None:
    first, second = aged(0), aged(2, serial="TEST-2", gain_mode="high", binning="2x2")
    encoded = comparison_picture(first, second, compare(first, second))
    picture = cv2.imdecode(np.frombuffer(encoded, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert picture is not None
    rows, columns = picture.shape
    paper = picture[0, 0]
    assert (picture[:, round(0.985 * columns) :] == paper).all()
    # Between the maps, from their titles down to the captions below them.
    maps = slice(round(0.25 * rows), round(0.66 * rows))
    for left, right in ((0.31, 0.345), (0.645, 0.668)):
        between = picture[maps, round(left * columns) : round(right * columns)]
        assert (between == paper).all()
