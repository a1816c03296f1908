"""Calibrations assessed: one against the panel's first and its limits, or one against another."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from pipeline.calibration.compare import Comparison, compare
from pipeline.calibration.decisions import Entry, first_of_panel, history_of_panel
from pipeline.calibration.product import CalibrationFacts, CalibrationSet
from pipeline.errors import CalibrationError
from pipeline.io.calibration_library import is_library, read_library
from pipeline.io.calibration_store import read_calibration
from pipeline.io.folders import new_folder
from pipeline.outputs.calibration.comparison import comparison_picture, comparison_record
from pipeline.outputs.calibration.page import render_calibration_page
from pipeline.quality.acceptance_limits import AcceptanceLimits
from pipeline.quality.ageing import Acceptance, judge_acceptance

SCHEMA = "girthstrip.acceptance/1"
PAGE, RECORD = "acceptance.html", "acceptance.json"
PICTURE, COMPARISON = "comparison.png", "comparison.json"


@dataclass(frozen=True, slots=True)
class Assessment:
    """A calibration with its judged figures, the panel's first calibration and its history.

    ``first`` and ``since_first`` are None where this is the first or none is known.
    """

    calibration: CalibrationSet
    acceptance: Acceptance
    limits: AcceptanceLimits
    first: CalibrationSet | None
    since_first: Comparison | None
    history: tuple[Entry, ...]


def assess(
    folder: Path,
    *,
    first: Path | None = None,
    library: Path | None = None,
    limits: AcceptanceLimits | None = None,
) -> Assessment:
    """The calibration in ``folder`` against its limits and the panel's first calibration.

    The first is the one named, or else the first of the panel in the library. Without either, the
    library that the folder lies in is asked, if it lies in one.

    Raises:
        CalibrationError: a calibration or the library can't be read, or the one named as first
            is this one itself, or of another panel or mode.
    """
    limits = limits or AcceptanceLimits()
    calibration = read_calibration(folder)
    history: Sequence[Entry] = ()
    home = folder.resolve().parent
    if library is None and is_library(home):
        library = home
    baseline = None if first is None else _named_first(first, calibration)
    if library is not None:
        known = read_library(library)
        history = history_of_panel(known.entries, calibration.facts)
        entry = first_of_panel(known.entries, calibration.facts)
        if baseline is None and entry is not None:
            baseline = read_calibration(known.path(entry))
    if baseline is not None and baseline.identity == calibration.identity:
        baseline = None
    since_first = None if baseline is None else compare(baseline, calibration)
    first_facts = None if baseline is None else baseline.facts
    acceptance = judge_acceptance(calibration.facts, limits, first_facts, since_first)
    return Assessment(calibration, acceptance, limits, baseline, since_first, tuple(history))


def _named_first(first: Path, calibration: CalibrationSet) -> CalibrationSet:
    baseline = read_calibration(first)
    if baseline.identity == calibration.identity:
        raise CalibrationError(
            "is the calibration that is checked, so nothing would be compared",
            where=str(first),
            remedy="Name an earlier one, or leave --first out",
        )
    _require_same_panel(calibration.facts, baseline.facts, str(first))
    return baseline


def _require_same_panel(one: CalibrationFacts, other: CalibrationFacts, where: str) -> None:
    """Refuse to compare what is of another panel or mode, where both tell; the size is seen to."""
    unlike = [
        f"{what} {theirs} instead of {ours}"
        for what, ours, theirs in (
            ("serial", one.serial, other.serial),
            ("gain mode", one.gain_mode or None, other.gain_mode or None),
            ("binning", one.binning, other.binning),
        )
        if ours != theirs and None not in (ours, theirs)
    ]
    if unlike:
        raise CalibrationError(
            f"is of another panel or mode: {', '.join(unlike)}",
            where=where,
            expected="two calibrations of one panel in one gain mode and binning",
            remedy="Name two that belong together",
        )


def write_assessment(out: Path, assessed: Assessment, *, replace: bool = False) -> None:
    """Write the page and the record of an assessment as the folder ``out``, whole or not at all.

    Raises:
        OutputError: the folder exists (without ``replace``) or can't be written.
    """
    page = render_calibration_page(
        assessed.calibration,
        assessed.acceptance,
        assessed.limits,
        first=assessed.first,
        since_first=assessed.since_first,
        history=assessed.history,
    )
    with new_folder(out, replace=replace, own_files=(RECORD, PAGE)) as folder:
        (folder / PAGE).write_text(page, encoding="utf-8")
        _write_json(folder / RECORD, acceptance_record(assessed))


def acceptance_record(assessed: Assessment) -> dict[str, Any]:
    """The assessment for programs."""
    acceptance, facts = assessed.acceptance, assessed.calibration.facts
    return {
        "schema": SCHEMA,
        "identity": assessed.calibration.identity,
        "serial": facts.serial,
        "gain_mode": facts.gain_mode,
        "first": None if assessed.first is None else assessed.first.identity,
        "verdict": str(acceptance.verdict),
        "checks": [
            asdict(figure.check)
            | {"now": figure.now, "first": figure.first, "figure_unit": figure.unit}
            for figure in acceptance.figures
        ],
        "not_measured": [
            {"figure": name, "needs": needs} for name, needs in acceptance.not_measured
        ],
        "remarks": list(acceptance.remarks),
        "limits": asdict(assessed.limits),
    }


def compare_folders(
    first: Path, second: Path, out: Path, *, replace: bool = False
) -> dict[str, Any]:
    """Compare two calibrations and write picture and record as the folder ``out``; the record.

    Raises:
        CalibrationError: a calibration can't be read, or the two are not of one panel in one mode.
        OutputError: the folder exists (without ``replace``) or can't be written.
    """
    one, other = read_calibration(first), read_calibration(second)
    _require_same_panel(one.facts, other.facts, str(second))
    found = compare(one, other)
    record = comparison_record(one, other, found)
    picture = comparison_picture(one, other, found)
    with new_folder(out, replace=replace, own_files=(COMPARISON, PICTURE)) as folder:
        (folder / PICTURE).write_bytes(picture)
        _write_json(folder / COMPARISON, record)
    return record


def _write_json(path: Path, record: Mapping[str, Any]) -> None:
    text = json.dumps(record, indent=1, sort_keys=True, allow_nan=False)
    path.write_text(text + "\n", encoding="ascii")
