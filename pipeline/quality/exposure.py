"""When and how a strip's frames were exposed, from the rows of the frame table."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from pipeline.model import FrameRow
from pipeline.quality.log import ExposureFacts


def exposure_facts(rows: Sequence[FrameRow]) -> ExposureFacts:
    """First and last time and the ranges of kV, mA and exposure time over ``rows``.

    Rows that don't tell a value are passed over; what no row tells is None. So are the times when
    one of those told is no ISO 8601 time, or some have a zone and some don't: the first can't be
    known then.
    """
    times = _ordered([row.time for row in rows if row.time])
    kv, ma, exposure_s = (
        _range(getattr(row, name) for row in rows) for name in ("kv", "ma", "exposure_s")
    )
    return ExposureFacts(
        first_time=times[0] if times else None,
        last_time=times[-1] if times else None,
        kv_min=kv[0],
        kv_max=kv[1],
        ma_min=ma[0],
        ma_max=ma[1],
        exposure_s_min=exposure_s[0],
        exposure_s_max=exposure_s[1],
    )


def _ordered(times: list[str]) -> list[str]:
    try:
        return sorted(times, key=datetime.fromisoformat)
    except (ValueError, TypeError):  # not a time; or some with a zone and some without
        return []


def _range(values: Iterable[float | None]) -> tuple[float, float] | tuple[None, None]:
    told = [value for value in values if value is not None]
    return (min(told), max(told)) if told else (None, None)
