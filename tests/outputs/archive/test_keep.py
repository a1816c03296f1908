"""A weld in the archive: what a bag holds, when a weld counts as archived, what is refused."""

from __future__ import annotations

import errno
import json
import os
import shutil
from pathlib import Path

import pytest

from pipeline.config.weld import load_weld_config
from pipeline.errors import InputError, OutputError
from pipeline.outputs.archive import copying, destinations, keep
from pipeline.outputs.archive.bag_text import read_info
from pipeline.outputs.archive.check import check_bag
from pipeline.outputs.archive.fixity import read_fixity
from pipeline.outputs.archive.keep import archive_weld
from pipeline.outputs.archive.weld_source import find_weld
from tests.outputs.archive.welds import contents, make_weld, random_files, two_places, validate


@pytest.fixture
def weld(tmp_path: Path) -> Path:
    return make_weld(tmp_path / "weld", random_files(5, 9000))


def test_a_bag_holds_it_all_and_copies_are_equal(weld: Path, tmp_path: Path) -> None:
    before = contents(weld)
    (weld / "sheet.csv").write_text("id\nW-7\n", encoding="utf-8")
    note = tmp_path / "note.txt"
    note.write_text("windy", encoding="utf-8")
    done = archive_weld(
        weld,
        two_places(tmp_path),
        same_device=True,
        job_sheet=weld / "sheet.csv",
        more=[note],
    )
    assert done.archived
    one, other = (contents(copy.bag) for copy in done.copies)
    assert one == other
    for copy in done.copies:
        validate(copy.bag)
    for name, content in before.items():
        kept = f"original/{name}" if name == "weld.toml" else name
        assert one[f"data/{kept}"] == content
    assert one["data/job_sheet.csv"] == b"id\nW-7\n"
    assert one["data/more/note.txt"] == b"windy"
    info = read_info(one["bag-info.txt"].decode())
    assert info["External-Identifier"] == "W-7"
    assert info["Operator"] == "A. Moor"
    assert "Bagging-Date" not in info  # a clock: copies made on two days would differ
    assert contents(weld) == before | {"sheet.csv": b"id\nW-7\n"}


def test_paths_of_the_config_in_a_bag_lead_to_its_files(weld: Path, tmp_path: Path) -> None:
    bag = archive_weld(weld, two_places(tmp_path), same_device=True).copies[0].bag
    shutil.rmtree(weld)
    job = load_weld_config(bag / "data/config.toml")
    assert job.frames.table_path == bag / "data/frames/frames.csv"
    assert job.calibration.folder == bag / "data/calibration"
    assert job.weld.id == "W-7"


def test_tables_outside_of_the_usual_places_are_found_again(weld: Path, tmp_path: Path) -> None:
    (weld / "frames/frames.csv").rename(weld / "table.csv")
    (weld / "seen.csv").write_text("id,kind\n", encoding="utf-8")
    config = weld / "result/config.toml"
    told = config.read_text(encoding="utf-8")
    told = told.replace('folder = "../frames"', 'folder = "../frames"\ntable = "../table.csv"')
    config.write_text(told + '[indications]\nfile = "../seen.csv"\n', encoding="utf-8")
    bag = archive_weld(weld / "result", two_places(tmp_path), same_device=True).copies[0].bag
    job = load_weld_config(bag / "data/config.toml")
    assert job.frames.table_path.resolve() == (bag / "data/frames.csv").resolve()
    assert job.frames.table_path.read_bytes() == (weld / "table.csv").read_bytes()
    assert job.indications is not None
    assert job.indications.file == bag / "data/indications.csv"
    validate(bag)


def test_the_times_of_files_are_kept(weld: Path, tmp_path: Path) -> None:
    frame = weld / "frames/frame_01.tif"
    os.utime(frame, ns=(10**18, 10**18))
    bag = archive_weld(weld, two_places(tmp_path), same_device=True).copies[0].bag
    assert (bag / "data/frames/frame_01.tif").stat().st_mtime_ns == 10**18


def test_archiving_again_reads_the_copies_and_writes_nothing(weld: Path, tmp_path: Path) -> None:
    places = two_places(tmp_path)
    first = archive_weld(weld, places, same_device=True)
    before = contents(first.copies[0].bag)
    again = archive_weld(weld, places, same_device=True)
    assert again.archived
    assert not any(copy.new for copy in again.copies)
    assert again.identity == first.identity
    assert contents(first.copies[0].bag) == before
    assert [one.what for one in read_fixity(first.copies[0].bag)] == ["written", "verified"]


def test_another_processing_of_the_weld_stands_beside(weld: Path, tmp_path: Path) -> None:
    places = two_places(tmp_path)
    first = archive_weld(weld, places, same_device=True)
    log = weld / "result/quality.json"
    told = json.loads(log.read_text(encoding="ascii"))
    log.write_text(json.dumps(told | {"remarks": ["again"]}), encoding="ascii")
    second = archive_weld(weld, places, same_device=True)
    assert second.name != first.name
    assert check_bag(first.copies[0].bag).sound
    assert second.archived


def test_a_shot_has_its_own_name(tmp_path: Path) -> None:
    weld = make_weld(tmp_path / "weld", random_files(2, 100), shot="R1")
    assert find_weld(weld).bag_name.startswith("W-7_R1_")


def test_one_more_copy_is_made_of_a_bag(weld: Path, tmp_path: Path) -> None:
    first = archive_weld(weld, two_places(tmp_path), same_device=True)
    shutil.rmtree(weld)
    third = tmp_path / "c"
    third.mkdir()
    done = archive_weld(first.copies[0].bag, [third], wanted=1)
    assert done.archived
    assert done.identity == first.identity
    assert contents(done.copies[0].bag) == contents(first.copies[0].bag)
    validate(done.copies[0].bag)


def test_a_lost_copy_is_made_again_from_the_other(weld: Path, tmp_path: Path) -> None:
    places = two_places(tmp_path)
    first = archive_weld(weld, places, same_device=True)
    shutil.rmtree(first.copies[1].bag)
    shutil.rmtree(weld / "frames")  # the source is gone too
    done = archive_weld(weld / "result", places, same_device=True)
    assert done.archived
    assert [copy.new for copy in done.copies] == [False, True]
    assert contents(done.copies[0].bag) == contents(done.copies[1].bag)


def test_a_damaged_copy_does_not_count_and_is_not_touched(weld: Path, tmp_path: Path) -> None:
    places = two_places(tmp_path)
    bag = archive_weld(weld, places, same_device=True).copies[0].bag
    strip = bag / "data/result/strip.tif"
    strip.write_bytes(b"\1" + strip.read_bytes()[1:])
    before = contents(bag)
    done = archive_weld(weld, places, same_device=True)
    assert not done.archived
    assert done.proved == 1
    assert "data/result/strip.tif: its content has changed" in done.copies[0].problem
    assert contents(bag) == before


def test_one_disk_counts_once(weld: Path, tmp_path: Path) -> None:
    places = two_places(tmp_path)
    with pytest.raises(OutputError, match="lie on one disk, which can be lost as a whole"):
        archive_weld(weld, places)
    assert [list(place.iterdir()) for place in places] == [[], []]
    with pytest.raises(OutputError, match=r"1 destination for 2 copies"):
        archive_weld(weld, places[:1])
    with pytest.raises(OutputError, match="is named twice"):
        archive_weld(weld, [places[0], places[0]], same_device=True)


def test_disks_are_told_apart(weld: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (destinations, keep):
        monkeypatch.setattr(module, "disk_of", lambda folder: folder.name)
    assert archive_weld(weld, two_places(tmp_path)).archived


def test_what_changed_since_the_strip_was_made_is_named(weld: Path, tmp_path: Path) -> None:
    (weld / "frames/frame_02.tif").write_bytes(b"another weld's frame")
    places = two_places(tmp_path)
    with pytest.raises(InputError, match=r"isn't what the strip was made from.*frame_02\.tif"):
        archive_weld(weld, places, same_device=True)
    assert not any(path.name.startswith("W-7") for place in places for path in place.iterdir())


def test_links_are_refused_not_lost(weld: Path, tmp_path: Path) -> None:
    (weld / "frames/more").symlink_to(tmp_path)
    with pytest.raises(InputError, match=r"more: is a link.*Put a copy of the file"):
        archive_weld(weld, two_places(tmp_path), same_device=True)


def test_names_that_some_drives_take_for_one(weld: Path, tmp_path: Path) -> None:
    (weld / "frames/FRAME_01.tif").write_bytes(b"x")
    with pytest.raises(InputError, match="on many drives they would be one file"):
        archive_weld(weld, two_places(tmp_path), same_device=True)


@pytest.mark.parametrize("what", ["frames", "calibration"])
def test_folders_that_are_gone(weld: Path, tmp_path: Path, what: str) -> None:
    shutil.rmtree(weld / what)
    with pytest.raises(InputError, match=rf"{what}: isn't there"):
        archive_weld(weld, two_places(tmp_path), same_device=True)


def test_a_weld_that_has_not_been_stitched(weld: Path, tmp_path: Path) -> None:
    shutil.rmtree(weld / "result")
    with pytest.raises(InputError, match=r"is no result of stitch.*girthstrip stitch"):
        archive_weld(weld, two_places(tmp_path), same_device=True)
    with pytest.raises(InputError, match="holds no configs of welds"):
        archive_weld(tmp_path, two_places(tmp_path / "x"), same_device=True)


def test_the_result_must_be_the_configs(weld: Path, tmp_path: Path) -> None:
    config = weld / "weld.toml"
    told = config.read_text(encoding="utf-8")
    config.write_text(told.replace("W-7", "W-8"), encoding="utf-8")
    with pytest.raises(InputError, match=r"is of weld 'W-8', but its result .* is of 'W-7'"):
        archive_weld(weld, two_places(tmp_path), same_device=True)


def test_frames_that_lie_around_the_result_are_not_archived_twice(tmp_path: Path) -> None:
    weld = make_weld(tmp_path / "weld", random_files(2, 100))
    for path in [*(weld / "frames").iterdir()]:
        path.rename(weld / path.name)
    (weld / "frames").rmdir()
    for name in ("weld.toml", "result/config.toml"):
        told = (weld / name).read_text(encoding="utf-8")
        told = told.replace('folder = "frames"', 'folder = "."')
        told = told.replace('folder = "../frames"', 'folder = ".."')
        (weld / name).write_text(told, encoding="utf-8")
    bag = archive_weld(weld, two_places(tmp_path), same_device=True).copies[0].bag
    names = contents(bag)
    assert "data/frames/frame_00.tif" in names
    assert "data/result/strip.tif" in names
    assert not any(name.startswith(("data/frames/result", "data/frames/calib")) for name in names)


def test_a_frame_that_cant_be_read(
    weld: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = copying.os.readv

    def read(descriptor: int, blocks: list[memoryview]) -> int:
        if Path(f"/proc/self/fd/{descriptor}").resolve().name == "frame_03.tif":
            raise OSError(errno.EIO, "Input/output error")
        return real(descriptor, blocks)

    monkeypatch.setattr(copying.os, "readv", read)
    places = two_places(tmp_path)
    with pytest.raises(InputError, match=r"frame_03\.tif: can't be read \(Input/output error\)"):
        archive_weld(weld, places, same_device=True)
    assert all(path.name.startswith(".") for place in places for path in place.iterdir())
    monkeypatch.undo()
    assert archive_weld(weld, places, same_device=True).archived


def test_a_frame_that_is_still_being_written(
    weld: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = copying.os.readv

    def read(descriptor: int, blocks: list[memoryview]) -> int:
        if Path(f"/proc/self/fd/{descriptor}").resolve() == frame.resolve():
            with frame.open("ab") as stream:
                stream.write(b"more")
            monkeypatch.setattr(copying.os, "readv", real)
        return real(descriptor, blocks)

    frame = weld / "frames/frame_03.tif"
    monkeypatch.setattr(copying.os, "readv", read)
    with pytest.raises(InputError, match=r"frame_03\.tif: changed while it was being copied"):
        archive_weld(weld, two_places(tmp_path), same_device=True)


def test_large_files_go_round_in_the_buffers(
    weld: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Blocks of 1000 bytes stand for blocks of megabytes, the last one of a file broken off."""
    monkeypatch.setattr(copying, "BLOCK_BYTES", 1000)
    done = archive_weld(weld, two_places(tmp_path), same_device=True)
    for copy in done.copies:
        validate(copy.bag)
    frame = (weld / "frames/frame_04.tif").read_bytes()
    assert (done.copies[0].bag / "data/frames/frame_04.tif").read_bytes() == frame
