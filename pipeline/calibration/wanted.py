"""What frames ask of a calibration: the ranges of their conditions, read from their table."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

import numpy as np

from pipeline.calibration.decisions import moment
from pipeline.model import FrameRow

RAMP_KV = 0.97
"""Frames below this part of the usual tube voltage were shot while the tube ramped up."""

Range = tuple[float, float]


class Condition(StrEnum):
    """What may be held against a calibration, and be allowed by the config all the same."""

    WITHDRAWN = "withdrawn"
    SUPERSEDED = "superseded"
    UNRELEASED = "unreleased"
    DATE = "date"
    KV = "kv"
    TEMPERATURE = "temperature"
    FRAME_TIME = "frame_time"


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the frames ask of a calibration; None where they don't tell.

    Ranges are the least and the greatest value of all frames; ``dates`` the first and the last.
    ``files`` names, for a condition that isn't the same in all, the frames of the two.
    """

    serial: str
    gain_mode: str
    rows: int | None = None
    columns: int | None = None
    binning: str | None = None
    frame_time_s: Range | None = None
    kv: Range | None = None
    temperature_c: Range | None = None
    dates: tuple[datetime, datetime] | None = None
    files: Mapping[Condition, tuple[str, str]] = field(default_factory=dict)

    def told(self) -> str:
        """The conditions in words: ``160 kV, 21.5 °C, 2 s a frame, 2026-03-02``."""
        parts = [
            f"{span_text(values)} {unit}"
            for values, unit in (
                (self.kv, "kV"),
                (self.temperature_c, "°C"),
                (self.frame_time_s, "s a frame"),
            )
            if values
        ]
        if self.dates:
            first, last = (f"{when:%Y-%m-%d}" for when in self.dates)
            parts.append(first if first == last else f"{first} to {last}")
        return ", ".join(parts) or "no conditions told"


def wanted_by_frames(
    rows: Sequence[FrameRow],
    *,
    serial: str,
    gain_mode: str,
    panel_rows: int,
    panel_columns: int,
    binning: str | None = None,
) -> Wanted:
    """What the frames of a table ask for; rows below 97 % of the usual kV count as ramp-up."""
    voltages = [row.kv for row in rows if row.kv]
    usual_kv = float(np.median(voltages)) if voltages else 0.0
    named = list(zip(_names(rows), rows, strict=True))
    times = {
        name: found for name, row in named if row.time and (found := _moment_or_none(row.time))
    }
    told = {
        Condition.FRAME_TIME: {name: row.exposure_s for name, row in named if row.exposure_s},
        Condition.KV: {
            name: row.kv for name, row in named if row.kv and row.kv >= RAMP_KV * usual_kv
        },
        Condition.TEMPERATURE: {
            name: row.temperature_c for name, row in named if row.temperature_c is not None
        },
    }
    files = {condition: _ends(values) for condition, values in told.items()}
    files[Condition.DATE] = _ends(times)
    return Wanted(
        serial=serial,
        gain_mode=gain_mode,
        rows=panel_rows,
        columns=panel_columns,
        binning=binning,
        frame_time_s=_range(told[Condition.FRAME_TIME].values()),
        kv=_range(told[Condition.KV].values()),
        temperature_c=_range(told[Condition.TEMPERATURE].values()),
        dates=(min(times.values()), max(times.values())) if times else None,
        files={condition: ends for condition, ends in files.items() if ends is not None},
    )


def span_text(values: Range) -> str:
    """A range as people say it: one number where both ends are the same."""
    low, high = values
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def _names(rows: Sequence[FrameRow]) -> list[str]:
    """A name for each row, no two alike: its file, and its page where a file has several."""
    pages = Counter(row.file for row in rows)
    return [
        row.file if pages[row.file] == 1 else f"{row.file}, page {row.page} (row {row.index})"
        for row in rows
    ]


def _range(values: Collection[float]) -> Range | None:
    return (float(min(values)), float(max(values))) if values else None


def _ends(values: Mapping[str, float] | Mapping[str, datetime]) -> tuple[str, str] | None:
    """The names of the least and the greatest value; None where all are the same."""
    ranked = sorted(values, key=lambda name: (values[name], name))
    same = not ranked or values[ranked[0]] == values[ranked[-1]]
    return None if same else (ranked[0], ranked[-1])


def _moment_or_none(text: str) -> datetime | None:
    try:
        return moment(text)
    except ValueError:
        return None
