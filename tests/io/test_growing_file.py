"""Records that only grow: killed writers, writers at once, damage, what may not be written."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import pytest

from pipeline.errors import InputError, OutputError
from pipeline.io.growing_file import GrowingFile, Record

SCHEMA = "girthstrip.test/1"
WRITER = """
import sys
from pathlib import Path
from pipeline.io.growing_file import GrowingFile
path, name, count = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
file = GrowingFile(path, "girthstrip.test/1")
for number in range(count):
    seen = len(file.append(lambda records: {"who": name, "number": number, "before": len(records)}))
    print(number, flush=True)
"""


def writer(path: Path, name: str, count: int) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", WRITER, str(path), name, str(count)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def add(path: Path, **record: object) -> Sequence[Record]:
    return GrowingFile(path, SCHEMA).append(lambda _: record)


def test_what_was_written_is_read(tmp_path: Path) -> None:
    path = tmp_path / "x.jsonl"
    file = GrowingFile(path, SCHEMA)
    assert file.read() == ((), ())
    for number in range(3):
        add(path, number=number)
    records, damaged = file.read()
    assert [one["number"] for one in records] == [0, 1, 2]
    assert damaged == ()
    lines = path.read_bytes().splitlines()
    told = [json.loads(line)["previous"] for line in lines]
    assert told == [None, *(hashlib.sha256(line).hexdigest() for line in lines[:-1])]


def test_two_writers_at_once_lose_nothing(tmp_path: Path) -> None:
    path = tmp_path / "x.jsonl"
    writers = [writer(path, name, 40) for name in "ab"]
    for one in writers:
        one.communicate(timeout=120)
        assert one.returncode == 0
    records, damaged = GrowingFile(path, SCHEMA).read()
    assert damaged == ()
    assert [one["before"] for one in records] == list(range(80))  # each saw all before it
    for name in "ab":
        assert [one["number"] for one in records if one["who"] == name] == list(range(40))


def test_a_killed_writer_loses_nothing_that_it_was_told_is_written(tmp_path: Path) -> None:
    path = tmp_path / "x.jsonl"
    with writer(path, "a", 1_000_000) as killed:
        assert killed.stdout is not None
        killed.stdout.readline()
        time.sleep(0.2)
        killed.kill()
        told = len(killed.stdout.read().splitlines()) + 1
    records, damaged = GrowingFile(path, SCHEMA).read()
    assert damaged == ()
    assert told <= len(records) <= told + 1
    assert len(add(path, who="b")) == len(records) + 1


@pytest.mark.parametrize("cut", [1, 10, 60])
def test_a_line_cut_short_is_no_record_and_stays(tmp_path: Path, cut: int) -> None:
    path = tmp_path / "x.jsonl"
    add(path, number=0)
    add(path, number=1)
    path.write_bytes(path.read_bytes()[:-cut])
    file = GrowingFile(path, SCHEMA)
    assert [one["number"] for one in file.read()[0]] == [0]
    before = path.read_bytes()
    file.append(lambda _: {"number": 2})
    records, damaged = file.read()
    numbers = [one["number"] for one in records]
    # Where only the line's end was lost the record is whole again, and so is the chain's fault.
    assert numbers[0] == 0
    assert numbers[-1] == 2
    assert damaged
    assert path.read_bytes().startswith(before)


def test_a_changed_line_shows_and_the_others_stay(tmp_path: Path) -> None:
    path = tmp_path / "x.jsonl"
    for number in range(3):
        add(path, number=number)
    path.write_bytes(path.read_bytes().replace(b'"number": 1', b'"number": 7'))
    records, damaged = GrowingFile(path, SCHEMA).read()
    assert [one["number"] for one in records] == [0, 7, 2]
    assert damaged == (3,)  # the line after it doesn't follow from it


def test_a_line_taken_out_shows(tmp_path: Path) -> None:
    path = tmp_path / "x.jsonl"
    for number in range(3):
        add(path, number=number)
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(lines[0] + lines[2])
    assert GrowingFile(path, SCHEMA).read()[1] == (2,)


def test_garbage_is_no_record(tmp_path: Path) -> None:
    path = tmp_path / "x.jsonl"
    path.write_bytes(b"\xff\x00\n[1]\n" + b"[" * 100_000 + b"\n{}\n")
    assert GrowingFile(path, SCHEMA).read() == ((), (1, 2, 3, 4))
    assert len(add(path, number=0)) == 1


def test_nothing_is_written_where_making_fails(tmp_path: Path) -> None:
    path = tmp_path / "x.jsonl"
    add(path, number=0)
    before = path.read_bytes()

    def fail(_: Sequence[Record]) -> Record:
        raise InputError("not this")

    with pytest.raises(InputError, match="not this"):
        GrowingFile(path, SCHEMA).append(fail)
    assert path.read_bytes() == before


def test_links_and_closed_folders_are_refused(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").write_text("kept", encoding="ascii")
    (tmp_path / "x.jsonl").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(OutputError, match="can't be written"):
        add(tmp_path / "x.jsonl")
    with pytest.raises(InputError, match="can't be read"):
        GrowingFile(tmp_path / "x.jsonl", SCHEMA).read()
    assert (tmp_path / "elsewhere").read_text(encoding="ascii") == "kept"
    (tmp_path / "quality.json").write_text("{}", encoding="ascii")
    with pytest.raises(OutputError, match="result"):
        add(tmp_path / "y.jsonl")
    assert not (tmp_path / "y.jsonl").exists()


def test_a_file_put_back_from_a_copy_is_read_anew(tmp_path: Path) -> None:
    path = tmp_path / "x.jsonl"
    file = GrowingFile(path, SCHEMA)
    for number in range(3):
        file.append(lambda _, number=number: {"number": number})  # type: ignore[misc]
    path.write_bytes(path.read_bytes().splitlines(keepends=True)[0])
    assert [one["number"] for one in file.read()[0]] == [0]
