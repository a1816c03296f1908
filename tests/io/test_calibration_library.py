"""A library on disk: calibrations that never change, records that only grow, nothing unnoticed."""

from __future__ import annotations

import errno
import fcntl
import json
import os
import shutil
import stat
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from pipeline.calibration.decisions import Status, StatusRecord
from pipeline.calibration.product import CalibrationSet
from pipeline.errors import CalibrationError, OutputError
from pipeline.io.calibration_library import add_calibration, add_decision, is_library, read_library
from pipeline.io.calibration_store import read_calibration, write_calibration
from tests.calibration.ageing_panel import aged
from tests.io.frame_files import without_rights
from tests.weld_folder import digests, leftovers, read_json

WHEN = "2026-03-02T08:00:00+00:00"


def decision(
    calibration: CalibrationSet, status: Status = Status.RELEASED, **told: str
) -> StatusRecord:
    values = {"when": WHEN, "who": "C. Example", "reason": "so", **told}
    return StatusRecord(calibration.identity, status, **values)


@pytest.fixture
def sources(tmp_path: Path) -> dict[int, tuple[Path, CalibrationSet]]:
    """Calibrations of ages 0 and 1, each in a folder of its own."""
    made = {}
    for age in (0, 1):
        folder = tmp_path / f"age-{age}"
        write_calibration(folder, aged(age))
        made[age] = folder, aged(age)
    return made


@pytest.fixture
def library(tmp_path: Path, sources: dict[int, tuple[Path, CalibrationSet]]) -> Path:
    """A library with both, the first withdrawn."""
    folder = tmp_path / "library"
    for source, calibration in sources.values():
        add_calibration(folder, source, decision(calibration))
    add_decision(folder, decision(sources[0][1], Status.WITHDRAWN, reason="light leaked in"))
    return folder


def test_what_goes_in_comes_out_with_its_history(
    library: Path, sources: dict[int, tuple[Path, CalibrationSet]]
) -> None:
    assert is_library(library)
    known = read_library(library)
    first, second = known.entries
    assert first.name == f"TEST-1_2026-01-05_{first.identity[:12]}"
    assert [entry.identity for entry in known.entries] == [aged(0).identity, aged(1).identity]
    assert [str(record.status) for record in first.records] == ["released", "withdrawn"]
    assert first.records[1].reason == "light leaked in"
    assert (first.status, second.status) == (Status.WITHDRAWN, Status.RELEASED)
    assert first.facts == aged(0).facts
    for entry in known.entries:
        assert read_calibration(known.path(entry)).identity == entry.identity
    assert digests(known.path(first)) == digests(sources[0][0])
    assert leftovers(library) == []


def test_what_is_in_a_library_is_write_protected(library: Path) -> None:
    files = [path for path in library.rglob("*") if path.is_file()]
    protected = [path for path in files if path.name != "library.json"]
    assert protected
    assert all(stat.S_IMODE(path.stat().st_mode) == 0o444 for path in protected)


def test_the_same_decisions_give_the_same_bytes(
    library: Path, sources: dict[int, tuple[Path, CalibrationSet]], tmp_path: Path
) -> None:
    again = tmp_path / "again"
    for source, calibration in sources.values():
        add_calibration(again, source, decision(calibration))
    add_decision(again, decision(sources[0][1], Status.WITHDRAWN, reason="light leaked in"))
    assert digests(again) == digests(library)


def test_a_decision_only_adds_a_record(library: Path) -> None:
    before = digests(library)
    add_decision(library, decision(aged(1), Status.WITHDRAWN, reason="dropped"))
    after = digests(library)
    assert {name for name in before if after[name] != before[name]} == {"library.json"}
    assert set(after) - set(before) == {"status/000004.json"}


def test_a_withdrawn_calibration_comes_back_with_a_reason_and_is_not_copied_again(
    library: Path, sources: dict[int, tuple[Path, CalibrationSet]]
) -> None:
    source, calibration = sources[0]
    with pytest.raises(CalibrationError, match="comes back without a reason"):
        add_calibration(library, source, decision(calibration, reason=""))
    entry = add_calibration(library, source, decision(calibration, reason="it was the lamp"))
    assert entry.status is Status.RELEASED
    assert len(read_library(library).entries) == 2


def test_a_refused_decision_leaves_everything_as_it_was(
    library: Path, sources: dict[int, tuple[Path, CalibrationSet]]
) -> None:
    before = digests(library)
    with pytest.raises(CalibrationError, match="is released already"):
        add_calibration(library, sources[1][0], decision(sources[1][1]))
    with pytest.raises(CalibrationError, match="without a reason"):
        add_decision(library, decision(sources[1][1], Status.WITHDRAWN, reason=""))
    assert digests(library) == before


def test_many_at_once_each_leave_their_record(tmp_path: Path) -> None:
    folder = tmp_path / "library"
    ages = [0, 0.25, 0.5, 0.75, 1, 1.25]
    for age in ages:
        write_calibration(tmp_path / f"age-{age}", aged(age))
    add_calibration(folder, tmp_path / "age-0", decision(aged(0)))
    with ThreadPoolExecutor(len(ages)) as pool:
        done = [
            pool.submit(add_calibration, folder, tmp_path / f"age-{age}", decision(aged(age)))
            for age in ages[1:]
        ]
        for one in done:
            one.result()
    known = read_library(folder)
    assert {entry.identity for entry in known.entries} == {aged(age).identity for age in ages}
    assert all(entry.status is Status.RELEASED for entry in known.entries)


def test_nobody_else_can_write_while_a_decision_is_recorded(
    library: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    locked = []

    def look(*_: object) -> None:
        other = os.open(library / "status", os.O_RDONLY)
        try:
            fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            locked.append(True)
        finally:
            os.close(other)

    monkeypatch.setattr("pipeline.io.calibration_library.append_record", look)
    add_decision(library, decision(aged(1), Status.WITHDRAWN, reason="dropped"))
    assert locked == [True]


def test_a_copy_without_its_record_was_never_released(
    library: Path, sources: dict[int, tuple[Path, CalibrationSet]]
) -> None:
    """As if the tool had been killed between the two."""
    write_calibration(library.parent / "made", aged(2))
    shutil.copytree(library.parent / "made", library / "half-done")
    half = read_library(library).entries[-1]
    assert (half.name, half.status) == ("half-done", None)
    entry = add_calibration(library, library / "half-done", decision(aged(2)))
    assert (entry.name, entry.status) == ("half-done", Status.RELEASED)


# ---- what is wrong ------------------------------------------------------------------------------


def spoil(path: Path, text: str) -> None:
    path.chmod(0o644)
    path.write_text(text, encoding="ascii")


def records(library: Path) -> list[Path]:
    return sorted((library / "status").iterdir())


def test_a_changed_record_is_noticed(library: Path) -> None:
    first = records(library)[0]
    spoil(first, first.read_text(encoding="ascii").replace("C. Example", "D. Example"))
    with pytest.raises(CalibrationError, match=r"000002.json: doesn't follow from the record"):
        read_library(library)


def test_a_record_taken_out_is_noticed(library: Path) -> None:
    records(library)[1].unlink()
    with pytest.raises(CalibrationError, match=r"000003.json: is out of order.*000002.json"):
        read_library(library)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "can't be read"),
        ("[]", "is no record of a decision"),
        ('{"status": "released"}', "is no record of a decision"),
    ],
)
def test_a_damaged_record_is_refused(library: Path, text: str, said: str) -> None:
    spoil(records(library)[-1], text)
    with pytest.raises(CalibrationError, match=said):
        read_library(library)


@pytest.mark.parametrize(
    ("key", "value"),
    [("status", "burnt"), ("when", "soon"), ("who", 7), ("successor", 7)],
)
def test_a_record_with_impossible_values_is_refused(library: Path, key: str, value: object) -> None:
    last = records(library)[-1]
    content = json.loads(last.read_text(encoding="ascii"))
    spoil(last, json.dumps({**content, key: value}))
    with pytest.raises(CalibrationError, match="is no record of a decision"):
        read_library(library)


def test_a_calibration_that_is_gone_is_noticed(library: Path) -> None:
    shutil.rmtree(library / read_library(library).entries[0].name)
    with pytest.raises(CalibrationError, match=r"lacks calibration .*, released on 2026-03-02"):
        read_library(library)


def test_a_second_copy_is_refused(library: Path) -> None:
    name = read_library(library).entries[0].name
    shutil.copytree(library / name, library / "copy")
    with pytest.raises(CalibrationError, match="is the same calibration as"):
        read_library(library)


def test_a_foreign_folder_is_named_and_left_alone(library: Path) -> None:
    before = read_library(library)
    (library / "foreign").mkdir()
    (library / "foreign" / "notes.txt").write_text("mine", encoding="ascii")
    known = read_library(library)
    assert known.entries == before.entries
    assert (before.foreign, known.foreign) == ((), ("foreign",))
    add_decision(library, decision(aged(1), Status.WITHDRAWN, reason="dropped"))
    assert (library / "foreign" / "notes.txt").is_file()


def test_a_calibration_without_its_facts_is_not_taken_for_foreign(library: Path) -> None:
    name = read_library(library).entries[0].name
    (library / name / "calibration.json").unlink()
    with pytest.raises(CalibrationError, match=f"lacks calibration .*; {name} has no calibration"):
        read_library(library)


def test_nothing_is_written_into_a_library_but_by_its_own_module(library: Path) -> None:
    before = digests(library)
    name = read_library(library).entries[0].name
    for place in (library / name, library / "new", library / name / "new"):
        with pytest.raises(OutputError, match="nothing is ever written or changed"):
            write_calibration(place, aged(2), replace=True)
    assert digests(library) == before


def test_a_library_is_not_begun_in_a_calibration(
    sources: dict[int, tuple[Path, CalibrationSet]],
) -> None:
    source, calibration = sources[0]
    with pytest.raises(OutputError, match="lies in the calibration"):
        add_calibration(source / "library", source, decision(calibration))
    assert not (source / "library").exists()


@pytest.mark.parametrize("count", [1, 2, 3])
def test_the_last_records_taken_out_are_noticed(library: Path, count: int) -> None:
    for path in records(library)[-count:]:
        path.unlink()
    with pytest.raises(CalibrationError, match=rf"holds {3 - count} records; expected 3"):
        read_library(library)


def test_a_change_of_the_last_record_is_noticed(library: Path) -> None:
    last = records(library)[-1]
    spoil(last, last.read_text(encoding="ascii").replace("C. Example", "D. Example"))
    with pytest.raises(CalibrationError, match=r"000003.json: has been changed since it was made"):
        read_library(library)


def test_a_writer_killed_before_the_count_leaves_a_sound_library(library: Path) -> None:
    head = (library / "library.json").read_bytes()
    add_decision(library, decision(aged(1), Status.WITHDRAWN, reason="dropped"))
    (library / "library.json").write_bytes(head)  # as if killed before this was written anew
    assert read_library(library).entries[1].status is Status.WITHDRAWN
    add_decision(library, decision(aged(1), reason="it was the lamp"))
    assert read_json(library / "library.json")["records"] == 5


def test_a_library_begun_before_records_were_counted_is_read(library: Path) -> None:
    (library / "library.json").write_text(
        '{"schema": "girthstrip.calibration_library/1"}', encoding="ascii"
    )
    assert len(read_library(library).entries) == 2
    add_decision(library, decision(aged(1), Status.WITHDRAWN, reason="dropped"))
    assert read_json(library / "library.json")["records"] == 4


def test_what_a_killed_writer_left_is_cleared_by_the_next(library: Path) -> None:
    # 2**22 is the greatest process number that Linux gives, so this one never lives
    (library / ".TEST-1_x.partial-4194305").mkdir()
    (library / "status" / ".000004.json.partial").write_text("{", encoding="ascii")
    assert len(read_library(library).entries) == 2
    add_decision(library, decision(aged(1), Status.WITHDRAWN, reason="dropped"))
    assert leftovers(library) == []
    assert leftovers(library / "status") == []


def test_missing_rights_are_told_as_such(library: Path) -> None:
    with (
        without_rights(records(library)[0]),
        pytest.raises(
            CalibrationError, match=r"can't be read \(Permission denied\). Check the rights"
        ),
    ):
        read_library(library)


def test_folders_that_may_not_be_looked_into_are_told(
    library: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rights alone won't do: the superuser may look anywhere."""

    def refusing(path: Path, *_: object, **__: object) -> bool:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))

    said = r"can't be read \(Permission denied\). Check the rights of the library's"
    one = read_library(library).entries[0].name
    with monkeypatch.context() as patch:
        exists = Path.exists
        patch.setattr(Path, "exists", lambda p: refusing(p) if p.parent.name == one else exists(p))
        with pytest.raises(CalibrationError, match=f"{one}: {said}"):
            read_library(library)
    with monkeypatch.context() as patch:
        iterdir = Path.iterdir
        patch.setattr(Path, "iterdir", lambda p: refusing(p) if p.name == "status" else iterdir(p))
        with pytest.raises(CalibrationError, match=f"status: {said}"):
            read_library(library)


def test_without_its_first_file_the_missing_file_is_named(
    library: Path, sources: dict[int, tuple[Path, CalibrationSet]]
) -> None:
    (library / "library.json").unlink()
    with pytest.raises(CalibrationError, match=r"library\.json: is missing"):
        read_library(library)
    with pytest.raises(CalibrationError, match=r"library\.json: is missing"):
        add_calibration(library, sources[0][0], decision(sources[0][1]))


def test_what_is_no_library_is_refused(library: Path, tmp_path: Path) -> None:
    with pytest.raises(CalibrationError, match="is no library of calibrations"):
        read_library(tmp_path)
    (library / "library.json").write_text('{"schema": "else/1"}', encoding="ascii")
    with pytest.raises(CalibrationError, match="has schema 'else/1'"):
        read_library(library)
    (library / "library.json").write_text("[", encoding="ascii")
    with pytest.raises(CalibrationError, match="can't be read"):
        read_library(library)


def test_without_its_records_a_library_is_refused(library: Path) -> None:
    shutil.rmtree(library / "status")
    with pytest.raises(CalibrationError, match="is missing; expected the folder of the library's"):
        read_library(library)


def test_a_library_is_not_begun_in_a_folder_with_other_things(
    tmp_path: Path, sources: dict[int, tuple[Path, CalibrationSet]]
) -> None:
    folder = tmp_path / "frames"
    folder.mkdir()
    (folder / "frame_0001.tif").write_bytes(b"frame")
    with pytest.raises(OutputError, match="neither a library nor an empty folder"):
        add_calibration(folder, sources[0][0], decision(sources[0][1]))
    assert [path.name for path in folder.iterdir()] == ["frame_0001.tif"]


def test_a_changed_calibration_is_not_taken_in(
    library: Path, tmp_path: Path, sources: dict[int, tuple[Path, CalibrationSet]]
) -> None:
    source = sources[1][0]
    text = (source / "calibration.json").read_text(encoding="ascii")
    (source / "calibration.json").write_text(text.replace("TEST-1", "TEST-2"), encoding="ascii")
    before = digests(library)
    with pytest.raises(CalibrationError, match="has been changed since it was made"):
        add_calibration(library, source, decision(sources[1][1]))
    assert digests(library) == before
