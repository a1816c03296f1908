"""The audit log: it grows, it names who, and what was changed in it is found."""

from __future__ import annotations

import hashlib
import json
import multiprocessing
from pathlib import Path

import pytest

from pipeline.errors import InputError, OutputError
from pipeline.io.audit_log import WHO, add_audit_record, log_folder, read_audit_log


def add(parent: Path, action: str) -> None:
    add_audit_record(parent, "W-1", action, {"strip": "0" * 64}, {"folder": "result"})


def test_records_come_back_in_their_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(WHO, "C. Example")
    for action in ("stitch", "measure", "send"):
        add(tmp_path, action)
    records = read_audit_log(log_folder(tmp_path, "W-1"))
    assert [one.action for one in records] == ["stitch", "measure", "send"]
    assert records[0].who.startswith("C. Example (")
    assert records[0].identities == {"strip": "0" * 64}
    assert sorted(one.when for one in records) == [one.when for one in records]


def test_each_record_holds_the_digest_of_the_one_before(tmp_path: Path) -> None:
    """Followed by hand, with hashlib and json alone."""
    for action in ("stitch", "measure", "send"):
        add(tmp_path, action)
    folder = log_folder(tmp_path, "W-1")
    before = None
    for path in sorted((folder / "records").iterdir()):
        assert json.loads(path.read_text())["previous"] == before
        before = hashlib.sha256(path.read_bytes()).hexdigest()
    assert json.loads((folder / "log.json").read_text())["last"] == before


@pytest.mark.parametrize("number", [1, 2, 3])
@pytest.mark.parametrize("harm", ["change", "remove"])
def test_a_record_that_was_changed_or_removed_is_found(
    tmp_path: Path, number: int, harm: str
) -> None:
    for action in ("stitch", "measure", "send"):
        add(tmp_path, action)
    folder = log_folder(tmp_path, "W-1")
    path = folder / "records" / f"{number:06d}.json"
    if harm == "remove":
        path.unlink()
    else:
        text = path.read_text().replace('"W-1"', '"W-2"')
        path.chmod(0o644)
        path.write_text(text)
    with pytest.raises(InputError, match="Ask who has changed it"):
        read_audit_log(folder)


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize("count", [1, 2])
@pytest.mark.parametrize("harm", ["change", "remove", "head"])
def test_nothing_is_added_to_a_log_whose_end_was_changed(
    tmp_path: Path, count: int, harm: str
) -> None:
    for _ in range(count):
        add(tmp_path, "stitch")
    folder = log_folder(tmp_path, "W-1")
    last = folder / "records" / f"{count:06d}.json"
    if harm == "change":
        text = last.read_text().replace('"W-1"', '"W-2"')
        last.chmod(0o644)
        last.write_text(text)
    else:
        (last if harm == "remove" else folder / "log.json").unlink()
    before = contents(folder)
    for _ in range(2):
        with pytest.raises(InputError, match=r"Ask who has changed it|can't be read"):
            add(tmp_path, "export")
    assert contents(folder) == before
    with pytest.raises(InputError):
        read_audit_log(folder)


def test_a_head_that_a_power_cut_left_behind_is_mended(tmp_path: Path) -> None:
    add(tmp_path, "stitch")
    head = log_folder(tmp_path, "W-1") / "log.json"
    behind = head.read_text()
    add(tmp_path, "measure")
    head.write_text(behind)
    add(tmp_path, "export")
    assert len(read_audit_log(head.parent)) == 3
    assert json.loads(head.read_text())["records"] == 3


def test_what_follows_a_head_that_is_behind_must_follow_from_it(tmp_path: Path) -> None:
    for _ in range(2):
        add(tmp_path, "stitch")
    head = log_folder(tmp_path, "W-1") / "log.json"
    behind = head.read_text()
    add(tmp_path, "measure")
    last = head.parent / "records" / "000003.json"
    forged = json.loads(last.read_text()) | {"previous": "0" * 64}
    last.chmod(0o644)
    last.write_text(json.dumps(forged))
    head.write_text(behind)
    with pytest.raises(InputError, match="doesn't follow"):
        add(tmp_path, "export")


def test_welds_whose_names_differ_have_logs_of_their_own(tmp_path: Path) -> None:
    names = ("W/1", "W-1", "W 1", "W:1", "../W-1", "Ü", "")
    folders = {log_folder(tmp_path, name) for name in names}
    assert len(folders) == len(names)
    assert {folder.parent for folder in folders} == {tmp_path / "audit-log"}


def _add_many(parent: Path) -> None:
    for _ in range(10):
        add(parent, "measure")


def test_several_at_once_lose_nothing(tmp_path: Path) -> None:
    context = multiprocessing.get_context("spawn")
    workers = [context.Process(target=_add_many, args=(tmp_path,)) for _ in range(3)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert len(read_audit_log(log_folder(tmp_path, "W-1"))) == 30


def test_a_log_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "audit-log").write_text("in the way")
    with pytest.raises(OutputError, match="audit log can't be begun"):
        add(tmp_path, "stitch")
