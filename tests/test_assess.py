"""Assessments and releases end to end: folders in, page, record, picture and library out."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pipeline.assess import assess, compare_folders, write_assessment
from pipeline.calibration.decisions import Status
from pipeline.errors import CalibrationError, OutputError
from pipeline.io.calibration_library import read_library
from pipeline.io.calibration_store import write_calibration
from pipeline.model import Verdict
from pipeline.quality.acceptance_limits import AcceptanceLimits
from pipeline.release import Decision, release, withdraw
from tests.calibration.ageing_panel import aged
from tests.test_choose import told
from tests.weld_folder import digests, read_json

BY = Decision("2026-03-01T00:00:00+00:00", "C. Example", "as ordered")


@pytest.fixture
def folders(tmp_path: Path) -> dict[float, Path]:
    """Calibrations by age."""
    made = {}
    for age in (0, 0.1, 1, 3):
        made[age] = tmp_path / f"age-{age}"
        write_calibration(made[age], aged(age))
    return made


def test_alone_named_or_in_a_library_the_first_is_found(
    folders: dict[float, Path], tmp_path: Path
) -> None:
    alone = assess(folders[1])
    assert (alone.first, alone.since_first, alone.history) == (None, None, ())
    named = assess(folders[1], first=folders[0])
    assert named.first is not None
    assert named.first.identity == aged(0).identity

    library = tmp_path / "library"
    release(folders[0], library, BY)
    inside = release(folders[0.1], library, BY).folder
    found = assess(folders[1], library=library)
    assert found.first is not None
    assert found.first.identity == aged(0).identity
    assert len(found.history) == 2
    within = assess(inside)  # the library that it lies in is asked
    assert within.first is not None
    assert within.acceptance.verdict is Verdict.PASS
    first = assess(library / read_library(library).entries[0].name)
    assert first.first is None  # it is the first itself
    with pytest.raises(CalibrationError, match="is the calibration that is checked"):
        assess(folders[1], first=folders[1])


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        ({"serial": "OTHER"}, "serial OTHER instead of TEST-1"),
        ({"gain_mode": "high"}, "gain mode high instead of normal"),
    ],
)
def test_another_panel_or_mode_is_no_yardstick(
    facts: dict[str, str], said: str, folders: dict[float, Path], tmp_path: Path
) -> None:
    write_calibration(tmp_path / "other", told(aged(0.1), **facts))
    with pytest.raises(CalibrationError, match=said):
        assess(folders[1], first=tmp_path / "other")
    with pytest.raises(CalibrationError, match=said):
        compare_folders(folders[1], tmp_path / "other", tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_page_and_record_say_the_same_and_come_out_the_same_again(
    folders: dict[float, Path], tmp_path: Path
) -> None:
    found = assess(folders[3], first=folders[0])
    write_assessment(tmp_path / "check", found)
    record = read_json(tmp_path / "check" / "acceptance.json")
    page = (tmp_path / "check" / "acceptance.html").read_text(encoding="utf-8")
    assert record["verdict"] == "fail"
    assert record["first"] == aged(0).identity
    for check in record["checks"]:
        assert check["id"] in page
    failed = {check["id"] for check in record["checks"] if check["verdict"] == "fail"}
    assert "pixels.new_bad_fraction" in failed
    write_assessment(tmp_path / "again", assess(folders[3], first=folders[0]))
    assert digests(tmp_path / "again") == digests(tmp_path / "check")
    with pytest.raises(OutputError, match="already exists"):
        write_assessment(tmp_path / "check", found)
    write_assessment(tmp_path / "check", found, replace=True)


def test_comparison_leaves_picture_and_record(folders: dict[float, Path], tmp_path: Path) -> None:
    record = compare_folders(folders[0], folders[1], tmp_path / "a-b")
    assert read_json(tmp_path / "a-b" / "comparison.json") == record
    with Image.open(tmp_path / "a-b" / "comparison.png") as picture:
        assert picture.size == (1430, 946)
        colours = np.unique(np.asarray(picture.convert("RGB")).reshape(-1, 3), axis=0)
    assert len(colours) > 100  # something is drawn
    compare_folders(folders[0], folders[1], tmp_path / "again")
    assert digests(tmp_path / "again") == digests(tmp_path / "a-b")


def test_a_release_records_who_why_and_how_it_was_judged(
    folders: dict[float, Path], tmp_path: Path
) -> None:
    library = tmp_path / "library"
    done = release(folders[0], library, BY)
    assert done.assessed.acceptance.verdict is Verdict.PASS
    (record,) = done.entry.records
    assert (record.who, record.reason, record.when) == (BY.who, BY.reason, BY.when)
    limits = AcceptanceLimits(new_bad_fraction=0.0003, fail_factor=9.0)
    judged = release(folders[0.1], library, BY, limits=limits).entry.records[0]
    assert judged.reason == "as ordered; acceptance attention: pixels.new_bad_fraction"


def test_what_fails_is_released_only_when_told_and_why(
    folders: dict[float, Path], tmp_path: Path
) -> None:
    library = tmp_path / "library"
    release(folders[0], library, BY)
    with pytest.raises(CalibrationError, match=r"its figures fail \(.*new_bad_fraction"):
        release(folders[3], library, BY)
    with pytest.raises(CalibrationError, match="its figures fail"):
        release(folders[3], library, Decision(BY.when, BY.who), despite_fail=True)
    assert len(read_library(library).entries) == 1
    done = release(folders[3], library, BY, despite_fail=True)
    assert done.entry.records[0].reason.startswith("as ordered; acceptance fail: ")


def test_the_older_one_is_superseded_by_name(folders: dict[float, Path], tmp_path: Path) -> None:
    library = tmp_path / "library"
    old = release(folders[0], library, BY).entry
    with pytest.raises(CalibrationError, match="names no calibration"):
        release(folders[0.1], library, BY, supersedes="ffffffff")
    done = release(folders[0.1], library, BY, supersedes=old.identity[:8])
    assert done.superseded is not None
    assert done.superseded.status is Status.SUPERSEDED
    assert done.superseded.records[-1].successor == done.entry.identity
    with pytest.raises(CalibrationError, match="is superseded already"):
        release(folders[1], library, BY, supersedes=old.name, despite_fail=True)
    with pytest.raises(CalibrationError, match="they are the same"):
        release(folders[0.1], library, BY, supersedes=done.entry.name)
    assert len(read_library(library).entries) == 2


def test_a_withdrawal_keeps_everything_and_takes_it_out_of_the_baseline(
    folders: dict[float, Path], tmp_path: Path
) -> None:
    library = tmp_path / "library"
    old = release(folders[0], library, BY).entry
    release(folders[0.1], library, BY)
    gone = withdraw(library, old.identity[:8], Decision(BY.when, "C. Example", "light leaked in"))
    assert gone.status is Status.WITHDRAWN
    assert (library / old.name / "dark.tif").is_file()
    found = assess(folders[1], library=library)
    assert found.first is not None
    assert found.first.identity == aged(0.1).identity
    with pytest.raises(CalibrationError, match="is withdrawn already"):
        withdraw(library, old.identity[:8], BY)


def test_what_was_withdrawn_comes_back_only_with_a_reason_of_its_own(
    folders: dict[float, Path], tmp_path: Path
) -> None:
    """The verdict that is added to the reason is none, so a verdict is wanted here."""
    library, limits = tmp_path / "library", AcceptanceLimits(uniformity=1e-6, fail_factor=1e9)
    old = release(folders[0], library, BY, limits=limits).entry
    assert "acceptance attention" in old.records[0].reason
    withdraw(library, old.name, BY)
    with pytest.raises(CalibrationError, match="comes back without a reason"):
        release(folders[0], library, Decision(BY.when, BY.who), limits=limits)
    assert release(folders[0], library, BY, limits=limits).entry.status is Status.RELEASED


@pytest.mark.parametrize("facts", [{"binning": "2x2"}, {"gain_mode": "high"}])
def test_one_of_another_mode_is_not_superseded(
    facts: dict[str, str], folders: dict[float, Path], tmp_path: Path
) -> None:
    library = tmp_path / "library"
    old = release(folders[0], library, BY).entry
    write_calibration(tmp_path / "other", told(aged(0.1), **facts))
    with pytest.raises(CalibrationError, match="another size, gain mode or binning"):
        release(tmp_path / "other", library, BY, supersedes=old.name)
    assert len(read_library(library).entries) == 1


def test_a_release_can_be_held_against_another_first(
    folders: dict[float, Path], tmp_path: Path
) -> None:
    library = tmp_path / "library"
    release(folders[3], library, BY, despite_fail=True)  # a faulty one would be the yardstick
    done = release(folders[0.1], library, BY, first=folders[0])
    assert done.assessed.first is not None
    assert done.assessed.first.identity == aged(0).identity


def test_only_what_fails_is_named_as_failing(folders: dict[float, Path], tmp_path: Path) -> None:
    library = tmp_path / "library"
    release(folders[0], library, BY)
    checks = assess(folders[3], library=library).acceptance.reasons
    milder = [check.id for check in checks if check.verdict is Verdict.ATTENTION]
    assert milder
    with pytest.raises(CalibrationError) as told_of:
        release(folders[3], library, BY)
    assert not [check_id for check_id in milder if check_id in str(told_of.value)]
