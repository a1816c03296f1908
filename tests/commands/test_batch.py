"""``girthstrip batch`` as it is called: what it prints, writes and ends with."""

from __future__ import annotations

import csv
import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.cli import run
from tests.batch.conftest import reprocessed, reprocessed_tree, stitched_tree, tree
from tests.batch.planned import reprocess_all
from tests.batch.trees import lower_strip

__all__ = ["reprocessed", "reprocessed_tree", "stitched_tree", "tree"]

Call = Callable[..., tuple[int, str, str]]


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str]) -> Call:
    """Run a command in this process: exit code, stdout, stderr."""

    def _call(*arguments: object) -> tuple[int, str, str]:
        code = run(["batch", *map(str, arguments), "--quiet"])
        out, err = capsys.readouterr()
        return code, out, err

    return _call


def edit(tree: Path, weld: str, old: str, new: str) -> None:
    config = tree / "welds" / weld / "weld.toml"
    text = config.read_text(encoding="utf-8")
    assert text.count(old) == 1
    config.write_text(text.replace(old, new), encoding="utf-8")


def test_plan_compare_and_accept(tree: Path, call: Call, tmp_path: Path) -> None:
    lower_strip(tree, "w0001")
    edit(
        tree,
        "w0002",
        "[stages.registration]",
        "[limits]\nresidual_px = 1e-9\n\n[stages.registration]",
    )
    code, out, _ = call("plan", tree)
    assert code == 0
    assert re.search(r"^current +1 ", out, re.MULTILINE)
    assert re.search(r"^stale +2 ", out, re.MULTILINE)
    assert re.search(
        r"^cost +2 welds, 7\.864 Mpx of raw frames: .* of 3 strips$", out, re.MULTILINE
    )
    assert "W-0002: config: limits.residual_px 0.5 → 1e-09" in out
    told = json.loads(call("plan", tree, "--json")[1])
    assert told["count"]["stale"] == 2
    assert told["cost"]["raw_pixels"] == 2 * 32 * 320 * 384

    code, out, err = call("compare", tree)
    assert (code, out) == (2, "")
    assert "has no new results to compare" in err

    reprocess_all(tree)
    code, out, _ = call("compare", tree, "--out", tmp_path / "changes")
    assert code == 3, "a verdict became fail"
    assert re.search(r"^look at +1$", out, re.MULTILINE)
    assert "W-0002: its verdict was pass and is fail; registration.residual_px was pass" in out
    assert re.search(r"^same strip +1: ", out, re.MULTILINE)
    folder = tmp_path / "changes"
    assert {path.name for path in folder.iterdir()} == {
        "changes.html", "changes.csv", "changes.json", "differences",
    }  # fmt: skip
    (picture,) = (folder / "differences").iterdir()
    assert picture.name == "00002_W-0001.png"
    with (folder / "changes.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["weld"] for row in rows] == ["W-0002", "W-0001"], "worse verdicts first"
    assert (rows[0]["same_strip"], rows[0]["verdict_new"]) == ("1", "fail")
    record = json.loads((folder / "changes.json").read_text(encoding="utf-8"))
    assert record["verdicts"] == [
        {"new": "fail", "old": "pass", "welds": 1},
        {"new": "pass", "old": "pass", "welds": 1},
    ]
    assert set(record["changes"][0]["same"]) == {"strip.tif", "maps.tif", "positions.csv"}
    page = (folder / "changes.html").read_text(encoding="utf-8")
    assert page.index(">W-0002</a>") < page.index('id="weld-1"')
    assert "its verdict was pass and is fail" in page
    assert "http" not in page.replace("http-equiv", "")

    code, _, err = call("accept", tree, "--weld", "W-0003")
    assert code == 2
    assert "there is no new result of W-0003 to accept" in err
    code, out, _ = call("accept", tree, "--weld", "W-0001")
    assert code == 0
    assert "W-0001: " in out
    assert "before: result.before-" in out
    told = json.loads(call("plan", tree, "--json")[1])
    assert {key: count for key, count in told["count"].items() if count} == {
        "current": 2, "reprocessed": 1,
    }  # fmt: skip
    code, out, _ = call("run", tree)
    assert code == 0
    assert "nothing was to be done" in out
    assert call("accept", tree)[0] == 0
    assert "nothing: no new result waits" in call("accept", tree)[1]
    assert run(["archive", "audit", str(tree), "--strips", "--quiet", "--json"]) == 0


def test_the_audit_knows_accepted_results_and_kept_ones(
    reprocessed: Path, call: Call, capsys: pytest.CaptureFixture[str]
) -> None:
    for _ in range(2):  # while it waits, and once it is accepted
        assert run(["archive", "audit", str(reprocessed), "--strips", "--quiet", "--json"]) == 0
        kinds = {one["kind"] for one in json.loads(capsys.readouterr().out)["findings"]}
        assert kinds.isdisjoint({"changed_since", "not_in_log", "broken_log", "other_strip"})
        assert call("accept", reprocessed)[0] == 0


def test_an_accept_that_was_cut_off_is_told_and_completed(
    reprocessed: Path, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patched:

        def cut(*_: object) -> None:
            raise KeyboardInterrupt

        patched.setattr("pipeline.batch.accept._moved", cut)
        assert call("accept", reprocessed)[0] == 130
    for command in ("plan", "compare", "run"):
        code, _, err = call(command, reprocessed)
        assert code == 2
        assert "an accept was interrupted" in err
    code, out, _ = call("accept", reprocessed)
    assert code == 0
    assert "W-0001: " in out


def test_two_results_are_compared_by_name(tree: Path, call: Call, tmp_path: Path) -> None:
    result = tree / "welds" / "w0001" / "result"
    other = tmp_path / "copy"
    shutil.copytree(result, other)
    code, out, _ = call("compare", result, other, "--json")
    assert code == 0
    (change,) = json.loads(out)["changes"]
    assert change["identical"]
    (other / "quality.json").write_text("{}", encoding="utf-8")
    code, out, _ = call("compare", result, other, "--json")
    (change,) = json.loads(out)["changes"]
    assert "schema is None" in change["fault"]


def test_sweep_puts_settings_side_by_side_and_goes_on(
    tree: Path, call: Call, tmp_path: Path
) -> None:
    config = tree / "welds" / "w0001" / "weld.toml"
    out = tmp_path / "sweep"
    words = ("sweep", config, "--vary", "stages.blending.taper_px=32", "--vary",
             "limits.residual_px=1e-9,0.5", "--out", out, "--rounds", 1, "--json")  # fmt: skip
    code, text, _ = call(*words)
    assert code == 0
    told = json.loads(text)
    assert [(one["checks_fail"], one["as_own"]) for one in told["trials"]] == [
        (0, False), (1, False), (0, False),
    ]  # fmt: skip
    assert told["trials"][2]["setting"] == "stages.blending.taper_px = 32, limits.residual_px = 0.5"
    assert told["recommended"] != told["trials"][1]["setting"]
    assert "2 of 3 settings have the fewest checks beyond their limits" in told["why"]
    assert told["recommended"] in (out / "sweep.html").read_text(encoding="utf-8")
    made = {path: path.stat().st_mtime_ns for path in out.rglob("quality.json")}
    assert len(made) == 3
    assert call(*words)[0] == 0
    assert {path: path.stat().st_mtime_ns for path in out.rglob("quality.json")} == made

    code, _, err = run_faulty(call, config, "stages.blending.taper=32", out)
    assert code == 2
    assert "stages.blending.taper = 32: there is no such key" in err
    code, _, err = run_faulty(call, config, "stages.blending.taper_px=-1", out)
    assert code == 2
    assert "stages.blending.taper_px = -1" in err


def run_faulty(call: Call, config: Path, vary: str, out: Path) -> tuple[int, str, str]:
    return call("sweep", config, "--vary", vary, "--out", out)


@pytest.mark.parametrize("command", ["plan", "run", "compare", "accept"])
def test_what_is_not_there_is_told_and_nothing_is_made(
    call: Call, tmp_path: Path, command: str
) -> None:
    code, _, err = call(command, tmp_path / "nowhere")
    assert code == 2
    assert "nowhere: there is no such folder" in err
    assert list(tmp_path.iterdir()) == []
