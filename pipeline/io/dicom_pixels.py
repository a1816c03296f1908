"""Compressed pixels of DICOM frames: which ways of compression are read, and how."""

from __future__ import annotations

import threading
import warnings
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np

from pipeline.errors import FrameError
from pipeline.io.page import Page
from pipeline.model import RawImage

# Silencing warnings changes the interpreter's state, which two threads must not do at once.
_quiet_lock = threading.Lock()

Decode = Callable[[bytes], Any]

_JPEG_2000 = "1.2.840.10008.1.2.4.91"
RLE = "1.2.840.10008.1.2.5"
_DECODERS: Mapping[str, Decode] = {
    "1.2.840.10008.1.2.4.57": imagecodecs.jpegsof3_decode,  # JPEG Lossless, process 14
    "1.2.840.10008.1.2.4.70": imagecodecs.jpegsof3_decode,  # the same, first-order prediction
    "1.2.840.10008.1.2.4.80": imagecodecs.jpegls_decode,
    "1.2.840.10008.1.2.4.90": imagecodecs.jpeg2k_decode,
    _JPEG_2000: imagecodecs.jpeg2k_decode,
}
READ = "uncompressed pixels, RLE, JPEG lossless, JPEG-LS lossless or JPEG 2000 lossless"
_DAMAGED = "Copy the file again from where it was acquired"


def can_decode(syntax: str, told_lossless: bool) -> bool:
    """Whether compressed pixels of this transfer syntax can be read, and are as they were shot.

    JPEG 2000 of the general kind may be either, so the file has to say that nothing was lost.
    """
    return syntax == RLE or (syntax in _DECODERS and (syntax != _JPEG_2000 or told_lossless))


@dataclass(frozen=True, slots=True)
class CodedDicomPage:
    """A compressed frame: frame ``number`` of ``count`` in the value at byte ``start``."""

    path: Path
    where: str
    number: int
    count: int
    start: int
    syntax: str
    inverted: bool

    def read(self, out: RawImage) -> None:
        """See ``Page.read``; decodes into an array of its own."""
        try:
            found = self._rle() if self.syntax == RLE else self._jpeg()
            if found.shape != out.shape or found.dtype.itemsize != 2:
                raise ValueError(f"{found.dtype} {found.shape} instead of {out.shape}")
        except Exception as error:  # decoders raise many kinds of their own
            raise FrameError(
                f"is damaged: its pixels can't be decoded ({error})",
                where=self.where,
                expected="intact compressed data",
                remedy=_DAMAGED,
            ) from error
        out[:] = found.view(np.uint16)

    def _jpeg(self) -> Any:
        from pydicom.encaps import get_frame  # noqa: PLC0415 - only for those who use DICOM

        with self.path.open("rb") as stream, quiet():
            stream.seek(self.start)
            coded = get_frame(stream, self.number, number_of_frames=self.count)
        return _DECODERS[self.syntax](coded)

    def _rle(self) -> Any:
        from pydicom.pixels import pixel_array  # noqa: PLC0415 - only for those who use DICOM

        with quiet():
            return pixel_array(self.path, index=self.number, raw=True)


@dataclass(frozen=True, slots=True)
class LimitedPage:
    """A page whose values must not exceed ``most``: of fewer bits than 16, or signed ones."""

    page: Page
    where: str
    most: int
    signed: bool

    @property
    def inverted(self) -> bool:
        """See ``Page.inverted``."""
        return self.page.inverted

    def read(self, out: RawImage) -> None:
        """See ``Page.read``; a negative value would pass for a very bright one."""
        self.page.read(out)
        if int(out.max()) > self.most:
            raise FrameError(
                f"has {np.count_nonzero(out > self.most)} values outside of 0 to {self.most}"
                + (" (its values are signed)" if self.signed else ""),
                where=self.where,
                expected="gray values as its header describes them, none of them negative",
                remedy="Export the raw frames as 16-bit unsigned monochrome DICOM",
            )


@contextmanager
def quiet() -> Iterator[None]:
    """No warnings on standard error: what matters is checked here and said in words."""
    with _quiet_lock, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield
