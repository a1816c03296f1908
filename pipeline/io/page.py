"""One frame's pixels on disk, found but not yet read."""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from pipeline.errors import FrameError
from pipeline.io.near_names import near_name
from pipeline.model import RawImage


class Page(Protocol):
    """A page whose header was checked. Reading is safe from several threads at once."""

    @property
    def inverted(self) -> bool:
        """Whether the file says that low values are to be shown bright; values are kept as is."""
        ...

    def read(self, out: RawImage) -> None:
        """Put the stored gray values into ``out`` (uint16, C-contiguous, of the page's shape).

        Raises:
            FrameError: the file has changed since its header was checked, or is damaged inside.
        """
        ...


@dataclass(frozen=True, slots=True)
class Run:
    """Bytes of a file that hold whole rows, one after the other, uncompressed."""

    offset: int
    nbytes: int


@dataclass(frozen=True, slots=True)
class PlainPage:
    """An uncompressed page: ``runs`` in row order go straight into the caller's array."""

    path: Path
    where: str
    runs: tuple[Run, ...]
    big_endian: bool
    inverted: bool = False

    def read(self, out: RawImage) -> None:
        """See ``Page.read``; no second array is made."""
        target = out.data.cast("B")
        done = 0
        try:
            with self.path.open("rb", buffering=0) as stream:
                for run in self.runs:
                    stream.seek(run.offset)
                    end = done + run.nbytes
                    while done < end:
                        got = stream.readinto(target[done:end])
                        if not got:
                            raise _changed(self.where, "ends before its pixels do")
                        done += got
        except OSError as error:
            raise _changed(self.where, f"can't be read ({error.strerror or error})") from error
        if done != len(target):
            raise ValueError(f"{self.where}: {done} bytes read for an array of {len(target)}")
        if self.big_endian != (sys.byteorder == "big"):
            out.byteswap(inplace=True)


def _changed(where: str, what: str) -> FrameError:
    return FrameError(
        what,
        where=where,
        expected="the file as it was when its header was checked",
        remedy="Leave the frames alone while they are being read; copy the file again",
    )


def merge_runs(runs: list[Run]) -> tuple[Run, ...]:
    """The same bytes in as few runs as possible: strips that follow each other become one."""
    merged: list[Run] = []
    for run in runs:
        if merged and merged[-1].offset + merged[-1].nbytes == run.offset:
            merged[-1] = Run(merged[-1].offset, merged[-1].nbytes + run.nbytes)
        else:
            merged.append(run)
    return tuple(merged)


def size_text(shape: tuple[int, ...]) -> str:
    """A shape as people say it: ``1152 rows × 1536 columns``."""
    return f"{shape[0]} rows × {shape[1]} columns"


def wrong_size(where: str, found: tuple[int, int], shape: tuple[int, int]) -> FrameError:
    """The error for a page that is not as large as the panel."""
    if found == (shape[1], shape[0]):
        remedy = "Rows and columns look exchanged: correct the panel's entry in the config"
    else:
        remedy = "Check that the frame comes from this panel in this binning mode"
    return FrameError(
        f"has {size_text(found)}", where=where, expected=size_text(shape), remedy=remedy
    )


def require_file(path: Path, where: str) -> FrameError | int:
    """The size in bytes of a file that can be read and isn't empty, or the error that says why."""
    try:
        if path.exists() and not path.is_file():  # opening a pipe would wait for ever
            return FrameError(
                "is a folder" if path.is_dir() else "is no ordinary file",
                where=where,
                expected="a file",
                remedy="Correct the name that leads to it, or move it out of the folder",
            )
        with path.open("rb") as stream:
            size = stream.seek(0, os.SEEK_END)
    except FileNotFoundError:
        return FrameError(
            f"doesn't exist{near_name(path.parent, path.name)}",
            where=where,
            expected="a file",
            remedy="Copy the frames again, or correct the file's name in the frame table",
        )
    except (OSError, ValueError) as error:  # ValueError: a name with a null byte
        return FrameError(
            f"can't be opened ({getattr(error, 'strerror', None) or error})",
            where=where,
            expected="a file that you may read",
            remedy="Check the rights of the file and its folders",
        )
    if size == 0:
        return FrameError(
            "is empty (0 bytes)",
            where=where,
            expected="a frame",
            remedy="Copy the file again from where it was acquired",
        )
    return size


def no_such_page(where: str, count: int) -> FrameError:
    """The error for a page number past the file's ``count`` pages."""
    return FrameError(
        f"isn't there: the file holds {count} page{'' if count == 1 else 's'}",
        where=where,
        expected="a page number from 0 to the number of pages less one",
        remedy="Correct the page in the frame table, or copy the file again if it is cut short",
    )


def incomplete(where: str, what: str) -> FrameError:
    """The error for a page whose pixels aren't all in the file."""
    return FrameError(
        what,
        where=where,
        expected="a complete page",
        remedy="Copy the file again from where it was acquired",
    )
