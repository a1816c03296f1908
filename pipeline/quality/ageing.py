"""Whether a panel still is what it was: the figures of a calibration against limits and its first.

In the manner of ASTM E2737 (a baseline, then the same figures again and again) with the names of
E2597. The first calibration of the panel in its mode is the baseline.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from pipeline.calibration.acceptance import remarks
from pipeline.calibration.compare import Comparison
from pipeline.calibration.product import CalibrationFacts
from pipeline.model import Verdict
from pipeline.quality.acceptance_limits import AcceptanceLimits
from pipeline.quality.check import BASIS_CONFIG, Check, at_least, at_most, report_only, worst
from pipeline.quality.panel_figures import SPECS, Spec

_STAGE = "acceptance"
_ASKED_FOR = ("snr_n", "sr_b_mm")
"""Limits that only a config sets; a figure that one asks for must have been measured."""
_SUFFIX = {"up": "rise", "down": "drop", "both": "change"}
"""How the check of a change is named: by the way that is worse, which counts positive."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One check with the values behind it: now, and in the panel's first calibration."""

    check: Check
    now: float | None
    first: float | None
    unit: str

    @property
    def change(self) -> float | None:
        """The relative change since the first calibration."""
        return _relative(self.now, self.first)


@dataclass(frozen=True, slots=True)
class Acceptance:
    """All figures of one calibration, what could not be measured, and remarks for people.

    ``not_measured`` names a figure and what it would take.
    """

    figures: tuple[Figure, ...]
    not_measured: tuple[tuple[str, str], ...]
    remarks: tuple[str, ...]

    @property
    def verdict(self) -> Verdict:
        """The worst of the figures."""
        return worst(figure.check.verdict for figure in self.figures)

    @property
    def reasons(self) -> tuple[Check, ...]:
        """The checks that didn't pass, failures first."""
        judged = [one.check for one in self.figures if one.check.verdict is not Verdict.PASS]
        return tuple(sorted(judged, key=lambda check: check.verdict is not Verdict.FAIL))


def judge_acceptance(
    facts: CalibrationFacts,
    limits: AcceptanceLimits,
    first: CalibrationFacts | None = None,
    since_first: Comparison | None = None,
) -> Acceptance:
    """The calibration's figures, judged.

    ``first`` are the facts of the panel's first calibration and ``since_first`` what changed in
    the arrays since; without them only absolute limits count. A figure that was measured then and
    isn't now asks for attention. Figures that nobody measured are named, not judged.
    """
    figures: list[Figure] = []
    missing: list[tuple[str, str]] = []
    for spec in SPECS:
        now = spec.value(facts)
        before = None if first is None else spec.value(first)
        wanted = spec.limit in _ASKED_FOR and getattr(limits, spec.limit) is not None
        if now is None and before is None and not wanted:
            missing.append((spec.id, spec.needs))
            continue
        figures += _checks(spec, facts, first, limits)
    if since_first is not None and first is not None:
        figures += _array_checks(since_first, facts, first, limits)
    notes = remarks(facts)
    if first is None:
        notes += ("No earlier calibration to compare with: ageing was not judged.",)
    elif since_first is not None:
        notes += since_first.remarks
    return Acceptance(tuple(figures), tuple(missing), notes)


def _checks(
    spec: Spec, facts: CalibrationFacts, first: CalibrationFacts | None, limits: AcceptanceLimits
) -> Iterator[Figure]:
    now = spec.value(facts)
    before = None if first is None else spec.value(first)
    bound = getattr(limits, spec.limit) if spec.limit else None
    note = f"{spec.needs} would tell" if now is None and spec.needs else ""
    if bound is not None or not spec.change_limit or first is None:
        yield Figure(_absolute(spec, now, bound, limits, note), now, before, spec.unit)
    if not spec.change_limit or first is None or (now is None and bound is not None):
        return
    change_id = f"{spec.id}_{_SUFFIX[spec.worse]}"
    change = _relative(now, before)
    if before is None and now is not None:
        note = "not measured in the panel's first calibration"
        yield Figure(_reported(change_id, None, note), now, None, spec.unit)
    elif spec.same_beam and not _same_beam(facts, first):
        note = "not judged: the flats were shot at another tube voltage than the first ones"
        yield Figure(_reported(change_id, change, note), now, before, spec.unit)
    else:
        worse = change if change is None or spec.worse == "up" else -change
        if change is not None and spec.worse == "both":
            worse = abs(change)
        check = at_most(
            change_id,
            worse,
            getattr(limits, spec.change_limit),
            stage=_STAGE,
            unit="",
            basis=BASIS_CONFIG,
            note=note,
            fail_factor=limits.fail_factor,
        )
        yield Figure(check, now, before, spec.unit)


def _absolute(
    spec: Spec, now: float | None, bound: float | None, limits: AcceptanceLimits, note: str
) -> Check:
    if bound is None:
        return _reported(spec.id, now, note, spec.unit)
    judge = at_least if spec.worse == "down" else at_most
    # Nothing is a multiple of a limit of none; then more asks for attention and never fails.
    counted = isinstance(bound, int)
    return judge(
        spec.id,
        now,
        bound,
        stage=_STAGE,
        unit=spec.unit,
        basis=BASIS_CONFIG,
        note=note,
        fail_factor=math.inf if counted else limits.fail_factor,
    )


def _array_checks(
    since_first: Comparison,
    facts: CalibrationFacts,
    first: CalibrationFacts,
    limits: AcceptanceLimits,
) -> Iterator[Figure]:
    """Checks on what changed in the maps since the first calibration."""
    pixels = facts.rows * facts.columns
    parts = (
        ("gain.shading_change", since_first.gain.shading, limits.shading_change),
        (
            "gain.pixel_change",
            since_first.gain.pixel_rms_beyond_noise,
            limits.pixel_gain_change,
        ),
        ("pixels.new_bad_fraction", since_first.pixels.come / pixels, limits.new_bad_fraction),
    )
    for check_id, value, limit in parts:
        check = at_most(
            check_id,
            value,
            limit,
            stage=_STAGE,
            unit="",
            basis=BASIS_CONFIG,
            fail_factor=limits.fail_factor,
        )
        yield Figure(check, value, None, "")
    for check_id, kind, most in (
        ("pixels.new_relevant_clusters", "relevant_cluster", limits.new_relevant_clusters),
        ("pixels.new_lines", "line", limits.new_lines),
    ):
        now, before = facts.bad_groups.get(kind), first.bad_groups.get(kind)
        if now is None or before is None:
            continue
        check = at_most(
            check_id,
            max(now - before, 0),
            most,
            stage=_STAGE,
            unit="",
            basis=BASIS_CONFIG,
            fail_factor=math.inf,
        )
        yield Figure(check, check.value, None, "")


def _reported(check_id: str, value: float | None, note: str, unit: str = "") -> Check:
    return report_only(check_id, value, stage=_STAGE, unit=unit, basis=BASIS_CONFIG, note=note)


def _same_beam(one: CalibrationFacts, other: CalibrationFacts) -> bool:
    return (one.kv_min, one.kv_max) == (other.kv_min, other.kv_max)


def _relative(now: float | None, before: float | None) -> float | None:
    if now is None or before is None or before == 0:
        return None
    return (now - before) / abs(before)
