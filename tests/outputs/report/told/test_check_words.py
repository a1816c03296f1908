import ast
import math
import re
from pathlib import Path

import pytest

import pipeline
from pipeline.outputs.report.told.check_words import (
    CHECK_TITLES,
    WHAT_TO_DO,
    basis_text,
    limit_text,
    mark,
    note_text,
    outcome_word,
    value_text,
)
from pipeline.quality.check import BASIS_CONFIG, BASIS_PRACTICE, at_least, at_most, report_only

FRAMES = {"stage": "a", "unit": "frames", "basis": BASIS_PRACTICE}


@pytest.mark.parametrize(
    ("check", "text"),
    [
        (at_most("a.b", 1, 0, **FRAMES), "none allowed"),
        (at_most("a.b", 1, 0, fail_factor=math.inf, **FRAMES), "none allowed"),
        (at_most("a.b", 1, 1, **FRAMES), "at most 1 frame"),
        (at_most("a.b", 1, 0.2, stage="a", unit="mm", basis="c"), "at most 0.2 mm"),
        (at_most("a.b", None, 2, fail_factor=1, **FRAMES), "at most 2 frames"),
        (at_least("a.b", 3, 1, **FRAMES), "at least 1 frame"),
        (at_least("a.b", 3, 0, **FRAMES), "at least 0 frames"),
        (at_least("a.b", 3, 2, fail_factor=1, **FRAMES), "at least 2 frames"),
        (at_least("a.b", 3, 2, fail_factor=math.inf, **FRAMES), "at least 2 frames"),
        (report_only("a.b", 3, **FRAMES), "–"),
    ],
)
def test_a_limit_says_on_which_side_the_good_values_lie(check, text):
    assert limit_text(check) == text


def test_values_have_their_unit_and_what_is_missing_says_so():
    assert value_text(report_only("a.b", 1, **FRAMES)) == "1 frame"
    assert value_text(report_only("a.b", 0, **FRAMES)) == "0 frames"
    assert value_text(report_only("a.b", 0.123456, stage="a", unit="", basis="c")) == "0.123"
    assert value_text(at_most("a.b", None, 1, **FRAMES)) == "not measured"


def test_a_basis_is_short_and_missing_where_there_is_no_limit():
    assert basis_text(at_most("a.b", 1, 1, **FRAMES)) == "practice"
    assert (
        basis_text(at_most("a.b", 1, 1, stage="a", unit="", basis=BASIS_CONFIG)) == "config\u00a0¹"
    )
    assert basis_text(at_most("a.b", 1, 1, stage="a", unit="", basis="ISO 1, table 2")) == (
        "ISO 1, table 2"
    )
    assert basis_text(report_only("a.b", 1, **FRAMES)) == "–"
    marked = at_most("a.b", 1, 1, stage="a", unit="", basis="ISO 1, table 2 (from memory)")
    assert basis_text(marked) == "ISO 1, table 2 (from memory)"
    assert basis_text(marked, short=True) == "ISO 1, table 2\u00a0²"
    assert basis_text(at_most("a.b", 1, 1, **FRAMES), short=True) == "practice"


def test_a_passed_measure_without_a_limit_is_only_reported():
    assert mark(report_only("a.b", 1, **FRAMES)) == "reported"
    assert mark(at_most("a.b", 0, 0, **FRAMES)) == "pass"


def test_outcomes_speak_of_limits_and_not_of_passing():
    """Nobody takes a limit that is met for a weld that is accepted."""
    words = [outcome_word(shape) for shape in ("pass", "attention", "fail", "reported")]
    assert words == ["met", "attention", "not met", "reported"]
    gap = at_most("a.b", 1, 0.2, stage="a", unit="mm", basis="c", note="failed tubes")
    assert note_text(gap) == "failed tubes; attention above 0.2, not met above 0.6"
    never = at_most("a.b", 1, 0, fail_factor=math.inf, **FRAMES)
    assert note_text(never) == "attention above 0, never worse"


def test_every_check_that_a_strip_can_have_has_its_words():
    quality = Path(pipeline.__file__).parent / "quality"
    named = ("assemble.py", "tape.py", "requirement.py")
    texts = [
        node.value
        for source in quality.rglob("*.py")
        if source.name in named
        for node in ast.walk(ast.parse(source.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    ]
    ids = {text for text in texts if re.fullmatch(r"[a-z]+\.[a-z_]+", text)}
    some = {"coverage.gap_mm", "geometry.ruler_sigma_mm", "lag.missing_history"}
    assert some | {"position.tape_mm"} <= ids
    assert ids <= set(CHECK_TITLES)
    reported = {"acquisition.frames_used", "acquisition.ramp_up", "noise.predicted_snr"}
    assert ids - reported - {"registration.closure_axial_mm"} <= set(WHAT_TO_DO)
