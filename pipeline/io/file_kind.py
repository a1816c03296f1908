"""What kind of file this is, from its first bytes, where it isn't the kind that was expected."""

from __future__ import annotations

from pathlib import Path

_DICOM_MARK = 128
_BEGINNINGS: tuple[tuple[int, bytes, str], ...] = (
    (0, b"\x89PNG\r\n", "a PNG picture"),
    (0, b"\xff\xd8\xff", "a JPEG picture"),
    (0, b"GIF8", "a GIF picture"),
    (0, b"BM", "a BMP picture"),
    (0, b"II*\0", "a TIFF"),
    (0, b"MM\0*", "a TIFF"),
    (0, b"II+\0", "a TIFF"),
    (0, b"MM\0+", "a TIFF"),
    (_DICOM_MARK, b"DICM", "a DICOM file"),
    (0, b"%PDF", "a PDF"),
    (0, b"PK\x03\x04", "a ZIP archive"),
    (0, b"\x1f\x8b", "a gzip archive"),
    (0, b"\x89HDF\r\n", "an HDF5 file"),
)
"""Where in the file, which bytes, what they stand for: each format's own published signature."""


def kind_of_file(path: Path) -> str:
    """``"a PNG picture"`` and the like, or nothing when the beginning isn't known or readable."""
    try:
        with path.open("rb") as stream:
            head = stream.read(_DICOM_MARK + 8)
    except OSError:
        return ""
    return next((kind for at, mark, kind in _BEGINNINGS if head.startswith(mark, at)), "")
