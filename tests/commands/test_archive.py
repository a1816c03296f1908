"""``girthstrip archive`` as it is called, on a weld that was really stitched."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest

from pipeline.cli import run
from pipeline.outputs.archive.fixity import fixity_path
from pipeline.outputs.archive.restore import compare
from tests.outputs.archive.welds import contents, make_weld, random_files, two_places, validate
from tests.weld_folder import WeldFolder

Capture = pytest.CaptureFixture[str]


@pytest.fixture
def weld(tmp_path: Path) -> Path:
    return make_weld(tmp_path / "weld", random_files(3, 500))


def call(capsys: Capture, *words: object) -> tuple[int, dict]:  # type: ignore[type-arg]
    code = run(["archive", *map(str, words), "--quiet", "--json"])
    return code, json.loads(capsys.readouterr().out)


def bags(weld: Path, places: list[Path], capsys: Capture) -> list[Path]:
    code, told = call(capsys, weld, "--to", places[0], "--to", places[1], "--same-device")
    assert code == 0, told
    assert told["archived"] is True
    return [Path(copy["folder"]) for copy in told["copies"]]


def test_from_a_bag_alone_the_strip_comes_out_byte_for_byte(
    small_weld: WeldFolder, tmp_path: Path, capsys: Capture
) -> None:
    """Also when the frames' folder is called otherwise than in a bag."""
    small_weld.frames.rename(small_weld.path / "shots")
    small_weld.edit_config('folder = "frames"', 'folder = "shots"')
    assert run(["stitch", str(small_weld.config), "--quiet"]) == 0
    capsys.readouterr()
    bag, other = bags(small_weld.config, two_places(tmp_path), capsys)
    validate(bag)
    assert contents(bag) == contents(other)
    log = small_weld.path / "audit-log" / "W-0001" / "records"
    records = [json.loads(path.read_bytes()) for path in sorted(log.iterdir())]
    assert [record["action"] for record in records] == ["stitch", "archive"]
    kept = [name for name in contents(bag) if name.startswith("data/audit-log/")]
    assert kept == ["data/audit-log/000001.json"]  # a later copy holds no more
    result = contents(small_weld.result)
    shutil.rmtree(small_weld.path)
    shutil.rmtree(other)

    out = tmp_path / "again"
    assert run(["stitch", str(bag / "data/config.toml"), "--out", str(out), "--quiet"]) == 0
    capsys.readouterr()
    made = contents(out)
    for name in ("strip.tif", "maps.tif", "positions.csv"):
        assert made[name] == result[name]
    logs = [json.loads(one["quality.json"]) for one in (result, made)]
    for log in logs:
        for one in log["inputs"]:
            one["path"] = one["path"].replace("shots/", "frames/")
    assert logs[0] == logs[1]

    assert run(["stitch", str(bag / "data/config.toml"), "--replace", "--quiet"]) == 2
    assert "lies in the archived weld" in capsys.readouterr().err

    code, told = call(capsys, "restore", bag, "--out", tmp_path / "restored")
    assert code == 0
    assert told["same"] == {"strip.tif": True, "maps.tif": True, "positions.csv": True}
    assert told["software"] == told["log"] == []

    log = json.loads((out / "quality.json").read_text(encoding="utf-8"))
    log["software"]["numpy"] = "1.0"
    (out / "quality.json").write_text(json.dumps(log), encoding="utf-8")
    (out / "strip.tif").write_bytes(b"another")
    found = compare(bag, out)
    assert not found.restored
    assert found.software[0].endswith(" then, 1.0 now")


def test_nothing_is_ever_made_in_a_bag(weld: Path, tmp_path: Path, capsys: Capture) -> None:
    bag, _ = bags(weld, two_places(tmp_path), capsys)
    code, told = call(capsys, weld, "--to", bag / "data", "--copies", "1")
    assert code == 2
    assert "lies in the archived weld" in told["error"]["message"]


def test_what_is_said_of_an_archived_weld(weld: Path, tmp_path: Path, capsys: Capture) -> None:
    places = two_places(tmp_path)
    words = ["archive", str(weld), *(f"--to={place}" for place in places), "--same-device"]
    assert run(words) == 0
    ended = capsys.readouterr()
    first, *copies, last = ended.out.splitlines()
    assert first.startswith("bag         W-7_")
    assert all(line.endswith(": written and read back") for line in copies)
    assert last == "archived: 2 copies proved, on 1 disk; 2 wanted"
    assert "archiving, reading the copies back (MB): 1 done" in ended.err


def test_a_destination_that_fails_is_told_and_ends_with_2(
    weld: Path, tmp_path: Path, capsys: Capture
) -> None:
    places = two_places(tmp_path)
    shutil.rmtree(places[1])
    words = ["archive", str(weld), *(f"--to={place}" for place in places), "--same-device"]
    assert run(words) == 2
    out = capsys.readouterr().out
    assert "FAILED" in out
    assert "is the drive connected?" in out
    assert "NOT ARCHIVED: 1 copy proved, on 1 disk; 2 wanted" in out
    assert "the same command goes on" not in out  # nothing was written there


def test_verify_names_and_ends_with_3(weld: Path, tmp_path: Path, capsys: Capture) -> None:
    bag, _ = bags(weld, two_places(tmp_path), capsys)
    code, told = call(capsys, "verify", tmp_path / "a", tmp_path / "b")
    assert code == 0
    assert [one["sound"] for one in told["bags"]] == [True, True]
    (bag / "data/result/strip.tif").write_bytes(b"x")
    assert run(["archive", "verify", str(tmp_path / "a"), str(tmp_path / "b")]) == 3
    out = capsys.readouterr().out
    assert "changed     data/result/strip.tif: its content has changed (1 byte)" in out
    assert out.count("sound ") == 1
    code, told = call(capsys, "repair", bag, "--from", tmp_path / "b" / bag.name)
    assert code == 0
    assert "strip.tif: replaced from" in told["done"][0]
    assert run(["archive", "verify", str(weld)]) == 2
    assert "holds no bag" in capsys.readouterr().err


def test_status_of_a_folder_of_welds(weld: Path, tmp_path: Path, capsys: Capture) -> None:
    places = two_places(tmp_path)
    where = ["--to", places[0], "--to", places[1], "--same-device"]
    code, told = call(capsys, "status", weld, *where)
    assert code == 3
    assert told["welds"][0]["copies"] == []
    bag, other = bags(weld, places, capsys)
    code, told = call(capsys, "status", weld, *where)
    assert (code, told["welds"][0]["counting"]) == (0, 2)
    code, told = call(capsys, "status", weld, *where[:4])  # on one disk
    assert (code, told["welds"][0]["counting"]) == (3, 1)
    code, told = call(capsys, "status", weld, *where, "--max-age-days", "1e-9")
    assert (code, told["welds"][0]["counting"]) == (3, 0)
    assert run(["archive", "status", str(weld), "--max-age-days", "0"]) == 2
    assert "too few" in capsys.readouterr().err
    code, told = call(capsys, "status", tmp_path, "--same-device")  # welds and bags in one folder
    assert code == 0

    (bag / "data/result/strip.tif").unlink()
    shutil.rmtree(other)
    assert run(["archive", "status", str(weld), *map(str, where)]) == 3
    out = capsys.readouterr().out
    assert re.search(r"isn't whole: it had 15 files of \d+ bytes, there are 14 files", out)
    assert f"{other}: is gone" in out
    assert "archived: 0 of 1 weld\n" in out
    shutil.move(bag, tmp_path / "x")
    fixity_path(bag).unlink()
    shutil.move(tmp_path / "x", bag)
    assert run(["archive", "status", str(places[0]), "--copies", "1"]) == 3
    assert "was never read back" in capsys.readouterr().out


def test_sound_copies_that_differ(weld: Path, tmp_path: Path, capsys: Capture) -> None:
    """Each whole in itself, under one name: one was made with a file more."""
    places = two_places(tmp_path)
    bag, _ = bags(weld, places, capsys)
    note = tmp_path / "note.txt"
    note.write_text("windy")
    third = tmp_path / "c"
    third.mkdir()
    code, told = call(capsys, weld, "--to", third, "--copies", "1", "--with", note)
    assert code == 0
    code, told = call(capsys, "verify", places[0], third)
    assert code == 3
    assert told["differ"] == [bag.name]
    assert told["differences"][0].endswith(" differ in bag-info.txt, data/more/note.txt")
    code, told = call(capsys, "status", places[0], "--to", third, "--same-device")
    assert code == 3
    assert told["welds"][0]["differ"] is True
    code, told = call(capsys, weld, "--to", places[0], "--to", third, "--same-device")
    assert code == 2
    assert "copies of this name differ" in told["error"]["message"]


def test_a_renamed_bag_and_a_folder_that_is_not_there(
    weld: Path, tmp_path: Path, capsys: Capture
) -> None:
    """The others are looked at all the same."""
    bag, other = bags(weld, two_places(tmp_path), capsys)
    code, told = call(capsys, "verify", other, tmp_path / "nosuch")
    assert code == 2
    assert [one["sound"] for one in told["bags"]] == [True]
    assert "nosuch: can't be opened" in told["unread"][0]
    bag.rename(bag.with_name("W-8_0123456789ab"))
    assert run(["archive", "verify", str(tmp_path / "a" / "W-8_0123456789ab")]) == 3
    assert "RENAMED" in capsys.readouterr().out
    assert not fixity_path(tmp_path / "a" / "W-8_0123456789ab").exists()
    assert run(["archive", "status", str(tmp_path / "a"), "--copies", "1"]) == 3
    assert "it was renamed" in capsys.readouterr().out


def test_what_cant_be_restored_from(weld: Path, tmp_path: Path, capsys: Capture) -> None:
    bag, _ = bags(weld, two_places(tmp_path), capsys)
    out = tmp_path / "out"
    for named, what in (
        (tmp_path / "nosuch", "isn't there"),
        (weld, "is no bag"),
        (bag.parent, f"is no bag, but holds {bag.name}"),
    ):
        code, told = call(capsys, "restore", named, "--out", out)
        assert code == 2
        assert what in told["error"]["message"]
        assert "damaged" not in told["error"]["message"]
    out.mkdir()
    code, told = call(capsys, "restore", bag, "--out", out)
    assert code == 2
    assert "already exists" in told["error"]["message"]
    assert "--replace" not in told["error"]["message"]


def test_a_misspelt_command(capsys: Capture) -> None:
    assert run(["archive", "verfy"]) == 2
    assert "did you mean verify?" in capsys.readouterr().err


def test_what_was_moved_aside_is_no_bag(weld: Path, tmp_path: Path, capsys: Capture) -> None:
    """Not even where manifests were among it."""
    bag, good = bags(weld, two_places(tmp_path), capsys)
    for name in ("manifest-sha256.txt", "tagmanifest-sha256.txt"):
        (bag / name).write_text("damaged\n")
    assert call(capsys, "repair", bag, "--from", good)[0] == 0
    aside = bag.with_name(f"{bag.name}.aside-1")
    assert (aside / "manifest-sha256.txt").is_file()
    fixity_path(aside).touch()  # as older versions left there
    code, told = call(capsys, "verify", bag.parent)
    assert (code, [one["folder"] for one in told["bags"]]) == (0, [str(bag)])
    code, told = call(capsys, "status", bag.parent, "--to", good.parent, "--same-device")
    assert (code, [one["bag"] for one in told["welds"]]) == (0, [bag.name])


def test_a_bag_under_another_welds_name(weld: Path, tmp_path: Path, capsys: Capture) -> None:
    bag, _ = bags(weld, two_places(tmp_path), capsys)
    other = bag.with_name(bag.name.replace("W-7_", "W-8_"))
    bag.rename(other)
    assert run(["archive", "verify", str(bag.parent), "--quiet"]) == 3
    out = capsys.readouterr().out
    assert re.search(rf"GONE +{bag}: is gone; if it was renamed .* its name again", out)
    assert re.search(rf"RENAMED +{other} ", out)
    assert f"is called {other.name}, but in it is weld W-7: it was renamed" in out
    assert "manifest" not in out
    code, told = call(capsys, "status", bag.parent, "--copies", "1")
    assert code == 3
    problems = {one["folder"]: one["problem"] for weld in told["welds"] for one in weld["copies"]}
    assert problems[str(bag)] == "is gone"
    assert "in it is weld W-7" in problems[str(other)]


def test_why_copies_on_one_disk_are_too_few(weld: Path, tmp_path: Path, capsys: Capture) -> None:
    first, second = bags(weld, two_places(tmp_path), capsys)
    words = ["archive", "status", str(first.parent), "--to", str(second.parent)]
    assert run([*words]) == 3
    assert (
        "copies on one disk count once; with --same-device each counts" in capsys.readouterr().out
    )
    assert run([*words, "--same-device"]) == 0
    assert "count once" not in capsys.readouterr().out


def test_a_record_that_cant_be_read_is_told(weld: Path, tmp_path: Path, capsys: Capture) -> None:
    bag, _ = bags(weld, two_places(tmp_path), capsys)
    fixity_path(bag).write_bytes(b"\xff\xfe no record")
    _, told = call(capsys, "status", bag.parent)
    assert "its record can't be read" in told["welds"][0]["copies"][0]["problem"]


def test_what_no_copy_has_whole(weld: Path, tmp_path: Path, capsys: Capture) -> None:
    both = bags(weld, two_places(tmp_path), capsys)
    for number, bag in enumerate(both):
        (bag / "data/frames/frame_00.tif").write_bytes(b"spoilt" * (number + 1))
    assert run(["archive", "repair", str(both[0]), "--from", str(both[1]), "--quiet"]) == 3
    assert "no copy given with --from has this whole; name another one" in capsys.readouterr().out
