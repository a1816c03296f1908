"""Folders that appear whole or not at all, whatever happens in the middle."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import textwrap
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
import pytest

from pipeline.errors import OutputError
from pipeline.io.folders import new_folder, require_free
from pipeline.io.strip import write_strip

from .frame_files import without_rights


def _names(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir())


def _dead_pid() -> int:
    """The number of a process that has ended."""
    process = subprocess.Popen([sys.executable, "-c", ""])
    process.wait()
    return process.pid


def _start(final: Path, body: str) -> subprocess.Popen[str]:
    """A process that opens ``new_folder(final)`` and runs ``body`` inside; it has said 'in'."""
    code = textwrap.dedent(
        f"""
        import pathlib, sys, time
        from pipeline.io.folders import new_folder, require_free
        final, own = pathlib.Path({str(final)!r}), ("quality.json", "strip.tif")
        with new_folder(final, replace=True, own_files=own) as partial:
            (partial / "strip.tif").write_bytes(bytes(1000))
            (partial / "quality.json").write_text("new")
            print("in", flush=True)
            {body}
        """
    )
    process = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline() == "in\n"
    return process


def _end(process: subprocess.Popen[str], number: signal.Signals) -> None:
    process.send_signal(number)
    process.communicate(timeout=20)


def test_folder_appears_whole(tmp_path: Path) -> None:
    final = tmp_path / "made" / "on the way" / "result"
    with new_folder(final) as partial:
        (partial / "sub").mkdir()
        (partial / "sub" / "a").write_text("a")
        assert not final.exists()
        assert partial.parent == final.parent
    assert (final / "sub" / "a").read_text() == "a"
    assert _names(final.parent) == ["result"]


@pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt, SystemExit, GeneratorExit])
def test_nothing_is_left_after_an_exception(tmp_path: Path, error: type[BaseException]) -> None:
    with pytest.raises(error), new_folder(tmp_path / "result") as partial:
        (partial / "a").write_text("a")
        raise error
    assert _names(tmp_path) == []


def test_interrupt_from_outside_leaves_nothing(tmp_path: Path) -> None:
    process = _start(tmp_path / "result", "time.sleep(60)")
    _end(process, signal.SIGINT)
    assert process.returncode != 0
    assert _names(tmp_path) == []


def test_kill_leaves_nothing_under_the_final_name_and_the_next_run_cleans(tmp_path: Path) -> None:
    final = tmp_path / "result"
    process = _start(final, "time.sleep(60)")
    _end(process, signal.SIGKILL)
    assert _names(tmp_path) == [f".result.partial-{process.pid}"]
    with new_folder(final) as partial:
        (partial / "a").write_text("a")
    assert _names(tmp_path) == ["result"]
    assert _names(final) == ["a"]


def test_kill_during_a_replacement_keeps_the_old_result(tmp_path: Path) -> None:
    final = tmp_path / "result"
    with new_folder(final) as partial:
        (partial / "quality.json").write_text("old")
    _end(_start(final, "time.sleep(60)"), signal.SIGKILL)
    assert (final / "quality.json").read_text() == "old"


@pytest.mark.parametrize("finished", [False, True])
def test_kill_between_the_two_renames_is_mended_by_the_next_run(
    tmp_path: Path, finished: bool
) -> None:
    final, aside = tmp_path / "result", tmp_path / f".result.replaced-{_dead_pid()}"
    aside.mkdir()
    (aside / "quality.json").write_text("old")
    if finished:
        final.mkdir()
        (final / "quality.json").write_text("new")
    with pytest.raises(OutputError, match="already exists"), new_folder(final):
        pass
    assert _names(tmp_path) == ["result"]
    assert (final / "quality.json").read_text() == ("new" if finished else "old")


def test_partial_folder_of_a_living_process_is_left_alone(tmp_path: Path) -> None:
    process = _start(tmp_path / "result", "time.sleep(60)")
    try:
        with new_folder(tmp_path / "result"):
            pass
        assert _names(tmp_path) == [f".result.partial-{process.pid}", "result"]
    finally:
        _end(process, signal.SIGKILL)


def test_locked_folder_is_alive_even_if_its_process_cannot_be_seen(tmp_path: Path) -> None:
    """As in another container: the number means nothing here, but the lock holds."""
    process = _start(tmp_path / "result", "time.sleep(60)")
    foreign = tmp_path / f".result.partial-{_dead_pid()}"
    (tmp_path / f".result.partial-{process.pid}").rename(foreign)
    try:
        with new_folder(tmp_path / "result"):
            pass
        assert foreign.exists()
    finally:
        _end(process, signal.SIGKILL)


def test_left_over_with_our_own_process_number_is_cleared(tmp_path: Path) -> None:
    """In containers every run may have the same number."""
    stale = tmp_path / f".result.partial-{os.getpid()}"
    stale.mkdir()
    (stale / "old").touch()
    with new_folder(tmp_path / "result") as partial:
        assert partial == stale
        assert _names(partial) == []
    assert _names(tmp_path) == ["result"]


def test_two_threads_cannot_build_the_same_folder(tmp_path: Path) -> None:
    with new_folder(tmp_path / "result") as partial:
        (partial / "a").touch()
        caught: list[OutputError] = []

        def second() -> None:
            try:
                with new_folder(tmp_path / "result"):
                    pass
            except OutputError as error:
                caught.append(error)

        thread = threading.Thread(target=second)
        thread.start()
        thread.join()
        assert "being written" in str(caught[0])
        assert (partial / "a").exists()
    assert _names(tmp_path / "result") == ["a"]


def test_other_folders_with_odd_names_are_not_touched(tmp_path: Path) -> None:
    others = [f".r1.partial-{_dead_pid()}", ".r[1].partial", ".r[1]x.partial-1"]
    for name in others:
        (tmp_path / name).mkdir()
    stale = tmp_path / f".r[1].partial-{_dead_pid()}"
    stale.mkdir()
    with new_folder(tmp_path / "r[1]"):
        pass
    assert _names(tmp_path) == sorted([*others, "r[1]"])


def test_existing_folder_is_refused_before_any_work(tmp_path: Path) -> None:
    (tmp_path / "result").mkdir()
    with pytest.raises(OutputError, match=r"result: already exists. Name another output folder"):
        new_folder(tmp_path / "result").__enter__()
    assert _names(tmp_path) == ["result"]


def test_folder_that_appears_meanwhile_is_not_overwritten(tmp_path: Path) -> None:
    with (
        pytest.raises(OutputError, match="already exists"),
        new_folder(tmp_path / "result") as partial,
    ):
        (partial / "a").touch()
        (tmp_path / "result").mkdir()
        (tmp_path / "result" / "theirs").touch()
    assert _names(tmp_path) == ["result"]
    assert _names(tmp_path / "result") == ["theirs"]


OWN = ("quality.json", "strip.tif", "quality.html")


def test_replacing_swaps_whole_folders(tmp_path: Path) -> None:
    final = tmp_path / "result"
    for text, other in (("old", "strip.tif"), ("new", "quality.html")):
        with new_folder(final, replace=True, own_files=OWN) as partial:
            (partial / "quality.json").write_text(text)
            (partial / other).touch()
    assert _names(final) == ["quality.html", "quality.json"]
    assert (final / "quality.json").read_text() == "new"
    assert _names(tmp_path) == ["result"]


@pytest.mark.parametrize(
    ("there", "told"),
    [
        (["frames.csv"], "it also holds frames.csv, which would be lost"),
        (["quality.json", "my_notes.txt"], "it also holds my_notes.txt"),
        (["quality.json", "strip.tif", "frames/"], "it also holds frames,"),
        (["strip.tif"], "it has no quality.json"),
        (["quality.json", *"abcdefg"], "it also holds a, b, c, d, e and 2 more"),
    ],
)
def test_replacing_never_deletes_what_is_not_a_result(
    there: list[str], told: str, tmp_path: Path
) -> None:
    final = tmp_path / "result"
    final.mkdir()
    for name in there:
        (final / name).mkdir() if name.endswith("/") else (final / name).touch()
    before = _names(final)
    with pytest.raises(OutputError, match=f"won't be replaced: {told}"):
        new_folder(final, replace=True, own_files=OWN).__enter__()
    assert _names(final) == before
    assert _names(tmp_path) == ["result"]


@pytest.mark.parametrize("own_files", [(), OWN])
def test_an_empty_folder_may_be_replaced(own_files: tuple[str, ...], tmp_path: Path) -> None:
    final = tmp_path / "result"
    final.mkdir()
    with new_folder(final, replace=True, own_files=own_files) as partial:
        (partial / "quality.json").touch()
    assert _names(final) == ["quality.json"]


@pytest.mark.parametrize("replace", [False, True])
def test_file_or_link_in_the_way(tmp_path: Path, replace: bool) -> None:
    (tmp_path / "file").touch()
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to("real")
    (tmp_path / "broken").symlink_to("nowhere")
    for name, told in (
        ("file", "it is not a folder"),
        ("link", "it is a link to real"),
        ("broken", "it is a link to nowhere"),
    ):
        with pytest.raises(OutputError, match=f"is in the way: {told}"):
            new_folder(tmp_path / name, replace=replace, own_files=OWN).__enter__()
    with pytest.raises(OutputError, match="a file is in the way"):
        new_folder(tmp_path / "file" / "result", replace=replace).__enter__()


def test_folder_that_may_not_be_written(tmp_path: Path) -> None:
    with without_rights(tmp_path), pytest.raises(OutputError, match="may not be written"):
        new_folder(tmp_path / "result").__enter__()


def _no_room(*_: Any, **__: Any) -> NoReturn:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def _write_text(folder: Path) -> None:
    (folder / "a.txt").write_text("a" * 500_000)


def _write_array(folder: Path) -> None:
    np.zeros(500_000, np.uint8).tofile(folder / "a.raw")


def _write_strip(folder: Path) -> None:
    strip = np.random.default_rng(0).integers(0, 65536, (300, 2000), dtype=np.uint16)
    write_strip(folder / "strip.tif", strip, pitch_mm=0.1, metadata={})


def test_disk_full_while_flushing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "fsync", _no_room)
    with (
        pytest.raises(OutputError, match=r"no room is left on the disk .*nothing was left there"),
        new_folder(tmp_path / "result") as partial,
    ):
        _write_text(partial)
    assert _names(tmp_path) == []


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EIO, None])
def test_disk_errors_from_the_block(tmp_path: Path, number: int | None) -> None:
    error = OSError(number, "text") if number else OSError("720 requested and 4 written")
    with pytest.raises(OutputError) as caught, new_folder(tmp_path / "result"):
        raise error
    assert caught.value.__cause__ is error
    assert _names(tmp_path) == []


def test_other_errors_of_the_block_pass_through(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError), new_folder(tmp_path / "result"):
        (tmp_path / "an input").read_text()
    with (
        pytest.raises(OutputError, match="couldn't be written"),
        new_folder(tmp_path / "result") as p,
    ):
        (p / "missing folder" / "a").write_text("a")
    assert _names(tmp_path) == []


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 256 KiB."""
    mount = tmp_path / "tiny"
    mount.mkdir()
    if os.geteuid() != 0:
        pytest.skip("only the superuser can mount a file system that is full soon")
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", mount],
        check=False,
        capture_output=True,
        text=True,
    )
    if made.returncode:
        pytest.skip(f"no file system can be mounted here: {made.stderr.strip()}")
    yield mount
    subprocess.run(["umount", mount], check=True)


@pytest.mark.parametrize("write", [_write_text, _write_array, _write_strip])
def test_disk_that_is_really_full(tiny_disk: Path, write: Callable[[Path], None]) -> None:
    with (
        pytest.raises(OutputError, match=r"no room is left|couldn't be written in full") as caught,
        new_folder(tiny_disk / "result") as partial,
    ):
        write(partial)
    assert str(tiny_disk / "result") in str(caught.value)
    assert _names(tiny_disk) == []


@pytest.mark.parametrize(
    ("mark", "said"),
    [
        ("library.json", "in the library"),
        ("calibration.json", "the calibration"),
        ("quality.json", "in the result"),
    ],
)
def test_nothing_is_made_inside_a_library_or_a_calibration(
    mark: str, said: str, tmp_path: Path
) -> None:
    home = tmp_path / "home"
    (home / "below").mkdir(parents=True)
    (home / mark).write_text("{}", encoding="ascii")
    (tmp_path / "link").symlink_to(home)
    for final in (home / "new", home / "below" / "deep" / "new", tmp_path / "link" / "new"):
        with pytest.raises(OutputError, match=said), new_folder(final, replace=True):
            raise AssertionError("the block must not be entered")
        with pytest.raises(OutputError, match=said):
            require_free(final, True, ())
    assert sorted(path.name for path in home.iterdir()) == ["below", mark]
    with new_folder(home / "new", into_library=True) as partial:
        (partial / "a").touch()
    assert (home / "new" / "a").is_file()
    with new_folder(tmp_path / "beside"):
        pass
