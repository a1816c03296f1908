"""What is stale, and why: each cause is made, and must be told; nothing else may be."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

import pipeline
from pipeline.batch import plan as plan_module
from pipeline.batch.names import STATE_FOLDER
from pipeline.errors import InputError
from pipeline.release import Decision, withdraw
from tests.batch.planned import by_weld, plan_of, states
from tests.batch.trees import release_second

ALL_CURRENT = {"W-0001": "current", "W-0002": "current", "W-0003": "current"}


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_what_was_just_stitched_is_current_and_looked_at_once(
    tree: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = plan_of(tree)
    assert states(plan) == ALL_CURRENT
    assert plan.problems == ()
    assert plan.throughput is not None
    assert (plan.throughput.measured, plan.throughput.at_most) == (3, False)

    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("looked at again")

    with monkeypatch.context() as patched:
        patched.setattr(plan_module, "examine", refuse)
        assert plan_of(tree) == plan

    (tree / STATE_FOLDER / "index.sqlite").write_bytes(b"no database at all, " * 100)
    assert plan_of(tree) == plan, "a damaged index is begun anew"
    shutil.rmtree(tree / STATE_FOLDER)
    assert plan_of(tree) == plan, "a lost index too"


def test_a_frame_with_another_content_is_named_and_a_touched_one_is_not(tree: Path) -> None:
    frames = tree / "welds" / "w0001" / "frames"
    (frames / "frame_0006.tif").touch()
    assert states(plan_of(tree)) == ALL_CURRENT
    changed = frames / "frame_0005.tif"
    changed.write_bytes(changed.read_bytes()[:-1] + b"x")
    (frames / "frame_0007.tif").unlink()
    plan = plan_of(tree)
    assert states(plan) == ALL_CURRENT | {"W-0001": "stale"}
    assert by_weld(plan)["W-0001"].reasons == (
        "frames: frame_0005.tif has another content, frame_0007.tif is missing",
    )


def test_a_frame_whose_times_are_kept_is_found_by_reading_all(tree: Path) -> None:
    frame = tree / "welds" / "w0003" / "frames" / "frame_0009.tif"
    plan_of(tree)
    times = frame.stat()
    content = frame.read_bytes()
    with frame.open("r+b") as file:
        file.write(b"?" + content[1:])
    os.utime(frame, ns=(times.st_atime_ns, times.st_mtime_ns))
    shutil.rmtree(tree / STATE_FOLDER)
    assert states(plan_of(tree)) == ALL_CURRENT  # as older than the strip
    plan = plan_of(tree, verify=True)
    assert states(plan) == ALL_CURRENT | {"W-0003": "stale"}
    assert "frame_0009.tif has another content" in by_weld(plan)["W-0003"].reasons[0]


def test_the_frame_table_counts_as_raw(tree: Path) -> None:
    table = tree / "welds" / "w0001" / "frames" / "frames.csv"
    table.write_text(table.read_text(encoding="utf-8") + "\n", encoding="utf-8")
    assert by_weld(plan_of(tree))["W-0001"].reasons == ("frames: frames.csv has another content",)


def test_a_changed_config_is_told_key_by_key(tree: Path) -> None:
    config = tree / "welds" / "w0002" / "weld.toml"
    edit(config, "pitch_mm = 0.1\n\n# The lead", "pitch_mm = 0.12\n\n# The lead")
    plan = plan_of(tree)
    assert states(plan) == ALL_CURRENT | {"W-0002": "stale"}
    assert by_weld(plan)["W-0002"].reasons == ("config: strip.pitch_mm 0.1 → 0.12",)


def test_what_a_job_sheet_may_have_told_is_asked_first(tree: Path, tmp_path: Path) -> None:
    """The result may hold a sheet's value, the config an older one: to make it anew from the config
    would lose what the sheet said."""
    edit(tree / "welds" / "w0002" / "weld.toml", "wall_mm = 6", "wall_mm = 7")
    entry = by_weld(plan_of(tree))["W-0002"]
    assert entry.state == "question"
    assert "weld.wall_mm 6.0 → 7.0" in entry.reasons[0]
    sheet = tmp_path / "sheet.csv"
    sheet.write_text("id,wall_mm\nW-0002,6\n", encoding="utf-8")
    assert states(plan_of(tree, sheet=sheet)) == ALL_CURRENT
    sheet.write_text("id,wall_mm\nW-0002,6.5\n", encoding="utf-8")
    assert by_weld(plan_of(tree, sheet=sheet))["W-0002"].reasons == (
        "config: weld.wall_mm 6.0 → 6.5",
    )
    sheet.write_text("id,wall_mm\nW-0002,thick\n", encoding="utf-8")
    with pytest.raises(InputError, match="line 2: column 'wall_mm'"):
        plan_of(tree, sheet=sheet)


def test_another_numeric_version_makes_all_stale(
    tree: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan_of(tree)
    monkeypatch.setattr(pipeline, "NUMERIC_VERSION", "another")
    plan = plan_of(tree)
    assert set(states(plan).values()) == {"stale"}
    was = by_weld(plan)["W-0001"].reasons[0]
    assert was.startswith("software: numeric ")
    assert was.endswith(" → another")


def test_a_calibration_makes_those_stale_that_get_it_and_no_others(
    tree: Path, small_scan: Path, tmp_path: Path
) -> None:
    """The second calibration holds from between the days on which the welds were shot."""
    old = by_weld(plan_of(tree))["W-0002"].calibration
    new = release_second(tree / "panels", small_scan, tmp_path / "second", "2026-03-10")
    plan = plan_of(tree)
    assert states(plan) == ALL_CURRENT | {"W-0002": "stale"}
    entry = by_weld(plan)["W-0002"]
    assert entry.reasons == (f"calibration: {old[:12]} → {new[:12]}",)
    assert entry.calibration == new

    decision = Decision("2026-04-01T00:00:00+00:00", "A. Example", "wrong")
    withdraw(tree / "panels", new, decision)
    assert states(plan_of(tree)) == ALL_CURRENT
    withdraw(tree / "panels", old, decision)
    plan = plan_of(tree)
    assert set(states(plan).values()) == {"blocked"}
    assert "no calibration of panel SIM-0001 suits these frames" in plan.entries[0].reasons[0]


def test_configs_without_a_result_are_new_and_faulty_ones_are_told(tree: Path) -> None:
    first = tree / "welds" / "w0001"
    shutil.rmtree(first / "result")
    (tree / "welds" / "w0003" / "result" / "quality.json").write_text("{", encoding="utf-8")
    edit(tree / "welds" / "w0002" / "weld.toml", "pitch_mm = 0.1\n\n#", "pitch_mm = -1\n\n#")
    (tree / "welds" / "peers.toml").write_text("[sender]\n", encoding="utf-8")
    (tree / "welds" / "twice.toml").write_text("[weld]\n[weld]\n", encoding="utf-8")
    plan = plan_of(tree)
    found = {Path(one.result).parent.name: one for one in plan.entries}
    assert (found["w0001"].state, found["w0001"].weld) == ("new", "W-0001")
    assert found["w0003"].state == "blocked"
    assert len(plan.problems) == 2
    assert "twice.toml: can't be read (Cannot declare ('weld',) twice" in plan.problems[0]
    assert "strip.pitch_mm = -1" in plan.problems[1]
    # Its config can't be read any more, so the resolved one in the result is what counts.
    assert found["w0002"].state == "current"
    assert found["w0002"].source.own


def test_a_result_without_its_config_is_held_against_its_own(tree: Path) -> None:
    for number in (1, 2, 3):
        (tree / "welds" / f"w000{number}" / "weld.toml").unlink()
    plan = plan_of(tree)
    assert states(plan) == ALL_CURRENT
    assert all(one.source.own for one in plan.entries)


def test_of_two_configs_for_one_folder_the_one_that_made_it_counts(tree: Path) -> None:
    folder = tree / "welds" / "w0001"
    other = folder / "other.toml"
    shutil.copy(folder / "weld.toml", other)
    assert by_weld(plan_of(tree))["W-0001"].state == "question"
    edit(other, "patch_px = 128", "patch_px = 96")
    plan = plan_of(tree)
    assert states(plan) == ALL_CURRENT
    assert by_weld(plan)["W-0001"].source.config.endswith("weld.toml")


def test_a_folder_without_welds_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="holds no welds"):
        plan_of(tmp_path)
