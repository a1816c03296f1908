"""Whether a DICOM file goes on to its end: a copy that was cut short looks sound at its beginning.

Lengths are followed (PS3.5 clause 7), values aren't read.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import BinaryIO, Literal

_UNDEFINED = 0xFFFFFFFF
_LONG = {
    *(b"OB", b"OD", b"OF", b"OL", b"OV", b"OW", b"SQ"),
    *(b"SV", b"UC", b"UN", b"UR", b"UT", b"UV"),
}
"""Representations whose length has four bytes, after two that are reserved."""
_SHORTEST = 8
_MARKS = 0xFFFE
_ITEM, _ITEM_ENDS, _SEQUENCE_ENDS = 0xE000, 0xE00D, 0xE0DD


def is_cut_short(stream: BinaryIO, start: int, *, implicit: bool, little: bool) -> bool:
    """Whether the elements from byte ``start`` on end before the file's last one does.

    ``implicit`` and ``little`` say how they are written. What isn't made of elements counts as cut
    short too. The file mustn't be deflated.
    """
    size = os.fstat(stream.fileno()).st_size
    stream.seek(start)
    elements = _Elements(stream, implicit, "little" if little else "big")
    try:
        while (left := size - stream.tell()) > 0:
            if left < _SHORTEST and not any(stream.read(left)):
                return False  # zeros that some programs leave at the end
            stream.seek(size - left)
            elements.next()
    except (EOFError, RecursionError):
        return True
    return stream.tell() > size


@dataclass(frozen=True, slots=True)
class _Elements:
    """The elements of a data set, passed over one by one."""

    stream: BinaryIO
    implicit: bool
    order: Literal["little", "big"]

    def next(self) -> int:
        """Pass one element or mark; what ends an item or a sequence is returned, else 0."""
        group, element = self._number(2), self._number(2)
        if group == _MARKS:
            length, inside = self._number(4), _ITEM_ENDS
        else:
            length, inside = self._length(), _SEQUENCE_ENDS
        if length != _UNDEFINED:
            self.stream.seek(length, os.SEEK_CUR)
        else:
            while self.next() != inside:
                pass
        return element if group == _MARKS and element != _ITEM else 0

    def _length(self) -> int:
        if self.implicit:
            return self._number(4)
        representation = self._read(2)
        if representation not in _LONG:
            return self._number(2)
        self._read(2)
        return self._number(4)

    def _number(self, count: int) -> int:
        return int.from_bytes(self._read(count), self.order)

    def _read(self, count: int) -> bytes:
        found = self.stream.read(count)
        if len(found) < count:
            raise EOFError
        return found
