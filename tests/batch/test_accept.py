"""Weld by weld: made anew beside the old result, once; accepted as a whole, wherever it is cut."""

from __future__ import annotations

from pathlib import Path

import pytest

import pipeline
from pipeline.batch.accept import accept, complete, interrupted
from pipeline.batch.compare import compare_pairs, pairs_of
from pipeline.batch.entry import State
from pipeline.batch.names import STATE_FOLDER
from pipeline.batch.run import orders_of
from pipeline.batch.source import told_by
from pipeline.batch.task import reprocess
from pipeline.errors import InputError, OutputError
from pipeline.io.audit_log import log_folder, read_audit_log
from tests.batch.planned import plan_of, reprocess_all, states
from tests.batch.trees import lower_strip
from tests.weld_folder import digests, leftovers


def stitched(tree: Path, weld: str) -> int:
    """How often the audit log says that a weld was stitched."""
    folder = log_folder(tree / "welds" / f"w{weld[2:]}", weld)
    return sum(one.action == "stitch" for one in read_audit_log(folder))


def test_stale_welds_are_made_anew_beside_the_old_results_and_only_once(tree: Path) -> None:
    for name in ("w0001", "w0002"):
        lower_strip(tree, name)
    before = digests(tree / "welds" / "w0001" / "result")
    outcomes = reprocess_all(tree)
    assert [(one.weld, one.kind) for one in outcomes] == [("W-0001", "done"), ("W-0002", "done")]
    assert not any(one.note for one in outcomes)
    assert states(plan_of(tree)) == {
        "W-0001": "reprocessed", "W-0002": "reprocessed", "W-0003": "current",
    }  # fmt: skip
    assert digests(tree / "welds" / "w0001" / "result") == before
    assert reprocess_all(tree) == []

    # The config changes once more: the new result is stale itself, and may be replaced.
    config = tree / "welds" / "w0001" / "weld.toml"
    config.write_text(
        config.read_text(encoding="utf-8").replace("[-8.0, 8.0]", "[-7.0, 7.0]"), encoding="utf-8"
    )
    (order,) = orders_of(plan_of(tree), told_by(None, None), threads=1, new=False)
    assert reprocess(order).kind == "done"
    # A worker that died after the folder was there, before it told: nothing is made again.
    made = (tree / "welds" / "w0001" / "result.reprocessed" / "quality.json").stat()
    assert reprocess(order).kind == "already"
    again = (tree / "welds" / "w0001" / "result.reprocessed" / "quality.json").stat()
    assert (again.st_ino, again.st_mtime_ns) == (made.st_ino, made.st_mtime_ns)
    assert stitched(tree, "W-0001") == 3
    assert leftovers(tree / "welds" / "w0001") == []


def test_a_worker_with_other_versions_is_refused(
    tree: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lower_strip(tree, "w0001")
    (order,) = orders_of(plan_of(tree), told_by(None, None), threads=1, new=False)
    monkeypatch.setattr(pipeline, "NUMERIC_VERSION", "another")
    outcome = reprocess(order)
    assert outcome.kind == "failed"
    assert "has other versions than this program: numeric another" in outcome.reason
    assert not Path(order.folder).exists()


def test_compare_and_accept_and_the_old_results_are_kept(reprocessed: Path) -> None:
    plan = plan_of(reprocessed)
    waiting = plan.of(State.REPROCESSED)
    old = {one.weld: digests(Path(one.result)) for one in waiting}
    new = {one.weld: digests(Path(one.result + ".reprocessed")) for one in waiting}

    changes, pictures = compare_pairs(pairs_of(waiting))
    for change in changes:
        # The same frames at the same places. The lower grid begins elsewhere, so that sums may
        # round to the next gray value: one of 50 or more that make a σ, in well below 1 % of all.
        assert change.pixels is not None
        assert change.pixels.equal > 0.99
        assert change.pixels.rms < 0.1 / 50
        assert change.positions is not None
        assert change.positions.largest_mm == 0
        assert change.look == ()
        assert change.new in pictures

    accepted = accept(reprocessed / STATE_FOLDER, waiting, 2)
    assert [one.weld for one in accepted] == ["W-0001", "W-0002"]
    assert not any(one.note for one in accepted)
    for one in accepted:
        assert digests(one.result) == new[one.weld]
        assert digests(one.kept) == old[one.weld]
        assert one.kept.name.startswith("result.before-")
        last = read_audit_log(log_folder(one.result.parent, one.weld))[-1]
        assert (last.action, last.details["kept"]) == ("accept", one.kept.name)
    assert set(states(plan_of(reprocessed)).values()) == {"current"}
    assert not interrupted(reprocessed / STATE_FOLDER)


@pytest.mark.parametrize("renames", [1, 2, 3, 4])
def test_an_accept_that_is_cut_off_is_completed_by_the_next(
    reprocessed: Path, monkeypatch: pytest.MonkeyPatch, renames: int
) -> None:
    """Two welds take four renames; each is the one at which the disk goes away."""
    waiting = plan_of(reprocessed).of(State.REPROCESSED)
    new = {one.weld: digests(Path(one.result + ".reprocessed")) for one in waiting}
    done = 0
    rename = Path.rename

    def cut(self: Path, target: Path) -> Path:
        nonlocal done
        if "result" in self.name:
            done += 1
            if done == renames:
                raise OSError(5, "Input/output error")
        return rename(self, target)

    with monkeypatch.context() as patched:
        patched.setattr(Path, "rename", cut)
        with pytest.raises(OutputError, match="call girthstrip batch accept again"):
            accept(reprocessed / STATE_FOLDER, waiting, 1)
    assert interrupted(reprocessed / STATE_FOLDER)
    accepted = complete(reprocessed / STATE_FOLDER)
    assert {one.weld: digests(one.result) for one in accepted} == new
    for one in accepted:
        told = read_audit_log(log_folder(one.result.parent, one.weld))
        assert sum(record.action == "accept" for record in told) == 1
        assert sorted(path.name for path in one.result.parent.iterdir()) == sorted(
            ["audit-log", "frames", "result", one.kept.name, "weld.toml"]
        )
    assert complete(reprocessed / STATE_FOLDER) == []


def test_nothing_is_accepted_where_one_new_result_is_not_sound(reprocessed: Path) -> None:
    waiting = plan_of(reprocessed).of(State.REPROCESSED)
    strip = Path(waiting[1].result + ".reprocessed", "strip.tif")
    content = bytearray(strip.read_bytes())
    content[len(content) // 2] ^= 0x40
    strip.write_bytes(content)
    before = digests(reprocessed / "welds")
    with pytest.raises(InputError, match="1 of 2 new results aren't sound, so none was accepted"):
        accept(reprocessed / STATE_FOLDER, waiting, 1)
    assert digests(reprocessed / "welds") == before
    assert not interrupted(reprocessed / STATE_FOLDER)
    assert [one.weld for one in accept(reprocessed / STATE_FOLDER, waiting[:1], 1)] == ["W-0001"]
