"""A number in a table's cell, or what is wrong with it in plain words."""

from __future__ import annotations

import math
import re

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_NOT_FINITE = re.compile(r"[+-]?(nan|inf(inity)?)", re.IGNORECASE)
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+", re.ASCII)


def cell_number(
    name: str, text: str, least: float = -math.inf, greatest: float = math.inf
) -> float | str:
    """The finite number that the text of column ``name`` is, or a sentence about its fault."""
    value = float(text) if _NUMBER.fullmatch(text) else math.nan
    if math.isfinite(value) and least <= value <= greatest:
        return value
    if math.isfinite(value) and math.isinf(greatest):
        return f"{name} = {text} must be {least:g} or more"
    if math.isfinite(value):
        return f"{name} = {text} must lie in {least:g} … {greatest:g}"
    if _DECIMAL_COMMA.fullmatch(text):
        return f"{name} = {text!r} has a decimal comma; write a point"
    if math.isinf(value) or _NOT_FINITE.fullmatch(text):
        return f"{name} = {text} is not a finite number"
    return f"{name} = {text!r} is not a number"
