"""A calibration's figures against limits and the panel's first: each limit, and what is missing."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from pipeline.calibration.compare import compare
from pipeline.calibration.product import CalibrationFacts, NoiseModel
from pipeline.model import Verdict
from pipeline.quality.acceptance_limits import AcceptanceLimits
from pipeline.quality.ageing import Acceptance, judge_acceptance
from pipeline.quality.panel_figures import SPECS, sensitivity, snr_at_dose
from tests.calibration.ageing_panel import aged

LIMITS = AcceptanceLimits()
FIRST = aged(0).facts


def changed(facts: CalibrationFacts = FIRST, **figures: float | None) -> CalibrationFacts:
    """The facts with other acceptance figures; None takes one away."""
    told = {k: v for k, v in ({**facts.acceptance, **figures}).items() if v is not None}
    return dataclasses.replace(facts, acceptance=told)


def verdicts(acceptance: Acceptance) -> dict[str, str]:
    return {one.check.id: str(one.check.verdict) for one in acceptance.figures}


def test_a_panel_as_it_was_passes_in_all_that_was_measured() -> None:
    acceptance = judge_acceptance(FIRST, LIMITS, FIRST, compare(aged(0), aged(0)))
    assert acceptance.verdict is Verdict.PASS
    assert acceptance.reasons == ()
    assert acceptance.not_measured == ()
    assert acceptance.remarks == ()


def test_ageing_is_noticed_in_time_and_fails_in_the_end() -> None:
    verdict = {}
    for age in (0.1, 1, 3):
        since = compare(aged(0), aged(age))
        acceptance = judge_acceptance(aged(age).facts, LIMITS, FIRST, since)
        verdict[age] = str(acceptance.verdict)
    assert verdict == {0.1: "pass", 1: "fail", 3: "fail"}
    found = verdicts(acceptance)
    # At age 3: 9 % shading, 12 % fewer gray values, 31 % more dark, 2.5 times the lag.
    for check in ("gain.shading_change", "signal.sensitivity_change", "offset.level_gv_change"):
        assert found[check] == "attention"
    for check in ("pixels.new_bad_fraction", "lag.first_frame_rise"):
        assert found[check] == "fail"
    severity = [check.verdict for check in acceptance.reasons]
    assert severity == sorted(severity, key=lambda one: one is not Verdict.FAIL)


@pytest.mark.parametrize(
    ("check", "figure", "limit", "better", "beyond", "far"),
    [
        # first 290 GV, ±25 %: 217.5 to 362.5, fails from ±50 %
        ("offset.level_gv_change", "dark_level_gv", 0.25, 362.0, 363.0, 436.0),
        ("offset.level_gv_change", "dark_level_gv", 0.25, 218.0, 217.0, 144.0),
        # drift in read noises of 12 GV
        ("offset.drift", "dark_drift_gv", 1.0, 11.9, 12.1, 24.1),
        ("offset.drift", "dark_drift_gv", 1.0, -11.9, -12.1, -24.1),
        ("noise.read_gv_rise", "dark_std_gv", 0.25, 14.9, 15.1, 18.1),
        ("uniformity.spread", "uniformity", 0.01, 0.0099, 0.0101, 0.0201),
        ("uniformity.flat_shape", "flat_shape_between", 0.02, 0.0199, 0.0201, 0.0401),
        ("uniformity.flat_shape", "flat_shape_within", 0.02, 0.0199, 0.0201, 0.0401),
        ("linearity.deviation", "linearity_deviation", 0.02, 0.0199, 0.0201, 0.0401),
        ("lag.first_frame", "lag_first_frame", 0.05, 0.0499, 0.0501, 0.101),
        ("lag.first_frame_rise", "lag_first_frame", 0.5, 0.0299, 0.0301, 0.0401),
        ("sharpness.sr_b_mm_rise", "sr_b_mm", 0.1, 0.1154, 0.1156, 0.1261),
        ("contrast.sensitivity_rise", "contrast_sensitivity", 0.2, 0.0131, 0.0133, 0.0155),
        ("pixels.bad_fraction", "bad_fraction", 0.01, 0.0099, 0.0101, 0.0201),
    ],
)
def test_each_figure_has_its_limit(
    check: str, figure: str, limit: float, better: float, beyond: float, far: float
) -> None:
    for value, verdict in ((better, "pass"), (beyond, "attention"), (far, "fail")):
        acceptance = judge_acceptance(changed(**{figure: value}), LIMITS, FIRST)
        one = next(one for one in acceptance.figures if one.check.id == check)
        assert (str(one.check.verdict), one.check.limit) == (verdict, limit)


def test_a_change_for_the_better_passes() -> None:
    better = changed(dark_std_gv=6.0, lag_first_frame=0.002, sr_b_mm=0.06)
    better = dataclasses.replace(better, noise=NoiseModel(36.0, 0.5, 0.001))
    assert judge_acceptance(better, LIMITS, FIRST).verdict is Verdict.PASS


def test_sensitivity_and_snr_are_for_one_dose_at_one_distance() -> None:
    # slope GV/(mA·s) at 1 m; at half the distance four times the signal for the same dose.
    near = dataclasses.replace(
        FIRST,
        source_distance_mm=500.0,
        linearity={**(FIRST.linearity or {}), "slope": 4 * (FIRST.linearity or {})["slope"]},
    )
    assert sensitivity(near) == pytest.approx(sensitivity(FIRST))
    assert snr_at_dose(FIRST) == pytest.approx((37_000 / 4.2 / 0.9) ** 0.5)
    weak = dataclasses.replace(FIRST, linearity={"slope": 0.85 * 37_000 / 4.2})
    found = verdicts(judge_acceptance(weak, LIMITS, FIRST))
    assert found["signal.sensitivity_change"] == "attention"
    assert found["snr.at_dose_drop"] == "pass"  # √0.85 is a drop of 8 %
    noisy = dataclasses.replace(FIRST, noise=NoiseModel(144.0, 0.9 * 1.3, 0.001))
    assert verdicts(judge_acceptance(noisy, LIMITS, FIRST))["snr.at_dose_drop"] == "attention"
    assert sensitivity(dataclasses.replace(FIRST, linearity=None)) is None


def test_figures_of_another_beam_are_told_but_not_judged() -> None:
    other = dataclasses.replace(FIRST, kv_max=300.0, linearity={"slope": 1.0})
    acceptance = judge_acceptance(other, LIMITS, FIRST)
    one = next(one for one in acceptance.figures if one.check.id == "signal.sensitivity_change")
    assert one.check.verdict is Verdict.PASS
    assert one.check.limit is None
    assert "another tube voltage" in one.check.note


def test_the_first_calibration_of_a_panel_is_held_against_absolute_limits_only() -> None:
    acceptance = judge_acceptance(FIRST, LIMITS)
    assert acceptance.verdict is Verdict.PASS
    assert not [one for one in verdicts(acceptance) if one.endswith(("_change", "_rise", "_drop"))]
    assert acceptance.remarks == ("No earlier calibration to compare with: ageing was not judged.",)
    worn = judge_acceptance(changed(bad_fraction=0.5), LIMITS)
    assert worn.verdict is Verdict.FAIL


def test_what_nobody_measured_is_named_with_what_it_takes() -> None:
    bare = changed(sr_b_mm=None, snr_n=None, lag_first_frame=None, lag_second_frame=None)
    acceptance = judge_acceptance(bare, LIMITS, bare)
    assert dict(acceptance.not_measured) == {
        "snr.snr_n": "a set of kind duplex_wire",
        "lag.first_frame": "a set of kind step_off",
        "lag.second_frame": "a set of kind step_off",
        "sharpness.sr_b_mm": "a set of kind duplex_wire",
    }
    assert acceptance.verdict is Verdict.PASS


@pytest.mark.parametrize(
    ("figure", "check"),
    [("sr_b_mm", "sharpness.sr_b_mm_rise"), ("lag_first_frame", "lag.first_frame")],
)
def test_what_was_measured_once_and_is_not_now_asks_for_attention(figure: str, check: str) -> None:
    acceptance = judge_acceptance(changed(**{figure: None}), LIMITS, FIRST)
    assert [reason.id for reason in acceptance.reasons] == [check]
    assert acceptance.reasons[0].value is None
    assert "would tell" in acceptance.reasons[0].note


def test_what_was_not_measured_at_first_is_reported() -> None:
    acceptance = judge_acceptance(FIRST, LIMITS, changed(sr_b_mm=None))
    one = next(one for one in acceptance.figures if one.check.id == "sharpness.sr_b_mm_rise")
    assert one.check.verdict is Verdict.PASS
    assert one.check.note.startswith("not measured in the panel's first calibration")


def test_limits_that_only_a_config_sets() -> None:
    strict = AcceptanceLimits(snr_n=200.0, sr_b_mm=0.1)
    found = verdicts(judge_acceptance(FIRST, strict, FIRST))  # SNR_N 169, SR_b 0.105 mm
    assert found["snr.snr_n"] == "attention"
    assert found["sharpness.sr_b_mm"] == "attention"
    missing = verdicts(judge_acceptance(changed(snr_n=None), strict))
    assert missing["snr.snr_n"] == "attention"


def test_clusters_and_lines_ask_for_attention_and_never_fail() -> None:
    many = dataclasses.replace(
        FIRST, bad_groups={**FIRST.bad_groups, "relevant_cluster": 40, "line": 9}
    )
    acceptance = judge_acceptance(many, LIMITS, FIRST, compare(aged(0), aged(0)))
    found = verdicts(acceptance)
    new = found["pixels.new_relevant_clusters"], found["pixels.new_lines"]
    assert new == ("attention",) * 2
    assert found["pixels.relevant_clusters"] == "pass"  # counted, not judged
    # A panel that has had them from its first day on is as it was.
    since = compare(aged(0), aged(0))
    assert judge_acceptance(many, LIMITS, many, since).verdict is Verdict.PASS
    assert judge_acceptance(many, LIMITS).verdict is Verdict.PASS
    strict = AcceptanceLimits(relevant_clusters=39)
    assert verdicts(judge_acceptance(many, strict))["pixels.relevant_clusters"] == "attention"
    tolerant = AcceptanceLimits(relevant_clusters=40, new_relevant_clusters=40, new_lines=9)
    assert judge_acceptance(many, tolerant, FIRST, since).verdict is Verdict.PASS
    assert judge_acceptance(many, tolerant, FIRST).verdict is Verdict.PASS
    assert judge_acceptance(FIRST, LIMITS, many, compare(aged(0), aged(0))).verdict is Verdict.PASS


def test_the_factor_to_failure_is_the_configs() -> None:
    worn = changed(bad_fraction=0.025)
    assert judge_acceptance(worn, LIMITS).verdict is Verdict.FAIL
    assert judge_acceptance(worn, AcceptanceLimits(fail_factor=3.0)).verdict is Verdict.ATTENTION


def test_limits_name_fields_and_figures_are_named_once() -> None:
    known = set(AcceptanceLimits.__dataclass_fields__)
    assert {name for spec in SPECS for name in (spec.limit, spec.change_limit) if name} <= known
    ids = [spec.id for spec in SPECS]
    assert len(set(ids)) == len(ids)


@pytest.mark.parametrize(
    "wrong", [{"uniformity": 0.0}, {"bad_fraction": 1.0}, {"fail_factor": 0.5}, {"new_lines": -1}]
)
def test_limits_that_mean_nothing_are_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=next(iter(wrong))):
        AcceptanceLimits(**wrong)
