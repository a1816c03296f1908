"""Whether a scan's positions can be millimetres along its pipe, and which unit they may be in."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from statistics import median

from pipeline.errors import TableError
from pipeline.model import FrameRow

_UNITS = (
    ("micrometres", 1e-3),
    ("centimetres", 10.0),
    ("inches", 25.4),
    ("metres", 1000.0),
)
_NEAR = 1.3  # a unit explains a ring's span that it brings this near to the circumference
_SHORT, _LONG = 0.5, 2.0  # a ring's span, as part of the circumference, that is nothing odd
_FAR = 1.5  # circumferences off the others' middle: an odd position
_NONSENSE = 10.0  # circumferences: nobody goes round so often, so nothing can be made of it
_NOTHING = 1.3e-3  # of a circumference: what a ring given in metres spans
_STANDS = 0.1  # of a panel: the carriage would hardly have moved
_FEW = 0.25  # part of the frames that may be called far from the others
_LEAST = 3  # frames: fewer say nothing
_SHOWN = 3


def position_remarks(
    rows: Sequence[FrameRow],
    table: Path,
    *,
    circumference_mm: float,
    panel_mm: float,
    ring: bool,
) -> tuple[str, ...]:
    """What is odd about the positions of a scan round (or, unless ``ring``, along) a pipe.

    ``panel_mm`` is the panel's length along the scan.

    Raises:
        TableError: positions that no carriage can have reached, or that are all the same.
    """
    if len(rows) < _LEAST:
        return ()
    middle = median(row.position_mm for row in rows)
    far = [row for row in rows if abs(row.position_mm - middle) > _FAR * circumference_mm]
    if len(far) > max(1, _FEW * len(rows)):
        far = []  # so many speak of another unit
    remarks = []
    if far:
        said = f"{_named(far)}; the pipe is {circumference_mm:.6g} mm round"
        if any(abs(row.position_mm - middle) > _NONSENSE * circumference_mm for row in far):
            raise TableError(said, where=str(table), remedy="Correct position_mm in these rows")
        remarks.append(said)
    rest = [row.position_mm for row in rows if row not in far]
    if len(rest) < _LEAST:
        return tuple(remarks)
    return (*remarks, *_span_remarks(rest, table, circumference_mm, panel_mm, ring))


def _span_remarks(
    position_mm: Sequence[float],
    table: Path,
    circumference_mm: float,
    panel_mm: float,
    ring: bool,
) -> tuple[str, ...]:
    """What is odd about the length of the way; raises as ``position_remarks``."""
    span_mm = max(position_mm) - min(position_mm)
    share = span_mm / circumference_mm
    if span_mm == 0:
        raise TableError(
            f"all positions are {position_mm[0]:g}",
            where=str(table),
            expected="in position_mm what the carriage's encoder read, in millimetres",
            remedy="Record the encoder, and the decimals too if it counts in metres",
        )
    if ring:
        units = _ring_units(span_mm, circumference_mm)
        odd = not _SHORT <= share <= _LONG
    else:
        units = _arc_units(span_mm, circumference_mm, panel_mm)
        odd = share > _LONG or span_mm < _STANDS * panel_mm
    if not odd:
        return ()
    said = f"the positions span {span_mm:.4g} mm, the pipe is {circumference_mm:.4g} mm round"
    if units:
        said += f" (are they in {' or '.join(units)}?)"
    elif ring and share < _SHORT:
        said += " (was it no whole ring, so ring = false?)"
    if share > _NONSENSE or (ring and share < _NOTHING):
        raise TableError(
            said,
            where=str(table),
            remedy="Give position_mm in millimetres, or correct weld.diameter_mm",
        )
    return (said,)


def _named(rows: Sequence[FrameRow]) -> str:
    """``a.tif (row 3) at 1e+09 mm lies far from the other frames``."""
    shown = ", ".join(
        f"{row.file} (row {row.index + 1}) at {row.position_mm:g} mm" for row in rows[:_SHOWN]
    )
    more = f" and {len(rows) - _SHOWN} more" if len(rows) > _SHOWN else ""
    return f"{shown}{more} {'lies' if len(rows) == 1 else 'lie'} far from the other frames"


def _ring_units(span_mm: float, circumference_mm: float) -> tuple[str, ...]:
    """The units in which this span would be about a whole turn."""
    units = (*_UNITS, ("degrees", circumference_mm / 360))
    limit = math.log(_NEAR)
    return tuple(
        name
        for name, factor in units
        if abs(math.log(span_mm * factor / circumference_mm)) <= limit
    )


def _arc_units(span_mm: float, circumference_mm: float, panel_mm: float) -> tuple[str, ...]:
    """The units in which this span would be more than half a panel and less than a turn."""
    return tuple(
        name
        for name, factor in _UNITS
        if panel_mm / 2 < span_mm * factor <= _NEAR * circumference_mm
    )
