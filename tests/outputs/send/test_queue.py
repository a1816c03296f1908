"""The queue: what is in there, what can't get in, and that it survives."""

from __future__ import annotations

import os
import time
from collections import Counter
from contextlib import suppress
from pathlib import Path

import pydicom
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pynetdicom.status import STORAGE_SERVICE_CLASS_STATUS

from pipeline.errors import OutputError, SendError
from pipeline.outputs.send.admission import Admission
from pipeline.outputs.send.entry import State
from pipeline.outputs.send.instance import find_files, read_instance
from pipeline.outputs.send.queue import Queue
from pipeline.outputs.send.store import Ending, judge
from tests.outputs.send.dicom_files import write_file, write_welds


def test_a_file_is_queued_once_for_each_peer(tmp_path: Path) -> None:
    (path,) = write_welds(tmp_path / "files", 1)
    copy = tmp_path / "copy.dcm"
    copy.write_bytes(path.read_bytes())
    with Queue(tmp_path / "queue") as queue:
        assert queue.add("a", read_instance(path)) is Admission.NEW
        assert queue.add("a", read_instance(path)) is Admission.KNOWN
        assert queue.add("a", read_instance(copy)) is Admission.KNOWN  # the same instance
        assert queue.add("b", read_instance(path)) is Admission.NEW
        assert Counter(one.peer for one in queue.entries()) == {"a": 1, "b": 1}


def test_one_uid_for_two_contents_is_refused(tmp_path: Path) -> None:
    first = write_file(tmp_path / "one.dcm", "W-1", seed=1)
    image = pydicom.dcmread(first)
    image.PixelData = bytes(len(image.PixelData))
    pydicom.dcmwrite(tmp_path / "two.dcm", image)
    with Queue(tmp_path / "queue") as queue:
        queue.add("a", read_instance(first))
        with pytest.raises(SendError, match=r"but another content.*UID of its own"):
            queue.add("a", read_instance(tmp_path / "two.dcm"))


def repacked(path: Path, to: Path) -> Path:
    """The same image under the same UID, its pixels packed by pydicom."""
    image = pydicom.dcmread(path)
    image.compress(pydicom.uid.RLELossless, generate_instance_uid=False)
    pydicom.dcmwrite(to, image)
    return to


@pytest.mark.parametrize("state", [State.WAITING, State.REFUSED, State.HELD, State.DROPPED])
def test_what_has_not_arrived_gives_way_to_the_same_image_packed_otherwise(
    tmp_path: Path, state: State
) -> None:
    first = write_file(tmp_path / "one.dcm", "W-1")
    other = read_instance(repacked(first, tmp_path / "two.dcm"))
    with Queue(tmp_path / "queue") as queue:
        queue.add("a", read_instance(first))
        queue.update(queue.entries()[0], state)
        assert queue.add("a", other) is Admission.REPLACES
        (entry,) = queue.entries()
    assert (entry.state, entry.path, entry.sha256) == (State.WAITING, other.path, other.sha256)
    assert entry.transfer_syntax == pydicom.uid.RLELossless


@pytest.mark.parametrize("state", [State.DELIVERED, State.SENDING, State.DOUBTFUL])
def test_what_may_have_arrived_stays_and_the_other_packing_is_not_sent(
    tmp_path: Path, state: State
) -> None:
    first = write_file(tmp_path / "one.dcm", "W-1")
    other = repacked(first, tmp_path / "two.dcm")
    with Queue(tmp_path / "queue") as queue:
        queue.add("a", read_instance(first))
        queue.update(queue.entries()[0], state)
        assert queue.add("a", read_instance(other)) is Admission.REPACKED
        (entry,) = queue.entries()
    assert (entry.state, entry.path) == (state, first)


def test_a_held_file_that_was_moved_is_taken_from_its_new_place(tmp_path: Path) -> None:
    first = write_file(tmp_path / "one.dcm", "W-1")
    with Queue(tmp_path / "queue") as queue:
        queue.add("a", read_instance(first))
        queue.update(queue.entries()[0], State.HELD, told="the file is gone")
        first.rename(tmp_path / "two.dcm")
        assert queue.add("a", read_instance(tmp_path / "two.dcm")) is Admission.REPLACES
        (entry,) = queue.entries()
    assert (entry.state, entry.path) == (State.WAITING, tmp_path / "two.dcm")


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"no picture", "is no DICOM file"),
        (b"", "is no DICOM file"),
        (bytes(128) + b"DICM", "is no DICOM file|can't be read"),
        (bytes(128) + b"DICM" + os.urandom(64), "DICOM"),
    ],
)
def test_what_is_no_dicom_file_is_named(tmp_path: Path, content: bytes, message: str) -> None:
    path = tmp_path / "odd.dcm"
    path.write_bytes(content)
    with pytest.raises(SendError, match=message) as caught:
        read_instance(path)
    assert caught.value.where == str(path)


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(at=st.integers(0, 700), byte=st.integers(0, 255))
def test_a_damaged_header_never_brings_a_traceback(tmp_path: Path, at: int, byte: int) -> None:
    path = write_file(tmp_path / "W.dcm", "W-1", side=8)
    content = bytearray(path.read_bytes())
    content[at % len(content)] = byte
    path.write_bytes(content)
    with suppress(SendError):
        assert read_instance(path).sop_instance


def test_folders_without_dicom_files_are_named(tmp_path: Path) -> None:
    with pytest.raises(SendError, match="holds no DICOM file"):
        find_files([tmp_path])
    with pytest.raises(SendError, match="no such file"):
        find_files([tmp_path / "nowhere"])


def test_a_full_disk_is_told_and_nothing_is_lost(tmp_path: Path) -> None:
    """SQLite's own limit of pages stands for the disk: it ends in the same error."""
    instances = [read_instance(path) for path in write_welds(tmp_path / "files", 40, side=8)]
    with Queue(tmp_path / "queue") as queue:
        queue._database.execute("PRAGMA max_page_count = 8")
        with pytest.raises(OutputError, match=r"no room is left.*Free some space"):
            for instance in instances:
                queue.add("a", instance)
        kept = len(queue.entries())
    assert 0 < kept < 40
    with Queue(tmp_path / "queue") as queue:
        assert [one.state for one in queue.entries()] == [State.WAITING] * kept
        assert sum(queue.add("a", one) is Admission.NEW for one in instances) == 40 - kept


def test_what_was_being_sent_when_all_ended_is_in_doubt(tmp_path: Path) -> None:
    (path,) = write_welds(tmp_path / "files", 1)
    with Queue(tmp_path / "queue") as queue:
        queue.add("a", read_instance(path))
        (entry,) = queue.entries()
        queue.update(entry, State.SENDING, sent=1)
    with Queue(tmp_path / "queue") as queue, queue.running():
        (entry,) = queue.due("a", time.time(), 10)
        assert entry.state is State.DOUBTFUL


def test_two_runs_at_once_are_refused(tmp_path: Path) -> None:
    with Queue(tmp_path / "queue") as one, Queue(tmp_path / "queue") as other:
        with one.running(), pytest.raises(SendError, match="being sent from already"):
            other.running().__enter__()
        with other.running():
            pass


def test_what_is_no_queue_is_named(tmp_path: Path) -> None:
    (tmp_path / "queue.sqlite").write_bytes(b"something else" * 100)
    with pytest.raises(OutputError, match="is no sound queue"):
        Queue(tmp_path)


def test_statuses_are_judged_as_the_standard_groups_them() -> None:
    """Against pynetdicom's table of PS3.4 B.2.3: success and warnings arrive, failures don't."""
    for status, (category, _) in STORAGE_SERVICE_CLASS_STATUS.items():
        ending = judge(status).ending
        if status == 0x0111:  # a duplicate: it is there
            assert ending is Ending.STORED
        elif category in ("Success", "Warning"):
            assert ending is Ending.STORED, hex(status)
        else:
            assert ending in (Ending.REFUSED, Ending.LATER), hex(status)
            assert (ending is Ending.LATER) == (status & 0xFF00 == 0xA700), hex(status)
