"""What a strip's log says of a calibration that only the config let pass."""

from __future__ import annotations

from pipeline.calibration.conditions import Misfit
from pipeline.calibration.decisions import Entry
from pipeline.calibration.lookup import Choice
from pipeline.calibration.wanted import Condition
from pipeline.model import Verdict
from pipeline.quality.calibration import calibration_checks
from tests.calibration.ageing_panel import aged


def choice(
    *permitted: Misfit, unjudged: tuple[str, ...] = (), undecided: tuple[str, ...] = ()
) -> Choice:
    one = aged(0)
    entry = Entry("P", one.identity, one.facts)
    return Choice(entry, permitted, unjudged, "", undecided=undecided)


def test_a_calibration_with_nothing_against_it_passes() -> None:
    ranges, decided, open_ones = calibration_checks(choice(unjudged=("date", "temperature")))
    assert (ranges.id, ranges.value, ranges.verdict) == (
        "calibration.out_of_range",
        0,
        Verdict.PASS,
    )
    assert (decided.id, decided.value, decided.verdict) == (
        "calibration.not_released",
        0,
        Verdict.PASS,
    )
    assert (open_ones.value, open_ones.limit, open_ones.verdict) == (2, None, Verdict.PASS)
    assert open_ones.note.startswith("date; temperature")


def test_what_was_permitted_asks_for_attention_in_its_own_words() -> None:
    ranges, decided, _ = calibration_checks(
        choice(
            Misfit(Condition.KV, "200 kV, the calibration's 100 to 180 kV"),
            Misfit(Condition.WITHDRAWN, "it was withdrawn on 2026-03-01 by C: light"),
            Misfit(Condition.SUPERSEDED, "it was superseded"),
        )
    )
    assert (ranges.value, ranges.verdict) == (1, Verdict.ATTENTION)
    assert ranges.note.startswith("200 kV")
    assert (ranges.unit, decided.unit) == ("condition", "conditions")
    assert ranges.basis == "common practice, no published source"
    assert (decided.value, decided.verdict) == (2, Verdict.ATTENTION)
    assert "by C: light; it was superseded" in decided.note


def test_a_choice_made_by_what_nobody_told_asks_for_attention() -> None:
    open_ones = calibration_checks(
        choice(unjudged=("date (the frames don't tell)",), undecided=("date",))
    )[2]
    assert (open_ones.value, open_ones.limit, open_ones.verdict) == (1, 0, Verdict.ATTENTION)
    assert "others that might be right differ in: date" in open_ones.note
