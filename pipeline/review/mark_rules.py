"""What a mark must be before it is written down: kind, place, words, author."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Mapping
from typing import Any

from pipeline.review.answers import BAD, RequestError
from pipeline.review.weld import OpenWeld

KINDS = ("box", "line", "point")
_LONGEST = {"word": 80, "author": 80, "remark": 2000}
_REQUIRED = frozenset({"word", "author"})
_KEYS = frozenset({"id", "kind", "s0", "z0", "s1", "z1", "word", "remark"})


def sound_mark(told: Any, weld: OpenWeld) -> dict[str, Any]:
    """The mark as it is written down, without its id: places on the first turn, ends in order.

    Raises:
        RequestError: something is missing, of another kind, too long, or doesn't lie on the strip.
    """
    if not isinstance(told, Mapping):
        raise RequestError(BAD, "mark is no object", expected=", ".join(sorted(_KEYS)))
    unknown = sorted(str(name)[:40] for name in set(told) - _KEYS)
    if unknown:
        expected = ", ".join(sorted(_KEYS))
        raise RequestError(BAD, f"mark.{unknown[0]} means nothing here", expected=expected)
    kind = told.get("kind")
    if kind not in KINDS:
        raise RequestError(BAD, f"mark.kind is {str(kind)[:40]!r}", expected=" or ".join(KINDS))
    s0, z0 = (number(told, name, "mark.") for name in ("s0", "z0"))
    s1, z1 = s0, z0
    if kind != "point":
        s1, z1 = (number(told, name, "mark.") for name in ("s1", "z1"))
    place = _place(kind, (s0, z0, s1, z1), weld)
    return {
        "kind": kind,
        **dict(zip(("s0", "z0", "s1", "z1"), place, strict=True)),
        "word": text(told, "word", "mark."),
        "remark": text(told, "remark", "mark."),
    }


def number(told: Mapping[str, Any], name: str, where: str = "") -> float:
    """A finite number of millimetres.

    Raises:
        RequestError: it is missing or none.
    """
    value = told.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e7:
        raise RequestError(BAD, f"{where}{name} is no number", expected="millimetres")
    return float(value)


def text(told: Mapping[str, Any], name: str, where: str = "") -> str:
    """A text without characters that don't print, its ends trimmed; line ends stay in a remark.

    Raises:
        RequestError: it is missing, no text, or too long.
    """
    value = told.get(name, "")
    if not isinstance(value, str):
        raise RequestError(BAD, f"{where}{name} is no text", expected="text")
    plain = "".join(one if _prints(one) else " " for one in value).strip()
    if name != "remark":
        plain = " ".join(plain.split())
    if len(plain) > _LONGEST[name]:
        expected = f"at most {_LONGEST[name]} characters"
        raise RequestError(BAD, f"{where}{name} is too long", expected=expected)
    if not plain and name in _REQUIRED:
        raise RequestError(BAD, f"{where}{name} is empty", expected="text")
    return plain


def _prints(letter: str) -> bool:
    return letter == "\n" or unicodedata.category(letter) not in ("Cc", "Cs", "Co", "Cn")


def _place(
    kind: str, ends: tuple[float, float, float, float], weld: OpenWeld
) -> tuple[float, float, float, float]:
    s0, z0, s1, z1 = ends
    grid = weld.grid
    half = grid.pitch_mm / 2
    low_mm, high_mm = (grid.z_first_mm + k * grid.pitch_mm for k in (-0.5, grid.rows - 0.5))
    if kind == "box" and z1 < z0:
        z0, z1 = z1, z0
    inside = all(low_mm - half <= z <= high_mm + half for z in (z0, z1))
    length_mm = grid.columns * grid.pitch_mm
    if grid.ring:
        inside = inside and abs(s1 - s0) <= length_mm
        if kind == "box" and s1 < s0 < length_mm and s1 >= 0:
            s1 += length_mm  # as written down before: across the datum
    else:
        first, last = grid.s_first_mm - half, grid.s_first_mm + length_mm
        inside = inside and all(first <= s <= last for s in (s0, s1))
        if kind == "box" and s1 < s0:
            s0, s1 = s1, s0
    if not inside:
        raise RequestError(BAD, "the mark doesn't lie on the strip", expected=weld.extent())
    if (kind == "box" and (s1 - s0 < half or z1 - z0 < half)) or (
        kind == "line" and math.hypot(s1 - s0, z1 - z0) < half
    ):
        raise RequestError(BAD, "the mark has no size", expected="at least a pixel, or a point")
    turn = weld.places.first_turn
    # Four decimals are 0.1 µm, far below a pixel; rounding keeps the file's lines short.
    return round(turn(s0), 4), round(z0, 4), round(turn(s1), 4), round(z1, 4)
