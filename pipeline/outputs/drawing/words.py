"""How a report says things: numbers, quantities, clock positions, times, verdicts, names."""

from __future__ import annotations

import math
import re
from datetime import datetime

from pipeline.model import PixelClass, Verdict
from pipeline.quality.check import bound_text

VERDICT_WORDS = {
    Verdict.PASS: "Pass",
    Verdict.ATTENTION: "Attention",
    Verdict.FAIL: "Fail",
}

SOLVED_NAMES = {
    "source_x_mm": "the source’s place",
    "source_y_mm": "the source’s place",
    "roll_deg": "the panel’s roll",
    "yaw_deg": "its yaw",
    "pitch_deg": "its pitch",
    "encoder_scale": "the encoder’s scale",
    "standoff_mm": "the stand-off",
    "lift_off_mm": "its variation round the ring",
}
"""What the frames themselves can tell about the geometry, in plain words."""

PIXEL_CLASS_WORDS = {
    PixelClass.DEAD: "hardly answers to radiation",
    PixelClass.UNDER_RESPONDING: "answers much less than its neighbours",
    PixelClass.OVER_RESPONDING: "answers much more than its neighbours, or saturates before them",
    PixelClass.NOISY: "jumps about in the darks, without radiation",
    PixelClass.NON_UNIFORM: "stays off its neighbours after correction",
    PixelClass.PERSISTENT: "keeps showing what it saw before",
    PixelClass.BAD_NEIGHBOURHOOD: "good itself, but all its neighbours are bad",
}
"""What the classes of bad pixels mean; their thresholds are the calibration's."""

_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:%|GV|σ|µm|mm|px|°C|kV|s)(?![\w/]))|(?<=\blimit) ")
_PLURALS = ("frames", "overlaps", "pixels")


def number(value: float | None, decimals: int | None = None, *, sign: bool = False) -> str:
    """A number with ``decimals`` decimals, or with three significant digits; "–" for None.

    Integers stay whole, the minus sign is a true one, ``sign`` asks for a plus too.
    """
    if value is None:
        return "–"
    if decimals is None:
        decimals = 0 if isinstance(value, int) or value == 0 else 2 - _magnitude(value)
    text = f"{value:.{min(max(decimals, 0), 8)}f}"
    if float(text) == 0:
        return text.removeprefix("-")
    return ("+" + text if sign and value > 0 else text).replace("-", "−")


def limit(value: float) -> str:
    """A limit without trailing zeros, with a true minus sign."""
    return bound_text(value).replace("-", "−")


def with_unit(text: str, unit: str) -> str:
    """A number's text and its unit; what is counted stands in the singular after "1"."""
    if text == "1" and unit in _PLURALS:
        unit = unit.removesuffix("s")
    return f"{text} {unit}".strip()


def unbroken(text: str) -> str:
    """The text with each number kept on one line with its unit, and a limit with its word."""
    return _BEFORE_UNIT.sub("\u00a0", text)


def span(low: float | None, high: float | None, unit: str) -> str:
    """A range with its unit, "158 to 162 kV", or its one value; empty where none is known."""
    if low is None or high is None:
        return ""
    ends = dict.fromkeys((limit(low), limit(high)))  # once, if they read the same
    return with_unit(" to ".join(ends), unit)


def period(first: str | None, last: str | None) -> str:
    """Two ISO 8601 times as people read them, the date and the zone once; empty for None.

    "2026-03-02 06:30:12 to 06:33:06 UTC+02:00". A zone that wasn't told isn't made up.
    """
    if first is None or last is None:
        return ""
    begin, end = datetime.fromisoformat(first), datetime.fromisoformat(last)
    one_zone = begin.utcoffset() == end.utcoffset()
    begin_text = f"{begin:%Y-%m-%d %H:%M:%S}" + ("" if one_zone else _zone(begin))
    end_text = f"{end:%Y-%m-%d %H:%M:%S}"
    if one_zone and begin_text == end_text:
        return begin_text + _zone(end)
    if one_zone and begin.date() == end.date():
        end_text = f"{end:%H:%M:%S}"
    return f"{begin_text} to {end_text}{_zone(end)}"


def clock_position(s_mm: float, circumference_mm: float, *, clockwise: bool) -> str:
    """Where ``s_mm`` lies on a clock face with the datum at 12: hours and minutes, as "4:30"."""
    turn = s_mm / circumference_mm
    minutes = round((turn if clockwise else -turn) * 720) % 720
    return f"{minutes // 60 or 12}:{minutes % 60:02d}"


def _zone(time: datetime) -> str:
    """ " UTC", " UTC+02:00", or nothing where no zone was told."""
    offset = f"{time:%z}"
    if not offset:
        return ""
    return " UTC" if offset in ("+0000", "-0000") else f" UTC{offset[:3]}:{offset[3:5]}"


def _magnitude(value: float) -> int:
    return math.floor(math.log10(abs(value)))
