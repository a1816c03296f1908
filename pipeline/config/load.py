"""A TOML file → one frozen record, or every fault of the file at once, each with its line."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from pipeline.config.faults import Fault, broken_rules, report
from pipeline.config.messages import (
    as_written,
    faults_of,
    kind_of,
    missing_section,
    unknown_key,
)
from pipeline.config.path_text import path_of, path_text
from pipeline.config.records import Job, fields_of
from pipeline.config.syntax_hints import second_time, syntax_hint
from pipeline.config.toml_lines import KeyPath, key_lines
from pipeline.errors import ConfigError

AnyJob = TypeVar("AnyJob", bound=Job)

_LARGEST_BYTES = 1_000_000
_LARGEST_INTEGER = 2**63 - 1


def load_config(
    path: Path, kind: type[AnyJob], overrides: Mapping[str, object], source: str
) -> AnyJob:
    """The record of the class ``kind`` that the file describes.

    ``overrides`` maps dotted keys to values that replace the file's. A ``Path`` among them counts
    from where the tool runs, while folders in the file count from the file's own folder. A text
    given for a number is read as that number. ``source`` says in messages where they come from.

    Raises:
        ConfigError: the file can't be read, isn't TOML, or breaks rules: all of them, a line each.
    """
    text = _read(path)
    data = parse_toml(path, text, kind)
    typed = _override(data, overrides, kind)
    context = {"base": path.parent, "typed": typed}
    sources: dict[KeyPath, str] = {tuple(key.split(".")): source for key in overrides}
    faults = list(_faults_of_values((), data))
    sections: dict[str, Any] = {}
    parts: dict[str, Any] = {}
    for name in kind.section_names():
        unusable = {fault.key for fault in faults if fault.key[0] == name}
        section, wrong = _section(kind, name, data, context, sources)
        faults += [fault for fault in wrong if fault.key not in unusable]
        if wrong or unusable:
            parts |= _sound_keys(kind, name, data, unusable | {fault.key for fault in wrong})
        else:
            sections[name] = parts[name] = section
            parts |= {f"{name}.{key}": value for key, value in fields_of(section).items()}
    faults += [
        unknown_key(kind, (name,), data) for name in data if name not in kind.section_names()
    ]
    faults += [as_written(fault, data) for fault in broken_rules(kind.rules, parts)]
    if faults:
        raise ConfigError(report(faults, path, key_lines(text), sources))
    return kind(base=path.parent, **sections)


def value_faults(kind: type[Job], values: Mapping[str, object]) -> list[Fault]:
    """What is wrong with single values, by dotted key, each looked at for itself.

    What else a config of this kind must have doesn't count. A text given for a number is read as
    that number.
    """
    data: dict[str, Any] = {}
    _override(data, values, kind)
    keys = {tuple(key.split(".")) for key in values}
    faults: list[Fault] = []
    for name, table in data.items():
        try:
            _validated(kind.model_fields[name].annotation, table, {})
        except ValidationError as error:
            faults += faults_of(error, kind, name, data, keys)
    return [fault for fault in faults if fault.key in keys]


def _read(path: Path) -> str:
    """The file's text; a byte order mark is dropped."""
    try:
        if path.is_dir():
            raise ConfigError("is a folder", where=str(path), expected="a config file (.toml)")
        if not path.exists():
            near = sorted(path.parent.glob("*.toml"))[:5] if path.parent.is_dir() else []
            remedy = "Config files there: " + ", ".join(map(str, near)) if near else ""
            raise ConfigError("there is no such file", where=str(path), remedy=remedy)
        if not path.is_file():
            raise ConfigError("is not a file", where=str(path), expected="a config file (.toml)")
        with path.open("rb") as file:
            content = file.read(_LARGEST_BYTES + 1)
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        reason = getattr(error, "strerror", None) or str(error)
        raise ConfigError(f"can't be read: {reason}", where=str(path)) from error
    if len(content) > _LARGEST_BYTES:
        raise ConfigError("is too large to be a config file", where=str(path), expected="≤ 1 MB")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise ConfigError(
            "is not UTF-8 text",
            where=f"{path}:{line}",
            remedy="Save the file with the encoding UTF-8",
        ) from error


def parse_toml(path: Path, text: str, kind: type[Job]) -> dict[str, Any]:
    """What a text holds that should be TOML with the keys of ``kind``, or of its tables.

    Raises:
        ConfigError: it isn't TOML; with the line, and what most likely was meant.
    """
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        message = str(error).partition("\n")[0]
        if isinstance(error, RecursionError):
            message = "Values nested too deeply"
        place = re.search(r" \(at line (\d+), column (\d+)\)", message)
        # "(at end of document)" has no number: it is the last line that holds anything.
        line = int(place[1]) if place else text.rstrip().count("\n") + 1
        if place:
            message = message.replace(place[0], f" (column {place[2]})")
        if re.match("Cannot (overwrite|declare)", message):
            message = second_time(text, line) or message
            raise ConfigError(
                f"not valid TOML: {message}",
                where=f"{path}:{line}",
                remedy="Keep one of them",
            ) from error
        raise ConfigError(
            f"not valid TOML: {message}",
            where=f"{path}:{line}",
            expected=syntax_hint(text, line, kind),
        ) from error


def _override(
    data: dict[str, Any], overrides: Mapping[str, object], kind: type[Job]
) -> dict[Path, Path]:
    """Put the overrides into the data; return the folders among them, absolute → as typed."""
    typed: dict[Path, Path] = {}
    for dotted_key, value in overrides.items():
        *tables, last = dotted_key.split(".")
        table: Any = data
        for name in tables:
            table = table.setdefault(name, {}) if isinstance(table, dict) else None
        if not isinstance(table, dict):
            continue  # the file has a value where a table belongs, which is its own fault
        if isinstance(value, Path):
            absolute = path_text(Path.cwd() / value)
            typed[path_of(absolute)] = value
            table[last] = absolute
        elif isinstance(value, str) and kind_of(kind, tuple(dotted_key.split("."))) is float:
            table[last] = _as_number(value)
        else:
            table[last] = value
    return typed


def _as_number(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text  # refused like any text in the place of a number


def _faults_of_values(key: KeyPath, value: object) -> Iterator[Fault]:
    """Numbers that no setting can have: TOML allows inf, nan and integers of any length."""
    if isinstance(value, Mapping):
        for name, item in value.items():
            yield from _faults_of_values((*key, name), item)
    elif isinstance(value, list):
        for index, item in enumerate(value):
            yield from _faults_of_values((*key, index), item)
    elif isinstance(value, float) and not abs(value) < float("inf"):
        yield Fault(key, "must be a finite number", value)
    elif isinstance(value, int) and abs(value) > _LARGEST_INTEGER:
        yield Fault(key, "is too large a number")


def _section(
    kind: type[AnyJob],
    name: str,
    data: Mapping[str, Any],
    context: Mapping[str, Any],
    elsewhere: Collection[KeyPath],
) -> tuple[Any, list[Fault]]:
    """The section's record and no faults, or None and its faults."""
    field = kind.model_fields[name]
    if name not in data and field.is_required():
        return None, [missing_section(kind, name)]
    if name not in data and field.default in (None, ()):  # a section that needs not be there
        return field.default, []
    try:
        return _validated(field.annotation, data.get(name, {}), context), []
    except ValidationError as error:
        return None, list(faults_of(error, kind, name, data, elsewhere))


def _sound_keys(
    kind: type[AnyJob], name: str, data: Mapping[str, Any], wrong: set[KeyPath]
) -> dict[str, Any]:
    """The keys of a faulty section that are sound by themselves, so that rules can judge them."""
    table = data.get(name)
    fields = getattr(kind.model_fields[name].annotation, "model_fields", {})
    if not isinstance(table, dict):
        return {}
    return {
        f"{name}.{key}": _validated(fields[key].annotation, value, {})
        for key, value in table.items()
        if key in fields and not any(fault[:2] == (name, key) for fault in wrong)
    }


def _validated(annotation: Any, value: object, context: Mapping[str, Any]) -> Any:
    """``value`` as the annotation's type, strictly: no text for numbers, no true for 1.

    It goes through JSON, where strict still lets lists and choices be written as TOML has them.
    """
    adapter = TypeAdapter[Any](annotation)
    plain = json.dumps(value, default=lambda moment: moment.isoformat())
    return adapter.validate_json(plain, strict=True, context=dict(context))
