"""What the writer of a text that isn't TOML most likely meant."""

from __future__ import annotations

import re
import typing
from pathlib import Path

from pipeline.config.messages import kind_of
from pipeline.config.toml_lines import KeyPath

_SWITCHES = {
    *("true", "yes", "y", "on", "ja", "j", "wahr", "oui", "vrai", "si", "sí"),
    *("false", "no", "n", "off", "nein", "falsch", "non", "faux"),
}
_HEADER = re.compile(r"\s*\[{1,2}\s*([\w.-]+)\s*\]{1,2}")
_PAIR = re.compile(r"\s*([\w.-]+)\s*=\s*(.*?)\s*(#.*)?$")


def syntax_hint(text: str, line: int, job: type) -> str:
    """What belongs into line ``line`` (from 1) of a broken text of the config ``job``, or nothing.

    Only what a glance at the line shows: the text can't be taken apart.
    """
    broken = text.split("\n")[line - 1].strip() if text else ""
    if re.search("[“”„‟‘’«»]", broken):
        return 'straight quotes, like "text"'
    if re.search(r"=\s*[-+]?\d+,\d", broken):
        return "decimals with a point, like 10.5, not with a comma"
    if re.search(r'=\s*"[^"]*\\', broken):
        return "folders with / instead of \\, or in single quotes, like 'D:\\scan'"
    if re.match(r"[\w.-]+\s*:", broken):
        return "= between key and value, not a colon"
    pair = _PAIR.match(broken)
    return _value_hint(_key(text, line, pair[1]), pair[2], job) if pair else ""


def second_time(text: str, line: int) -> str:
    """What line ``line`` says a second time, and where it stands first; nothing if neither."""
    lines = text.split("\n")
    header = _HEADER.match(lines[line - 1])
    if header:
        earlier = (k for k in range(1, line) if _named(lines[k - 1], _HEADER) == header[1])
        name = f"[{header[1]}]"
    else:
        name = _named(lines[line - 1], _PAIR)
        table = _table(text, line)
        earlier = (
            k
            for k in range(1, line)
            if name and _named(lines[k - 1], _PAIR) == name and _table(text, k) == table
        )
    first = next(earlier, 0)
    return f"{name} stands here a second time, first in line {first}" if first else ""


def _value_hint(key: KeyPath, value: str, job: type) -> str:
    if not value:
        return "a value after ="
    if value[0] in "\"'[{":
        return ""
    wanted = kind_of(job, key)
    if wanted is bool or value.lower() in _SWITCHES:
        return "true or false, in small letters"
    if wanted in (int, float):
        return "a number and nothing else"
    is_text = wanted in (str, Path) or typing.get_origin(wanted) is typing.Literal
    if is_text or re.fullmatch(r"[A-Za-z_][\w ./-]*", value):
        return "text in quotes"
    return ""


def _key(text: str, line: int, name: str) -> KeyPath:
    """The whole key of ``name`` in a line: with the table that the last header above it opens."""
    return tuple(f"{_table(text, line)}.{name}".strip(".").split("."))


def _table(text: str, line: int) -> str:
    headers = [found[1] for k in text.split("\n")[: line - 1] if (found := _HEADER.match(k))]
    return headers[-1] if headers else ""


def _named(line: str, pattern: re.Pattern[str]) -> str:
    found = pattern.match(line)
    return found[1] if found else ""
