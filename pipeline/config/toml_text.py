"""Plain values as TOML text, the same text for the same values.

Covers what a config holds: text, whole and real numbers, true/false, arrays, tables, arrays of
tables. Written by hand because the standard library only reads TOML.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_ESCAPES = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\r": "\\r", "\t": "\\t"}


def dump_toml(values: Mapping[str, object]) -> str:
    """``values`` as TOML that ``tomllib`` reads back to equal values, in the mapping's order.

    Within a table single values come before sub-tables, as the format demands.

    Raises:
        TypeError: a value has no place in TOML (None among them).
    """
    lines: list[str] = []
    _table(values, (), lines)
    return "\n".join(lines) + "\n" if lines else ""


def inline(value: object) -> str:
    """One value as TOML text on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + "".join(map(_escape, value)) + '"'
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, Mapping):
        pairs = ", ".join(f"{_key(name)} = {inline(item)}" for name, item in value.items())
        return f"{{ {pairs} }}" if pairs else "{}"
    if isinstance(value, Sequence):
        return "[" + ", ".join(map(inline, value)) + "]"
    raise TypeError(f"{type(value).__name__} can't be written as TOML")


def _table(values: Mapping[str, object], path: tuple[str, ...], lines: list[str]) -> None:
    tables: list[tuple[str, Mapping[str, object]]] = []
    arrays: list[tuple[str, Sequence[Mapping[str, object]]]] = []
    for name, value in values.items():
        if isinstance(value, Mapping):
            tables.append((name, value))
        elif _is_array_of_tables(value):
            arrays.append((name, value))  # type: ignore[arg-type]  # checked just above
        else:
            lines.append(f"{_key(name)} = {inline(value)}")
    for name, table in tables:
        _header("[{}]", (*path, name), lines)
        _table(table, (*path, name), lines)
    for name, elements in arrays:
        for element in elements:
            _header("[[{}]]", (*path, name), lines)
            _table(element, (*path, name), lines)


def _is_array_of_tables(value: object) -> bool:
    return (
        isinstance(value, Sequence)
        and not isinstance(value, str)
        and len(value) > 0
        and all(isinstance(element, Mapping) for element in value)
    )


def _header(form: str, path: tuple[str, ...], lines: list[str]) -> None:
    if lines:
        lines.append("")
    lines.append(form.format(".".join(map(_key, path))))


def _key(name: str) -> str:
    return name if _BARE_KEY.fullmatch(name) else inline(name)


def _escape(character: str) -> str:
    if character in _ESCAPES:
        return _ESCAPES[character]
    if ord(character) < 0x20 or ord(character) == 0x7F:
        return f"\\u{ord(character):04x}"
    return character
