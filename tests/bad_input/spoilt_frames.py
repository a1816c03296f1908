"""Ways in which the file of a frame is spoilt."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import tifffile


def missing(path: Path) -> None:
    path.unlink()


def truncated(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:100_000])


def cut_in_its_header(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:20])


def zero_bytes(path: Path) -> None:
    path.write_bytes(b"")


def another_kind_of_file(path: Path) -> None:
    path.write_bytes(b"%PDF-1.7 certainly not a frame\n" * 100)


def wrong_dtype(path: Path) -> None:
    tifffile.imwrite(path, tifffile.imread(path).astype(np.float32))


def eight_bits(path: Path) -> None:
    tifffile.imwrite(path, (tifffile.imread(path) >> 8).astype(np.uint8))


def wrong_size(path: Path) -> None:
    tifffile.imwrite(path, tifffile.imread(path)[:, :-1])


def turned(path: Path) -> None:
    tifffile.imwrite(path, np.ascontiguousarray(tifffile.imread(path).T))


def colour(path: Path) -> None:
    image = tifffile.imread(path)
    tifffile.imwrite(path, np.stack([image] * 3, axis=-1), photometric="rgb")


def absurd_header(path: Path) -> None:
    """A valid header that claims a picture of 4 294 967 295 × 4 294 967 295 pixels."""
    entries = [(256, 4, 1, 2**32 - 1), (257, 4, 1, 2**32 - 1), (258, 3, 1, 16), (259, 3, 1, 1)]
    entries += [(262, 3, 1, 1), (273, 4, 1, 8), (277, 3, 1, 1), (278, 4, 1, 2**32 - 1)]
    entries += [(279, 4, 1, 2**32 - 1)]
    body = b"".join(struct.pack("<HHII", *entry) for entry in entries)
    path.write_bytes(struct.pack("<2sHIH", b"II", 42, 8, len(entries)) + body + bytes(4))


def endless_pages(path: Path) -> None:
    """A header whose list of pages runs in a circle."""
    data = bytearray(path.read_bytes())
    start = struct.unpack_from("<I", data, 4)[0]
    count = struct.unpack_from("<H", data, start)[0]
    struct.pack_into("<I", data, start + 2 + 12 * count, start)
    path.write_bytes(data)


def damaged_inside(path: Path) -> None:
    """A compressed frame whose pixels can't be decoded; its header is in order."""
    image = tifffile.imread(path)
    tifffile.imwrite(path, image, photometric="minisblack", compression="zlib", rowsperstrip=64)
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages[0]
        middle = page.dataoffsets[2] + page.databytecounts[2] // 2
    data = bytearray(path.read_bytes())
    data[middle : middle + 400] = bytes(400)
    path.write_bytes(data)


def a_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()
