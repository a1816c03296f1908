"""What ``check_bag`` says of bags that are odd in ways that no copying error brings."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import bagit
import pytest

from pipeline.outputs.archive.check import FaultKind, check_bag, is_bag
from pipeline.outputs.archive.fixity import read_fixity, written_identity
from pipeline.outputs.archive.keep import archive_weld
from pipeline.outputs.archive.places import find_bags
from tests.outputs.archive.welds import make_weld, random_files, two_places


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    weld = make_weld(tmp_path / "weld", random_files(3, 500))
    return archive_weld(weld, two_places(tmp_path), same_device=True).copies[0].bag


def told(bag: Path) -> list[str]:
    return [str(fault) for fault in check_bag(bag, identity=written_identity(bag)).faults]


def test_links_in_a_bag(bag: Path) -> None:
    frame = bag / "data/frames/frame_01.tif"
    outside = bag.parent / "outside.tif"
    frame.rename(outside)
    frame.symlink_to(outside)
    assert "data/frames/frame_01.tif: is a link" in told(bag)


def test_renamed_files(bag: Path) -> None:
    (bag / "data/frames/frame_01.tif").rename(bag / "data/frames/frame_99.tif")
    assert told(bag) == [
        "data/frames/frame_01.tif: is missing",
        "data/frames/frame_99.tif: doesn't belong here: no manifest names it; it has the content "
        "of data/frames/frame_01.tif",
    ]


def test_a_bag_written_anew_over_the_old_is_told_by_its_record(bag: Path) -> None:
    """Consistent in itself, as somebody would leave it who changed a frame and the manifests."""
    frame = bag / "data/frames/frame_01.tif"
    frame.write_bytes(b"another")
    manifest, tag_manifest = bag / "manifest-sha256.txt", bag / "tagmanifest-sha256.txt"
    for changed, path in ((frame, manifest), (manifest, tag_manifest)):
        digest = hashlib.sha256(changed.read_bytes()).hexdigest()
        end = f"  {changed.relative_to(bag).as_posix()}"
        lines = path.read_text(encoding="utf-8").splitlines()
        lines = [digest + end if one.endswith(end) else one for one in lines]
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert check_bag(bag).sound
    (fault,) = check_bag(bag, identity=written_identity(bag)).faults
    assert fault.kind is FaultKind.LIST
    assert fault.path == "tagmanifest-sha256.txt"


def test_a_bag_that_is_gone_is_missed(bag: Path) -> None:
    moved = bag.with_name("elsewhere")
    bag.rename(moved)
    assert find_bags(bag.parent, []) == sorted([bag, moved])
    assert not check_bag(bag).sound


def test_a_bag_is_known_by_what_is_left_of_it(bag: Path) -> None:
    (bag / "bagit.txt").unlink()
    assert is_bag(bag)
    assert told(bag) == ["bagit.txt: is missing"]
    assert find_bags(bag.parent, []) == [bag]


def test_manifests_that_name_what_lies_outside(bag: Path) -> None:
    path = bag / "manifest-sha256.txt"
    path.write_text(f"{'0' * 64}  ../../secret\n" + path.read_text(encoding="utf-8"))
    assert any("which lies outside the bag" in one for one in told(bag))


@pytest.mark.skipif(os.getuid() == 0, reason="root may read everything")
def test_files_that_cant_be_read(bag: Path) -> None:
    (bag / "data/config.toml").chmod(0)
    assert told(bag) == ["data/config.toml: can't be read (Permission denied)"]


@pytest.mark.parametrize("algorithms", [["sha512"], ["sha256", "sha512"]])
def test_bags_of_other_programs(tmp_path: Path, algorithms: list[str]) -> None:
    folder = tmp_path / "other"
    folder.mkdir()
    (folder / "a.txt").write_text("one")
    bagit.make_bag(str(folder), checksums=algorithms)
    assert check_bag(folder).sound
    (folder / "data/a.txt").write_text("two")
    (fault,) = check_bag(folder).faults
    assert (fault.kind, fault.path) == (FaultKind.CHANGED, "data/a.txt")


def test_records_survive_a_torn_line(bag: Path) -> None:
    record = bag.with_name(f"{bag.name}.fixity.jsonl")
    known = written_identity(bag)
    with record.open("a", encoding="utf-8") as stream:
        stream.write('{"when": "20')
    assert len(read_fixity(bag)) == 1
    assert written_identity(bag) == known
