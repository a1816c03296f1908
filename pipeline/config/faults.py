"""One fault of a config file, and how a line about it reads."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.config.toml_lines import KeyPath
from pipeline.config.toml_text import inline

ABSENT = object()
"""Stands for a value in a fault about a key that has none."""

_LONGEST_VALUE = 60


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with one key: where, the value found there, the rule that it breaks."""

    key: KeyPath
    rule: str
    value: object = ABSENT


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule between keys: ``check`` gets the parts of the file named in ``needs``, in that order.

    A part is a section (``"weld"``) or one key of it (``"stages.sequence"``). A rule is asked only
    when each of its parts is sound by itself.
    """

    needs: tuple[str, ...]
    check: Callable[..., Iterable[Fault]]


def broken_rules(rules: Iterable[Rule], parts: Mapping[str, Any]) -> list[Fault]:
    """Everything that breaks one of the rules.

    A part that a rule finds fault with is not sound any more, so later rules don't judge it: one
    mistake brings one message.
    """
    sound = dict(parts)
    faults: list[Fault] = []
    for rule in rules:
        if all(name in sound for name in rule.needs):
            found = list(rule.check(*(sound[name] for name in rule.needs)))
            faults += found
            for key in (fault.key for fault in found):
                sound = {name: part for name, part in sound.items() if not _blamed(name, key)}
    return faults


def _blamed(name: str, key: KeyPath) -> bool:
    """Whether the part ``name`` holds the key, or lies inside it."""
    own = tuple(name.split("."))
    length = min(len(own), len(key))
    return own[:length] == key[:length]


def dotted(key: KeyPath) -> str:
    """``("exposures", 0, "dose")`` as ``exposures[0].dose``."""
    text = ""
    for part in key:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            text += f".{part}" if text else part
    return text


def shown(value: object) -> str:
    """A value as it would stand in the file, cut when it is long."""
    try:
        text = inline(value)
    except TypeError:
        text = str(value)  # dates and times look the same in TOML
    except ValueError:  # Python doesn't spell out integers of thousands of digits
        text = "…"
    return text if len(text) <= _LONGEST_VALUE else text[: _LONGEST_VALUE - 1] + "…"


def report(
    faults: Iterable[Fault],
    path: Path,
    lines: Mapping[KeyPath, int],
    sources: Mapping[KeyPath, str],
) -> str:
    """All faults of the file as text, a line each, in the order of the file.

    A key that the file doesn't have takes the line of the table that should hold it. ``sources``
    tells of keys whose values came from elsewhere where that was.
    """
    placed: list[tuple[int, str]] = []
    for fault in faults:
        line = _line_of(fault.key, lines)
        where = sources.get(fault.key) or (f"{path}:{line}" if line else f"{path}")
        value = "" if fault.value is ABSENT else f" = {shown(fault.value)}"
        name = f"{dotted(fault.key)}{value}: " if fault.key else ""
        placed.append((line, f"{where}: {name}{fault.rule}"))
    unique = dict.fromkeys(text for _, text in sorted(placed, key=lambda item: item[0]))
    return "\n".join(unique)


def _line_of(key: KeyPath, lines: Mapping[KeyPath, int]) -> int:
    for length in range(len(key), 0, -1):
        line = lines.get(key[:length])
        if line:
            return line
    return 0
