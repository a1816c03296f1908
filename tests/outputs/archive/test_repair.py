"""Copies mended: from several that are damaged themselves, and what is said about it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from pipeline.errors import InputError, OutputError
from pipeline.outputs.archive import partial_copy
from pipeline.outputs.archive.fixity import fixity_path, read_fixity
from pipeline.outputs.archive.keep import archive_weld
from pipeline.outputs.archive.repair import repair_bag
from tests.outputs.archive.welds import contents, make_weld, random_files, two_places, validate


@pytest.fixture
def bags(tmp_path: Path) -> list[Path]:
    weld = make_weld(tmp_path / "weld", random_files(4, 2000))
    done = archive_weld(weld, two_places(tmp_path), same_device=True)
    return [copy.bag for copy in done.copies]


def flip(path: Path, byte: int, bit: int) -> None:
    content = bytearray(path.read_bytes())
    content[byte] ^= 1 << bit
    path.write_bytes(content)


def test_what_was_done_is_told_exactly(bags: list[Path]) -> None:
    bag, good = bags
    flip(bag / "data/frames/frame_01.tif", 700, 3)
    (bag / "data/frames/frame_02.tif").write_bytes(b"short")
    (bag / "data/result/maps.tif").unlink()
    done = repair_bag(bag, [good])
    aside = bag.with_name(f"{bag.name}.aside-1")
    assert list(done.done) == [
        f"data/frames/frame_01.tif: replaced from {good}/data/frames/frame_01.tif; "
        f"bit 3 of byte 700 is flipped; kept in {aside}",
        f"data/frames/frame_02.tif: replaced from {good}/data/frames/frame_02.tif; "
        f"it has 5 bytes instead of 2032 and 5 bytes differ, the first at 0; kept in {aside}",
        f"data/result/maps.tif: was missing, put there from {good}/data/result/maps.tif",
    ]
    assert sorted(contents(aside)) == ["data/frames/frame_01.tif", "data/frames/frame_02.tif"]
    last = read_fixity(bag)[-1]
    assert (last.what, last.sound, last.done) == ("repaired", True, done.done)
    assert [path.name for path in bag.parent.iterdir() if path.name.startswith(".")] == []


def test_two_damaged_copies_mend_each_other(bags: list[Path]) -> None:
    one, other = bags
    whole = contents(one)
    flip(one / "data/frames/frame_01.tif", 5, 0)
    flip(other / "data/frames/frame_02.tif", 5, 0)
    flip(other / "bag-info.txt", 5, 0)
    assert repair_bag(one, [other]).checked.sound
    assert repair_bag(other, [one]).checked.sound
    assert contents(one) == contents(other) == whole
    validate(other)


def test_what_no_copy_has_stays_and_stays_told(bags: list[Path]) -> None:
    one, other = bags
    flip(one / "data/frames/frame_01.tif", 5, 0)
    flip(other / "data/frames/frame_01.tif", 6, 0)
    flip(one / "data/frames/frame_02.tif", 5, 0)
    damaged = (one / "data/frames/frame_01.tif").read_bytes()
    done = repair_bag(one, [other])
    assert [fault.path for fault in done.checked.faults] == ["data/frames/frame_01.tif"]
    assert (one / "data/frames/frame_01.tif").read_bytes() == damaged
    assert [sentence.partition(":")[0] for sentence in done.done] == ["data/frames/frame_02.tif"]


def test_files_swapped_in_the_only_copies_that_have_them(bags: list[Path]) -> None:
    one, other = bags
    whole = contents(other)
    first, second = (one / f"data/frames/frame_0{k}.tif" for k in (1, 2))
    first.rename(one / "x")
    second.rename(first)
    (one / "x").rename(second)
    for path in (first, second):
        flip(other / path.relative_to(one), 9, 1)
    assert repair_bag(one, [other]).checked.sound
    assert contents(one) == whole | {
        path.relative_to(one).as_posix(): path.read_bytes() for path in (first, second)
    }
    validate(one)


def test_a_folder_or_link_in_a_files_place(bags: list[Path]) -> None:
    bag, good = bags
    frame = bag / "data/frames/frame_01.tif"
    frame.unlink()
    frame.mkdir()
    (frame / "note.txt").write_text("mine")
    (bag / "data/result/maps.tif").unlink()
    (bag / "data/result/maps.tif").symlink_to(good / "data/result/maps.tif")
    done = repair_bag(bag, [good])
    assert done.checked.sound
    assert done.aside is not None
    assert (done.aside / "data/frames/frame_01.tif/note.txt").exists()


def test_without_records_the_copies_must_agree(bags: list[Path]) -> None:
    bag, good = bags
    for path in bags:
        fixity_path(path).unlink()
    flip(bag / "tagmanifest-sha256.txt", 3, 0)
    assert repair_bag(bag, [good]).checked.sound
    flip(bag / "tagmanifest-sha256.txt", 3, 0)
    flip(good / "tagmanifest-sha256.txt", 4, 0)
    fixity_path(bag).unlink()
    with pytest.raises(InputError, match=r"manifests differ|no copy has sound manifests"):
        repair_bag(bag, [good])


def test_copies_of_other_bags_are_refused(bags: list[Path], tmp_path: Path) -> None:
    weld = make_weld(tmp_path / "second", random_files(4, 2000, seed=6))
    place = tmp_path / "c"
    place.mkdir()
    stranger = archive_weld(weld, [place], wanted=1).copies[0].bag
    before = contents(bags[0])
    (bags[0] / "data/result/maps.tif").unlink()
    for records in (True, False):
        if not records:
            for path in (bags[0], stranger):
                fixity_path(path).unlink()
        with pytest.raises(InputError, match=r"is another bag"):
            repair_bag(bags[0], [stranger])
    assert contents(bags[0]) == {k: v for k, v in before.items() if not k.endswith("maps.tif")}


def test_nothing_is_touched_where_nothing_can_be_written(
    bags: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    bag, good = bags
    flip(bag / "data/frames/frame_01.tif", 5, 0)
    before = contents(bag)

    def full(descriptor: int, block: memoryview) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(partial_copy.os, "write", full)
    with pytest.raises(OutputError, match=r"no room is left.*Nothing in the bag was touched"):
        repair_bag(bag, [good])
    monkeypatch.undo()
    assert contents(bag) == before
    assert repair_bag(bag, [good]).checked.sound


def test_a_whole_bag_that_is_gone(bags: list[Path]) -> None:
    bag, good = bags
    shutil.rmtree(bag)
    assert repair_bag(bag, [good]).checked.sound
    validate(bag)
