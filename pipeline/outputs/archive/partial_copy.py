"""A copy of a bag under construction: built beside its final place, renamed when it is proved.

It stands in ``.NAME.partial`` with a journal of what lies on the medium already, and stays there
when it can't be completed, so that the next run goes on with it. Nothing under the final name is
ever touched.
"""

from __future__ import annotations

import errno
import fcntl
import os
from collections.abc import Collection
from contextlib import suppress
from pathlib import Path

from pipeline.io.folders import flush_entry
from pipeline.outputs.archive.bag_text import ALGORITHM
from pipeline.outputs.archive.check import Checked, check_bag
from pipeline.outputs.archive.journal import Journal, Origin
from pipeline.outputs.archive.read_back import Content, Count, contents_of, forget
from pipeline.outputs.archive.tree import files_below

_FLUSH_BYTES = 2**27
_FLUSH_FILES = 64


def why(error: OSError) -> str:
    """Why something couldn't be written, in plain words."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return "no room is left"
    if error.errno in (errno.EROFS, errno.EACCES, errno.EPERM):
        return f"may not be written ({error.strerror})"
    if error.errno in (errno.ENOENT, errno.ENOTDIR, errno.ENODEV, errno.ESTALE):
        return "isn't there (any more): is the drive connected?"
    return f"couldn't be written in full ({error.strerror or error})"


class PartialCopy:
    """The copy of the bag ``name`` that is being made in the folder ``root``.

    It is a ``copying.Place``. ``problem`` tells why it takes nothing more; "" while all is well.
    """

    def __init__(self, root: Path, name: str) -> None:
        self.root, self.final = root, root / name
        self.problem = ""
        self.resumed = False
        self._folder = root / f".{name}.partial"
        self.bag = self._folder / "bag"
        self._journal: Journal | None = None
        self._lock = -1
        self._open = -1
        self._unflushed: list[tuple[int, str, Content, Origin]] = []

    @property
    def failed(self) -> bool:
        """Whether it takes nothing more."""
        return bool(self.problem)

    @property
    def kept(self) -> bool:
        """Whether something of it lies there for a later run to go on with."""
        return bool(files_below(self.bag).files)

    def start(self, names: Collection[str], size: int) -> None:
        """Take up or begin the copy of files of these names, of ``size`` bytes in all."""
        try:
            if not self.root.is_dir():
                raise FileNotFoundError(errno.ENOENT, "no such folder")
            self.resumed = self._folder.is_dir()
            self.bag.mkdir(parents=True, exist_ok=True)
            self._lock = os.open(self._folder, os.O_RDONLY | os.O_DIRECTORY)
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            self._journal = Journal(self._folder / "journal.jsonl")
            there = self._put_strangers_aside(names)
            free = os.statvfs(self.bag)
            if free.f_bavail * free.f_frsize < size - there:
                room = free.f_bavail * free.f_frsize
                self.problem = f"no room is left: {size - there} bytes are needed, {room} are free"
        except BlockingIOError:
            self.problem = "is being written to by another run"
        except OSError as error:
            self._fail(error)

    def has(self, name: str, origin: Origin) -> Content | None:
        """The file's content, if it lies there already."""
        if self.failed or self._journal is None:
            return None
        content = self._journal.content(name, origin)
        try:
            there = content is not None and (self.bag / name).stat().st_size == content.size
        except OSError:
            return None
        return content if there else None

    def begin(self, name: str) -> None:
        """Open a file of this name."""
        if self.failed:
            return
        how = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW
        try:
            # From the open folder on: under the path of a drive that was pulled out there may be
            # another disk's folder, which must not be written to.
            inside = Path("bag", name)
            for parent in reversed(inside.parents[:-1]):
                with suppress(FileExistsError):
                    os.mkdir(parent, dir_fd=self._lock)
            self._open = os.open(inside, how, 0o666, dir_fd=self._lock)
        except OSError as error:
            self._fail(error)

    def write(self, block: memoryview) -> None:
        """Add to the open file."""
        if self.failed:
            return
        try:
            while block:
                block = block[os.write(self._open, block) :]
        except OSError as error:
            self._fail(error)

    def end(self, name: str, content: Content, origin: Origin, mtime_ns: int) -> None:
        """Close the file, with its source's time."""
        if self.failed:
            return
        try:
            os.utime(self._open, ns=(mtime_ns, mtime_ns))
        except OSError as error:
            self._fail(error)
            return
        self._unflushed.append((self._open, name, content, origin))
        self._open = -1
        unflushed = sum(content.size for _, _, content, _ in self._unflushed)
        if unflushed >= _FLUSH_BYTES or len(self._unflushed) >= _FLUSH_FILES:
            self.flush()

    def flush(self) -> None:
        """Have all files so far on the medium, and noted as such."""
        if self.failed or self._journal is None:
            return
        try:
            for descriptor, *_ in self._unflushed:
                os.fsync(descriptor)
                forget(descriptor)
            self._journal.add([(name, one, origin) for _, name, one, origin in self._unflushed])
        except OSError as error:
            self._fail(error)
            return
        self._close_all()

    def put_text(self, name: str, text: str) -> None:
        """Write a small file of the bag's own."""
        self.begin(name)
        self.write(memoryview(text.encode()))
        if self.failed:
            return
        try:
            os.fsync(self._open)
            os.close(self._open)
            self._open = -1
        except OSError as error:
            self._fail(error)

    def prove(self, identity: str, count: Count | None = None) -> Checked | None:
        """Read the copy back; None if it can't be relied on. What is wrong is written anew by the
        next run."""
        if self.failed:
            return None
        checked = check_bag(self.bag, identity=identity, count=count)
        if not self._still_there():
            self._fail(OSError(errno.ENODEV, os.strerror(errno.ENODEV)))
            return None
        if checked.sound:
            return checked
        told = "; ".join(str(fault) for fault in checked.faults[:3])
        more = f" and {len(checked.faults) - 3} more" if len(checked.faults) > 3 else ""
        self.problem = (
            f"reads back other than it was written: {told}{more}. The medium or its cable may be "
            "failing; the next run writes these files anew"
        )
        try:
            if self._journal is not None:
                self._journal.void([fault.path for fault in checked.faults])
        except OSError as error:
            self.problem += f" ({why(error)})"
        return None

    def read_back(self) -> dict[str, Content | OSError]:
        """What lies there of the files, by name."""
        return contents_of(files_below(self.bag).files, ALGORITHM)

    def publish(self) -> None:
        """Give the copy its final name, which must be free."""
        if self.failed:
            return
        try:
            for parent, _, _ in os.walk(self.bag):
                flush_entry(Path(parent))
            if os.path.lexists(self.final):
                self.problem = f"{self.final.name} has come there meanwhile"
                return
            self.bag.rename(self.final)
            flush_entry(self.root)
        except OSError as error:
            self._fail(error)
            return
        self.clear()

    def clear(self) -> None:
        """Take away the journal and the folders that are empty; what holds a file stays."""
        with suppress(OSError):
            (self._folder / "journal.jsonl").unlink()
            for parent, _, _ in os.walk(self._folder, topdown=False):
                if not any(Path(parent).iterdir()):
                    Path(parent).rmdir()

    def close(self) -> None:
        """Let go of everything; what is there stays."""
        self._close_all()
        for descriptor in (self._open, self._lock):
            _close(descriptor)
        self._open = self._lock = -1

    def _still_there(self) -> bool:
        """Whether the path still leads to the disk that was written to."""
        try:
            now, then = self._folder.stat(), os.fstat(self._lock)
        except OSError:
            return False
        return (now.st_dev, now.st_ino) == (then.st_dev, then.st_ino)

    def _put_strangers_aside(self, names: Collection[str]) -> int:
        """Move what an earlier try wrote and this one doesn't; returns the bytes that stay."""
        there = 0
        for name, path in files_below(self.bag).files.items():
            if name in names:
                there += path.stat().st_size
            elif "/" in name:  # the bag's own texts are written anew
                aside = self._folder / "aside" / name
                aside.parent.mkdir(parents=True, exist_ok=True)
                path.rename(aside)
        return there

    def _close_all(self) -> None:
        for descriptor, *_ in self._unflushed:
            _close(descriptor)
        self._unflushed = []

    def _fail(self, error: OSError) -> None:
        self.problem = why(error)


def _close(descriptor: int) -> None:
    """What a medium tells only now is told better by reading the copy back."""
    if descriptor >= 0:
        with suppress(OSError):
            os.close(descriptor)
