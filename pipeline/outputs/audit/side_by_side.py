"""Pieces of two strips that show the same metal, cut and turned so that they can be compared."""

from __future__ import annotations

import base64

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.io.strip_overview import read_overview
from pipeline.outputs.audit.collect import COARSE_MM, Record
from pipeline.quality.evidence.agreement import Agreement
from pipeline.quality.evidence.search import Candidate

_LENGTH_MM = 240.0
_WIDE_PX = 720
_HALF_MM = 20.0
_PERCENT = 0.5  # cut at both ends of the gray scale


def side_by_side(
    one: Record, other: Record, way: Candidate, agreement: Agreement
) -> tuple[tuple[str, str], ...]:
    """Two pictures with titles, as data URIs: a piece of the first strip, and of the second the
    piece that is like it, turned and flipped. None where a strip can't be read any more."""
    begin_mm = agreement.first_mm
    s_mm = begin_mm + np.arange(_WIDE_PX) * _LENGTH_MM / _WIDE_PX
    sign = -1 if way.reversed_along else 1
    at_mm = (sign * (s_mm - way.shift_mm)) % way.turn_mm / way.scale
    try:
        first = _piece(one, s_mm, upside_down=False)
        second = _piece(other, at_mm, upside_down=way.reversed_across)
    except InputError:
        return ()
    flipped = way.reversed_along or way.reversed_across
    return (
        (f"{one.weld}, {s_mm[0]:.0f} to {s_mm[-1]:.0f} mm", first),
        (
            f"{other.weld}, {at_mm[0]:.0f} to {at_mm[-1]:.0f} mm" + (", flipped" * flipped),
            second,
        ),
    )


def _piece(record: Record, at_mm: NDArray[np.float64], *, upside_down: bool) -> str:
    """The strip's columns at those places, its middle rows, as a PNG: a film-like negative."""
    overview = read_overview(record.path / "strip.tif", COARSE_MM)
    values, pitch_mm = overview.values, overview.pitch_mm
    columns = np.clip(np.rint(at_mm / pitch_mm).astype(np.int64), 0, values.shape[1] - 1)
    middle, half = values.shape[0] // 2, round(_HALF_MM / pitch_mm)
    piece = values[max(0, middle - half) : middle + half, columns].astype(np.float32)
    low, high = np.percentile(piece, (_PERCENT, 100 - _PERCENT))
    gray = np.clip((high - piece) / max(float(high - low), 1.0) * 255, 0, 255).astype(np.uint8)
    if upside_down:
        gray = gray[::-1]
    tall = max(1, round(gray.shape[0] * pitch_mm * _WIDE_PX / _LENGTH_MM))
    gray = cv2.resize(gray, (_WIDE_PX, tall), interpolation=cv2.INTER_AREA)
    written, png = cv2.imencode(".png", gray)
    assert written
    return f"data:image/png;base64,{base64.b64encode(png.tobytes()).decode('ascii')}"
