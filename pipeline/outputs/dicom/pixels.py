"""Gray values as DICOM stores them: as they are, or compressed without loss."""

from __future__ import annotations

from typing import Literal

import imagecodecs
import numpy as np
from pydicom.dataset import Dataset
from pydicom.encaps import encapsulate
from pydicom.uid import UID, ExplicitVRLittleEndian, JPEG2000Lossless, JPEGLSLossless

from pipeline.model import RawImage
from pipeline.outputs.dicom.values import fill

Compression = Literal["none", "jpeg-ls", "jpeg-2000"]

SYNTAXES: dict[str, UID] = {
    "none": ExplicitVRLittleEndian,
    "jpeg-ls": JPEGLSLossless,
    "jpeg-2000": JPEG2000Lossless,
}
"""The transfer syntax of each kind of compression; all keep every bit."""
_MOST_CODED_BYTES = 8  # a code word of 16-bit JPEG-LS has 64 bits at most (ISO 14495-1 A.5.3)
_MARKERS_BYTES = 4096


def encode(values: RawImage, compression: Compression) -> bytes:
    """The value of the element PixelData."""
    if compression == "none":
        return np.ascontiguousarray(values, "<u2").tobytes()
    plain = np.ascontiguousarray(values)
    if compression == "jpeg-ls":
        coded = _jpeg_ls(plain)
    else:
        coded = bytes(imagecodecs.jpeg2k_encode(plain, codecformat="j2k", reversible=True, level=0))
    return bytes(encapsulate([coded], has_bot=True))


def _jpeg_ls(values: RawImage) -> bytes:
    """Noise alone gets larger by coding; the codec then wants to be told how much room it has."""
    try:
        return bytes(imagecodecs.jpegls_encode(values, level=0))
    except imagecodecs.JpeglsError:
        most = _MOST_CODED_BYTES * values.size + _MARKERS_BYTES
        return bytes(imagecodecs.jpegls_encode(values, level=0, out=most))


def add_pixel_description(dataset: Dataset, columns: int, rows: int, padding: bool) -> None:
    """The Image Pixel module, but for the pixels; ``padding``: 0 means that nothing is known."""
    fill(
        dataset,
        SamplesPerPixel=1,
        Rows=rows,
        Columns=columns,
        BitsAllocated=16,
        BitsStored=16,
        HighBit=15,
        PixelRepresentation=0,
        PixelPaddingValue=0 if padding else None,
        PixelIntensityRelationship="LIN",
        PixelIntensityRelationshipSign=1,
        RescaleIntercept="0",
        RescaleSlope="1",
        RescaleType="US",
        LossyImageCompression="00",
        BurnedInAnnotation="NO",
    )
