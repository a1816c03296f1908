"""``girthstrip archive audit``: everything that needs a question is named, and nothing else."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from functools import cache
from pathlib import Path

import pytest
import tifffile

import pipeline
from pipeline.cli import run
from pipeline.io.audit_log import add_audit_record, log_folder, read_audit_log
from pipeline.io.strip import read_strip, write_strip
from pipeline.outputs.audit.figure_words import figure_words
from tests.outputs.audit.archive_folder import digests_of, write_result
from tests.quality.evidence.welds import Gray, Job, make_job, shoot, turned, weld_thickness
from tests.weld_folder import WeldFolder, digests, stitch

Capture = pytest.CaptureFixture[str]
PACKAGE = Path(pipeline.__file__).parent
WHO = ("panel", "operator")


@cache
def job() -> Job:
    return make_job("small")


@cache
def strip(weld: int) -> Gray:
    return shoot(job(), weld_thickness(job(), weld), weld)


def put(root: Path, folder: str, number: int, **more: object) -> Path:
    gray = more.pop("gray", None)
    return write_result(
        root / folder,
        strip(number) if gray is None else gray,
        circumference_mm=job().circumference_mm,
        **{"weld": folder, **more},
    )


def audited(root: Path, capsys: Capture, *options: str) -> dict[str, list[dict[str, object]]]:
    """The findings by kind."""
    capsys.readouterr()
    assert run(["archive", "audit", str(root), "--json", "--quiet", *options]) == 0
    found: dict[str, list[dict[str, object]]] = {}
    for one in json.loads(capsys.readouterr().out)["findings"]:
        found.setdefault(one["kind"], []).append(one)
    return found


def test_an_honest_archive_raises_no_question(tmp_path: Path, capsys: Capture) -> None:
    for number in range(4):
        put(tmp_path, f"W-{number}", number)
    before = digests(tmp_path)
    assert audited(tmp_path, capsys) == {}
    assert run(["archive", "audit", str(tmp_path)]) == 0
    assert "nothing here needs a question" in capsys.readouterr().out
    assert digests(tmp_path) == before
    out = tmp_path.with_name("audit-page")
    assert run(["archive", "audit", str(tmp_path), "--out", str(out), "--quiet"]) == 0
    page = (out / "audit.html").read_text(encoding="utf-8")
    assert page.count("Nothing here needs a question") == 1
    assert "0 things" not in page


def test_a_log_that_is_no_table_is_a_question_not_a_fault(tmp_path: Path, capsys: Capture) -> None:
    put(tmp_path, "W-0", 0)
    log = put(tmp_path, "W-1", 1) / "quality.json"
    log.write_text(json.dumps(json.loads(log.read_text()) | {"weld": []}))
    (one,) = audited(tmp_path, capsys)["unreadable"]
    assert one["folders"] == ["W-1"]


def test_every_figure_has_words() -> None:
    """Figures are written down under short names in these files."""
    named = set()
    for name in ("outputs/audit/likeness", "outputs/audit/panels", "quality/evidence/schedule"):
        text = (PACKAGE / f"{name}.py").read_text(encoding="utf-8")
        named |= set(re.findall(r'"(\w+)": [^"]', text))
    figures = dict.fromkeys((*named, *WHO), 1.0)
    assert len(figures) > 20
    assert len(figure_words(figures)) == len(figures)


def test_one_weld_processed_twice_is_no_question(tmp_path: Path, capsys: Capture) -> None:
    put(tmp_path, "march", 1, weld="W-1")
    put(tmp_path, "april", 1, weld="W-1")
    assert audited(tmp_path, capsys) == {}


def test_two_scans_under_one_name_and_shot(tmp_path: Path, capsys: Capture) -> None:
    put(tmp_path, "march", 1, weld="W-1")
    put(tmp_path, "april", 2, weld="W-1", digests=digests_of("W-2"))
    put(tmp_path, "may", 1, weld="W-1", digests=digests_of("again"), shot="RS1")
    found = audited(tmp_path, capsys)
    assert set(found) == {"two_scans"}
    (one,) = found["two_scans"]
    assert one["folders"] == ["april", "march"]
    assert "it wasn't found that they show the same metal" in str(one["what"])
    assert one["figures"] == {"frames_in_common": 0, "frames_of_each": "60 and 60"}

    shutil.rmtree(tmp_path / "april")
    put(tmp_path, "april", 1, weld="W-1", digests=digests_of("W-2"))
    (one,) = audited(tmp_path, capsys)["two_scans"]
    assert "they show the same metal" in str(one["what"])


def test_a_result_whose_log_was_removed_is_asked_about(tmp_path: Path, capsys: Capture) -> None:
    for number in (1, 2):
        folder = put(tmp_path, f"W-{number}", number)
        digest = hashlib.sha256((folder / "quality.json").read_bytes()).hexdigest()
        add_audit_record(tmp_path, folder.name, "stitch", {"log": digest}, {"folder": folder.name})
    assert audited(tmp_path, capsys) == {}
    shutil.rmtree(log_folder(tmp_path, "W-1"))
    (one,) = audited(tmp_path, capsys)["not_in_log"]
    assert one["welds"] == ["W-1"]
    assert "has no log of this weld" in str(one["what"])
    add_audit_record(tmp_path, "W-1", "export", {}, {"folder": "W-1"})  # buries nothing
    (one,) = audited(tmp_path, capsys)["not_in_log"]
    assert "1 record, " in str(one["what"])


def test_the_same_frames_and_the_same_weld_under_two_names(tmp_path: Path, capsys: Capture) -> None:
    put(tmp_path, "W-0", 0)
    put(tmp_path, "W-1", 1)
    put(tmp_path, "W-2", 1, gray=turned(strip(1), 0.4), digests=digests_of("W-1"))
    found = audited(tmp_path, capsys)
    assert set(found) == {"same_frames", "same_weld"}
    (frames,), (weld,) = found["same_frames"], found["same_weld"]
    assert frames["welds"] == weld["welds"] == ["W-1", "W-2"]
    assert frames["figures"]["frames_in_common"] == 60  # type: ignore[index]
    assert "moved on by" in str(weld["what"])


def test_the_page_shows_both_strips_and_needs_no_network(tmp_path: Path, capsys: Capture) -> None:
    put(tmp_path / "welds", "W-1", 1)
    put(tmp_path / "welds", "W-2", 1)
    out = tmp_path / "audit"
    assert run(["archive", "audit", str(tmp_path / "welds"), "--out", str(out)]) == 0
    page = (out / "audit.html").read_text(encoding="utf-8")
    assert page.count("data:image/png;base64,") == 2
    assert not re.search(r"(?:src|href)=\"(?!data:)", page)
    assert "questions, no accusations" in page
    assert "Places alike" in page
    assert "places_alike" not in page
    record = json.loads((out / "audit.json").read_text())
    assert record["count"] == {"same_weld": 1}
    assert run(["archive", "audit", str(tmp_path / "welds"), "--out", str(out)]) == 2


def test_an_exchanged_strip_and_a_broken_record(tmp_path: Path, capsys: Capture) -> None:
    put(tmp_path, "W-0", 0)
    put(tmp_path, "W-1", 1, name_in_strip="W-9")
    (put(tmp_path, "W-2", 2) / "strip.tif").write_bytes(b"II*\0 cut short")
    (put(tmp_path, "W-3", 3) / "quality.json").write_text("{")
    found = audited(tmp_path, capsys)
    assert set(found) == {"other_name_inside", "unreadable"}
    assert [one["folders"] for one in found["unreadable"]] == [["W-2"], ["W-3"]]


def test_times_that_cannot_be(tmp_path: Path, capsys: Capture) -> None:
    times = {"first_time": "2026-03-02T08:00:00+00:00", "last_time": "2026-03-02T08:10:00+00:00"}
    put(tmp_path, "W-0", 0, **times)
    put(tmp_path, "W-1", 1, **times)
    (one,) = audited(tmp_path, capsys)["at_once"]
    assert one["welds"] == ["W-0", "W-1"]


def test_a_folder_without_welds_is_told(tmp_path: Path, capsys: Capture) -> None:
    assert run(["archive", "audit", str(tmp_path)]) == 2
    assert "holds no welds" in capsys.readouterr().err


def test_a_changed_log_and_a_changed_result(tmp_path: Path, capsys: Capture) -> None:
    folder = put(tmp_path, "W-0", 0)
    now = digests(folder)
    made = {"log": now["quality.json"], "strip": now["strip.tif"]}
    add_audit_record(tmp_path, "W-0", "stitch", made, {"folder": "W-0"})
    assert audited(tmp_path, capsys, "--strips") == {}
    text = (folder / "quality.json").read_text()
    (folder / "quality.json").write_text(text.replace("A. Example", "B. Example"))
    assert set(audited(tmp_path, capsys)) == {"changed_since"}
    path = log_folder(tmp_path, "W-0") / "records" / "000001.json"
    path.chmod(0o644)
    path.write_text(path.read_text().replace("stitch", "Stitch"))
    assert set(audited(tmp_path, capsys)) == {"broken_log"}


def test_what_stitch_made_is_logged_and_holds(
    small_weld: WeldFolder, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A real run: its log, its frames against their panel, and a frame of another panel."""
    monkeypatch.setattr("pipeline.outputs.report.page.render_page", lambda *_: "")
    ended = stitch(small_weld, capsys)
    assert ended.code in (0, 3), ended.err
    assert run(["measure", str(small_weld.result)]) in (0, 3)
    records = read_audit_log(log_folder(small_weld.path, ended.log.weld.id))
    assert [one.action for one in records] == ["stitch", "measure"]
    made = digests(small_weld.result)
    assert records[0].identities["strip"] == made["strip.tif"]
    assert records[0].identities["log"] == made["quality.json"]
    assert records[0].identities["config"] == made["config.toml"]
    assert records[0].identities["calibration"] == ended.log.calibration.identity
    assert audited(small_weld.path, capsys, "--strips", "--frames", "40") == {}

    strip, metadata = read_strip(small_weld.result / "strip.tif")
    pitch_mm = metadata.pop("pitch_mm")
    strip[100, 100] += 1
    write_strip(small_weld.result / "strip.tif", strip, pitch_mm=pitch_mm, metadata=metadata)
    found = audited(small_weld.path, capsys, "--strips")
    assert set(found) == {"other_strip", "changed_since"}

    # Turned by half, a frame shows the same metal upside down, but its pixels are elsewhere.

    foreign = small_weld.frame(9)
    tifffile.imwrite(foreign, tifffile.imread(foreign)[::-1, ::-1])
    (one,) = audited(small_weld.path, capsys, "--frames", "40")["foreign_panel"]
    assert one["figures"]["frame"] == foreign.name  # type: ignore[index]


def test_a_log_that_cannot_be_written_loses_no_strip(
    small_weld: WeldFolder, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipeline.outputs.report.page.render_page", lambda *_: "")
    (small_weld.path / "audit-log").write_text("in the way")
    ended = stitch(small_weld, capsys)
    assert ended.code in (0, 3)
    assert (small_weld.result / "strip.tif").is_file()
    assert "done, but the audit log doesn't know of it" in ended.err
    shutil.rmtree(small_weld.result)
