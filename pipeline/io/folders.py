"""Folders that appear whole or not at all: built beside, flushed to disk, then renamed.

A folder under construction is called ``.NAME.partial-PID`` and stands beside its final place, so
that the rename stays on one file system. Its builder holds a lock on it; a partial folder that no
living process holds was left by one that was killed, and the next run clears it away.

No folder is made inside a calibration, a library of calibrations or an archived weld: what is in
there stays as it was released. Only the library's own module may, and says so.
"""

from __future__ import annotations

import errno
import fcntl
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.errors import OutputError

LIBRARY_FILE, CALIBRATION_FILE, BAG_FILE = "library.json", "calibration.json", "bagit.txt"
LOG_FILE = "quality.json"
"""Files that make a folder a library of calibrations, a calibration, a weld's bag or its result."""
EXPORT_LIST = "export.json"
"""The list of what an export holds, in its folder."""

_CLOSED = {
    LIBRARY_FILE: "library",
    CALIBRATION_FILE: "calibration",
    BAG_FILE: "archived weld",
    LOG_FILE: "result",
}

_SHOWN = 5  # names in a message
_NO_ROOM = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})
_BROKEN_STORE = frozenset({errno.EROFS, errno.EIO, errno.ESTALE})


@contextmanager
def new_folder(
    final: Path,
    *,
    replace: bool = False,
    own_files: tuple[str, ...] = (),
    into_library: bool = False,
) -> Iterator[Path]:
    """A folder to write into, which becomes ``final`` when the block ends without an exception.

    Missing parents are made. On any exception, an interrupt included, what was written is removed
    and ``final`` is as it was before. With ``replace`` an older ``final`` is put aside until the
    new one has its name, then deleted; only a folder that is empty, or holds the first of
    ``own_files`` and nothing but ``own_files``, is replaced, so that a slip of the hand can't
    delete frames, notes or another kind of result. ``into_library`` is for the library's module.

    Raises:
        OutputError: ``final`` exists (and may not be replaced), lies in a calibration or a
            library, its parent can't be written, the disk is full, or another run is building the
            same folder.
    """
    final = Path(os.path.abspath(final))  # noqa: PTH100 - resolve() would follow a final link
    if not into_library:  # said before anything is made
        require_outside(final)
    partial = final.with_name(f".{final.name}.partial-{os.getpid()}")
    try:
        final.parent.mkdir(parents=True, exist_ok=True)
        _clear_stale(final)
        lock = _make_locked(partial)
    except OSError as error:
        raise _output_error(error, final) from error
    try:
        _restore_interrupted_replacement(final)
        _require_free(final, replace, own_files)
        yield partial
        _flush(partial)
        _require_free(final, replace, own_files)  # it may have appeared in the meantime
        _put_in_place(partial, final)
    except OSError as error:
        if _is_about_writing(error, partial):
            raise _output_error(error, final) from error
        raise
    finally:
        shutil.rmtree(partial, ignore_errors=True)  # nothing is there after success
        os.close(lock)


def require_free(final: Path, replace: bool, own_files: tuple[str, ...]) -> None:
    """Raise OutputError unless ``new_folder`` could make ``final``, as far as names tell."""
    require_outside(final)
    _require_free(final, replace, own_files)


def _require_free(final: Path, replace: bool, own_files: tuple[str, ...]) -> None:
    if not os.path.lexists(final):
        return
    if final.is_symlink():
        raise OutputError(
            f"is in the way: it is a link to {final.readlink()}",
            where=str(final),
            remedy="Name the folder that it leads to, or another one",
        )
    if not final.is_dir():
        raise OutputError(
            "is in the way: it is not a folder",
            where=str(final),
            remedy="Name another output folder",
        )
    if not replace:
        or_so = ", or add --replace to have this one replaced" if own_files else ""
        raise OutputError(
            "already exists", where=str(final), remedy=f"Name another output folder{or_so}"
        )
    names = sorted(entry.name for entry in final.iterdir())
    foreign = [name for name in names if name not in own_files]
    if foreign:
        more = f" and {len(foreign) - _SHOWN} more" if len(foreign) > _SHOWN else ""
        what = f"it also holds {', '.join(foreign[:_SHOWN])}{more}, which would be lost"
    elif names and own_files[0] not in names:
        what = f"it has no {own_files[0]}, so it isn't an earlier result"
    else:
        return
    raise OutputError(
        f"won't be replaced: {what}",
        where=str(final),
        expected=f"an empty folder or an earlier result, with {own_files[0]} in it",
        remedy="Name another output folder, or move what you want to keep",
    )


def require_outside(final: Path) -> None:
    """Raise OutputError if ``final`` would lie in one of the folders that nothing is added to."""
    home = final.absolute().parent.resolve()
    for folder in (home, *home.parents):
        for name, what in _CLOSED.items():
            if os.path.isfile(folder / name):  # noqa: PTH113 - false where rights are lacking
                raise OutputError(
                    f"lies in the {what} {folder}, where nothing is ever written or changed",
                    where=str(final),
                    remedy="Name a folder elsewhere"
                    + (
                        "; girthstrip calibrate release puts calibrations into a library"
                        if what == "library"
                        else ""
                    ),
                )


def _put_in_place(partial: Path, final: Path) -> None:
    """Rename ``partial`` to ``final``; an older ``final`` steps aside first and is then deleted."""
    if not os.path.lexists(final):
        partial.rename(final)
        flush_entry(final.parent)
        return
    aside = final.with_name(f".{final.name}.replaced-{os.getpid()}")
    final.rename(aside)
    try:
        partial.rename(final)
    except BaseException:
        aside.rename(final)
        raise
    flush_entry(final.parent)
    shutil.rmtree(aside, ignore_errors=True)


def _restore_interrupted_replacement(final: Path) -> None:
    """Give an older result its name back if a run was killed between putting it aside and the end.

    Where ``final`` exists, the replacement had been completed and the old one is only a leftover.
    """
    for aside in sorted(final.parent.glob(f".{_escaped(final.name)}.replaced-*")):
        if _is_alive(_pid_of(aside)):
            continue
        if os.path.lexists(final):
            shutil.rmtree(aside, ignore_errors=True)
        else:
            aside.rename(final)


def _clear_stale(final: Path) -> None:
    """Remove partial folders of ``final`` whose builders are dead."""
    for partial in final.parent.glob(f".{_escaped(final.name)}.partial-*"):
        if not _is_alive(_pid_of(partial)) and not _is_locked(partial):
            shutil.rmtree(partial, ignore_errors=True)


def clear_stale_in(folder: Path) -> None:
    """Remove the partial folders in ``folder``, of whatever name, whose builders are dead."""
    for partial in folder.glob(".*.partial-*"):
        if partial.is_dir() and not _is_alive(_pid_of(partial)) and not _is_locked(partial):
            shutil.rmtree(partial, ignore_errors=True)


def _make_locked(partial: Path) -> int:
    """Make the folder and lock it; returns the descriptor that holds the lock."""
    try:
        partial.mkdir()
    except FileExistsError:
        # Our own process number: either we are building it in another thread, or an earlier
        # process with this number (in a container they repeat) was killed.
        if _is_locked(partial):
            raise OutputError(
                "is being written by this process already", where=str(partial)
            ) from None
        shutil.rmtree(partial)
        partial.mkdir()
    descriptor = os.open(partial, os.O_RDONLY | os.O_DIRECTORY)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(descriptor)
        raise OutputError("is being written by another run", where=str(partial)) from None
    except OSError:
        pass  # some network stores have no locks; the process number has to do there
    return descriptor


def _is_locked(folder: Path) -> bool:
    """Whether a living process holds the folder, on this machine, in whatever container."""
    try:
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    except OSError:
        return False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False
    finally:
        os.close(descriptor)
    return False


def _pid_of(partial: Path) -> int:
    """The process number at the end of a partial folder's name; 0 if there is none."""
    number = partial.name.rpartition("-")[2]
    return int(number) if number.isascii() and number.isdigit() else 0


def _is_alive(pid: int) -> bool:
    """Whether another process with this number runs; our own number doesn't count."""
    if pid in (0, os.getpid()):
        return False
    try:
        os.kill(pid, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:
        return True
    return True


def _flush(folder: Path) -> None:
    """Have every file and folder below ``folder`` on the disk itself before the rename."""
    for parent, _, names in os.walk(folder):
        for name in names:
            flush_entry(Path(parent, name))
        flush_entry(Path(parent))


def flush_entry(path: Path) -> None:
    """Have a file, or the entries of a folder, on the disk before anything goes on."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    except OSError as error:
        if error.errno != errno.EINVAL:  # the file system has nothing to flush
            raise
    finally:
        os.close(descriptor)


def _escaped(name: str) -> str:
    """``name`` for use in a glob pattern."""
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in name)


def _is_about_writing(error: OSError, partial: Path) -> bool:
    """Whether an OSError from the block concerns what is being written, not something else.

    numpy reports a write that the disk cut short as an OSError without a number.
    """
    if error.errno is None or error.errno in _NO_ROOM | _BROKEN_STORE:
        return True
    names = [name for name in (error.filename, error.filename2) if isinstance(name, str)]
    return any(Path(name).is_relative_to(partial) for name in names)


def _output_error(error: OSError, final: Path) -> OutputError:
    if error.errno in _NO_ROOM:
        what, remedy = "no room is left on the disk", "Free some space or name another folder"
    elif error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        what, remedy = "may not be written", "Name a folder that you may write to"
    elif error.errno in (errno.ENOTDIR, errno.EEXIST):
        what, remedy = "a file is in the way", "Name another output folder"
    else:
        what = "couldn't be written in full"
        remedy = "Check the disk and its free space, or name another folder"
    detail = error.strerror or str(error)
    return OutputError(
        f"{what} ({detail}); nothing was left there", where=str(final), remedy=remedy
    )
