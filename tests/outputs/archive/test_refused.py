"""What is named by mistake: other bags, places inside of what is kept, folders that are closed."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from pipeline.errors import InputError, OutputError
from pipeline.outputs.archive.check import FaultKind
from pipeline.outputs.archive.copies import check_copy, differences
from pipeline.outputs.archive.fixity import fixity_path, note_fixity, read_fixity
from pipeline.outputs.archive.keep import archive_weld
from pipeline.outputs.archive.places import find_bags, require_bag
from pipeline.outputs.archive.repair import repair_bag
from pipeline.outputs.archive.status import ArchiveStatus, archive_status
from tests.outputs.archive.rights import no_rights
from tests.outputs.archive.welds import contents, make_weld, random_files, two_places


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that every account may look into."""
    folder = Path(tempfile.mkdtemp(prefix="girthstrip-test-"))
    folder.chmod(0o755)
    yield folder
    shutil.rmtree(folder)


@pytest.fixture
def weld(open_folder: Path) -> Path:
    return make_weld(open_folder / "weld", random_files(2, 300))


@pytest.fixture
def places(open_folder: Path) -> list[Path]:
    return two_places(open_folder)


def status(root: Path, *places: Path) -> ArchiveStatus:
    now = datetime.now(UTC)
    return archive_status(root, places, same_device=True, newest=now, max_age_days=None)


def test_what_is_added_must_be_in_the_bag_that_is_there(weld: Path, places: list[Path]) -> None:
    sheet, note = weld / "sheet.csv", weld / "note.txt"
    sheet.write_text("id\nW-7\n", encoding="utf-8")
    note.write_text("windy", encoding="utf-8")
    archive_weld(weld, places[:1], wanted=1, more=[note])

    def again(**added: object) -> bool:
        return archive_weld(weld, places, same_device=True, **added).archived  # type: ignore[arg-type]

    with pytest.raises(InputError, match=r"was archived before, without .*sheet\.csv"):
        again(job_sheet=sheet)
    with pytest.raises(InputError, match=r"nosuch: isn't there"):
        again(more=[weld / "nosuch"])
    note.write_text("calm", encoding="utf-8")
    with pytest.raises(InputError, match=r"was archived before, without .*note\.txt"):
        again(more=[note])
    assert list(places[1].iterdir()) == []
    note.write_text("windy", encoding="utf-8")
    assert again(more=[note])
    bag = next(one for one in places[0].iterdir() if one.is_dir())
    with pytest.raises(InputError, match="nothing can be added to it"):
        archive_weld(bag, places, same_device=True, more=[note])


@pytest.mark.parametrize("where", ["result", "frames", "calibration/more"])
def test_places_in_what_is_archived(weld: Path, places: list[Path], where: str) -> None:
    before = contents(weld)
    inside = weld / where / "copies"
    inside.mkdir(parents=True)
    with pytest.raises(OutputError, match=r"which is archived itself.*--to"):
        archive_weld(weld, [places[0], inside], same_device=True)
    assert contents(weld) == before


def test_a_bag_copied_to_where_it_lies(weld: Path, places: list[Path]) -> None:
    bag = archive_weld(weld, places, same_device=True).copies[0].bag
    with pytest.raises(OutputError, match="that makes no copy"):
        archive_weld(bag, places[:1], wanted=1)
    with pytest.raises(OutputError, match=r"elsewhere with --to$"):
        archive_weld(weld, [bag / "data"], wanted=1)


def test_a_renamed_bag(weld: Path, places: list[Path]) -> None:
    bag, other = (copy.bag for copy in archive_weld(weld, places, same_device=True).copies)
    renamed = bag.with_name("W-8_0123456789ab")
    bag.rename(renamed)
    fixity_path(bag).rename(fixity_path(renamed))
    checked = check_copy(renamed)
    assert [fault.kind for fault in checked.faults] == [FaultKind.NAME]
    for good, damaged in ((renamed, other), (other, renamed)):
        with pytest.raises(InputError, match="is another bag"):
            repair_bag(damaged, [good])
    found = {one.name: one.counting for one in status(places[0], places[1]).welds}
    assert found == {renamed.name: 0, other.name: 1}
    with pytest.raises(InputError, match="was renamed"):
        archive_weld(renamed, [places[1]], wanted=1)


def test_repairing_what_is_not_there(weld: Path, places: list[Path]) -> None:
    bag, other = (copy.bag for copy in archive_weld(weld, places, same_device=True).copies)
    with pytest.raises(InputError, match="isn't there"):
        repair_bag(places[0] / "nosuch", [other])
    with pytest.raises(InputError, match=r"holds W-7_.*Name "):
        repair_bag(bag, [places[1]])
    with pytest.raises(InputError, match="is the damaged bag itself"):
        repair_bag(bag, [bag])
    assert not (places[0] / "nosuch").exists()


def test_what_is_no_bag(weld: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="weld: is no bag; expected"):
        require_bag(weld)
    with pytest.raises(InputError, match="isn't there"):
        require_bag(tmp_path / "nosuch")


def test_a_folder_with_nothing_to_tell_of(weld: Path, places: list[Path], tmp_path: Path) -> None:
    archive_weld(weld, places, same_device=True)
    with pytest.raises(InputError, match="holds no bag and no weld"):
        status(tmp_path, *places)


def test_in_what_copies_differ(weld: Path, places: list[Path]) -> None:
    note = weld / "note.txt"
    note.write_text("windy", encoding="utf-8")
    first = archive_weld(weld, places[:1], wanted=1)
    second = archive_weld(weld, places[1:], wanted=1, more=[note])
    bags = [(one.copies[0].bag, one.identity) for one in (first, second)]
    (sentence,) = differences(bags)
    assert sentence == f"{bags[0][0]} and {bags[1][0]} differ in bag-info.txt, data/more/note.txt"
    (told,) = status(places[0], places[1]).welds
    assert (told.differ, told.archived(2)) == ((sentence,), False)


@pytest.mark.parametrize("closed", ["data/frames/frame_01.tif", "data", "manifest-sha256.txt", "."])
def test_what_may_not_be_read_is_not_called_damaged(
    weld: Path, places: list[Path], closed: str
) -> None:
    bag = archive_weld(weld, places, same_device=True).copies[0].bag
    path = bag / closed
    mode = path.stat().st_mode
    path.chmod(0)
    with no_rights():
        checked = check_copy(bag)
        note = note_fixity(checked, "verified")
    path.chmod(mode)
    assert checked.unread
    assert {fault.kind for fault in checked.faults} == {FaultKind.DENIED}
    assert "can't be" in checked.faults[0].text
    assert "nothing was recorded" in note
    assert [record.what for record in read_fixity(bag)] == ["written"]
    assert check_copy(bag).sound


def test_folders_that_may_not_be_opened_are_passed_over_and_told(
    weld: Path, places: list[Path], open_folder: Path
) -> None:
    archive_weld(weld, places, same_device=True)
    closed = open_folder / "closed"
    closed.mkdir()
    closed.chmod(0)
    unread: list[InputError] = []
    with no_rights():
        found = status(open_folder)
        bags = find_bags(open_folder, unread)
    closed.chmod(0o755)
    assert [one.counting for one in found.welds] == [2]
    assert len(bags) == 2
    for error in (*found.closed, *unread):
        assert str(closed) in str(error)
        assert "can't be opened (Permission denied)" in str(error)
    assert len(found.closed) == len(unread) == 1
