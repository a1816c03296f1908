"""What a technician should read when a value breaks its field's rule or a key is unknown."""

from __future__ import annotations

import re
import types
import typing
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import Annotated, Any, Union

import annotated_types
from pydantic import ValidationError
from pydantic.fields import FieldInfo

from pipeline.config.faults import ABSENT, Fault, dotted, shown
from pipeline.config.toml_lines import KeyPath

_UNITS: Mapping[str, tuple[str, float]] = {
    "um": ("mm", 1e-3),
    "cm": ("mm", 10.0),
    "m": ("mm", 1000.0),
    "in": ("mm", 25.4),
    "inch": ("mm", 25.4),
    "inches": ("mm", 25.4),
    "ft": ("mm", 304.8),
    "ms": ("s", 1e-3),
    "min": ("s", 60.0),
    "rad": ("deg", 57.29577951308232),
    "mrad": ("deg", 0.05729577951308232),
    "v": ("kv", 1e-3),
    "mv": ("kv", 1e3),
}
"""A unit that people write → the unit that the config uses, and how many of it make one."""

_RULES: Mapping[str, str] = {
    "int_type": "must be a whole number",
    "int_from_float": "must be a whole number",
    "float_type": "must be a number",
    "string_type": "must be text in quotes",
    "path_type": "must be text in quotes",
    "bool_type": "must be true or false",
    "tuple_type": "must be a list in square brackets",
    "string_too_short": "must not be empty",
    "finite_number": "must be a finite number",
}
_DECIMAL_COMMA = re.compile(r"\s*[-+]?\d+,\d+\s*")
_NOT_A_TABLE = ("model_type", "model_attributes_type", "dataclass_type", "dict_type")
_UNKNOWN = ("extra_forbidden", "unexpected_keyword_argument")
_BOUNDS = ("greater_than", "greater_than_equal", "less_than", "less_than_equal")


@dataclass(frozen=True, slots=True)
class _Place:
    """What the records say about a key: its type, its bounds, what it means."""

    kind: Any
    metadata: Sequence[Any] = ()
    description: str = ""

    @property
    def fields(self) -> Mapping[str, FieldInfo]:
        found: Mapping[str, FieldInfo] = getattr(self.kind, "__pydantic_fields__", {})
        return {name: field for name, field in found.items() if not field.exclude}


def faults_of(
    error: ValidationError,
    job: type,
    section: str,
    data: Mapping[str, Any],
    elsewhere: Collection[KeyPath] = (),
) -> Iterator[Fault]:
    """The faults that the validation of one section found, in our words.

    ``elsewhere`` are the keys whose values don't stand in the file: there nobody wrote quotes.
    """
    details = error.errors(include_url=False)
    unknown = [(section, *detail["loc"]) for detail in details if detail["type"] in _UNKNOWN]
    instead = {(*key[:-1], _meant(job, key)) for key in unknown}
    for detail in details:
        key: KeyPath = (section, *detail["loc"])
        if detail["type"] in _UNKNOWN:
            yield unknown_key(job, key, data)
        elif not (detail["type"] == "missing" and key in instead):
            # A missing key that stands there misspelt is one mistake, not two.
            yield _fault(detail, job, key, data, in_file=key not in elsewhere)


def unknown_key(job: type, key: KeyPath, data: Mapping[str, Any]) -> Fault:
    """The fault of a key that its table doesn't have, with what was meant if that can be seen."""
    *table, name = key
    valid = list(_place(job, tuple(table)).fields)
    meant = _meant(job, key)
    value = _value(data, key)
    noun = "section" if not table else "key"
    rule = f"there is no such {noun}"
    factor = _factor(str(name), meant)
    if meant and factor is not None:
        unit = meant.rpartition("_")[2]
        rule += f"; write it in {unit}"
        rule += f": {meant} = {value * factor:g}" if _is_number(value) else f" as {meant}"
    elif meant:
        rule += f"; did you mean {meant}?"
    where = f"of [{dotted(tuple(table))}]" if table else "of the file"
    rule += f"{'.' if not rule.endswith('?') else ''} The {noun}s {where}: {', '.join(valid)}"
    return Fault(key, rule, ABSENT if isinstance(value, Mapping | list) else value)


def missing_section(job: type, name: str) -> Fault:
    """The fault of a section that must be there and isn't."""
    place = _place(job, (name,))
    header = f"[{name}]"
    if not place.fields:  # an array of tables
        place, header = _place(job, (name, 0)), f"[[{name}]]"
    needed = [key for key, field in place.fields.items() if field.is_required()]
    return Fault((name,), f"the section {header} is missing; it needs {', '.join(needed)}")


def kind_of(job: type, key: KeyPath) -> Any:
    """The type that the records want there, without ``| None`` and bounds; else Any."""
    return _place(job, key).kind


def as_written(fault: Fault, data: Mapping[str, Any]) -> Fault:
    """The fault with the value as the file has it: 10, not 10.0 as in the record."""
    value = _value(data, fault.key)
    return fault if ABSENT in (value, fault.value) else replace(fault, value=value)


def _fault(
    detail: Mapping[str, Any],
    job: type,
    key: KeyPath,
    data: Mapping[str, Any],
    *,
    in_file: bool,
) -> Fault:
    kind = detail["type"]
    if kind == "missing" and not isinstance(key[-1], int):
        return Fault(key, f"is missing{_because(_place(job, key))}")
    if kind == "missing":  # an entry of a list of fixed length: the fault is the list's
        key, kind = key[:-1], "too_short"
    value = _value(data, key)
    rule = _rule(kind, detail, _place(job, key), key, value)
    if kind == "tuple_type" and isinstance(value, Mapping) and _place(job, (*key, 0)).fields:
        return Fault(key, f"stands here once, but is a list: write [[{dotted(key)}]]")
    if kind in ("int_type", "float_type") and isinstance(value, str):
        rule += ", without quotes" if in_file else ""
        rule += " and" if in_file and _DECIMAL_COMMA.fullmatch(value) else ""
        rule += " with a decimal point" if _DECIMAL_COMMA.fullmatch(value) else ""
    return Fault(key, rule, value)


def _rule(kind: str, detail: Mapping[str, Any], place: _Place, key: KeyPath, value: object) -> str:
    """What the value had to be."""
    if kind in _BOUNDS:
        rule = _interval(place.metadata) + _because(place)
    elif kind in ("too_long", "too_short"):
        arguments = typing.get_args(place.kind)
        count = "at least one value" if Ellipsis in arguments else f"{len(arguments)} values"
        rule = f"must have {count}"
    elif kind in _NOT_A_TABLE:
        rule = f"must be a table [{dotted(key)}] with the keys {', '.join(place.fields)}"
    elif kind == "literal_error":
        rule = _choice(place.kind, value)
    elif kind == "value_error":
        rule = str(detail["ctx"]["error"])
    else:
        rule = _RULES.get(kind) or str(detail["msg"])
    return rule


def _because(place: _Place) -> str:
    return f" ({place.description})" if place.description else ""


def _interval(metadata: Sequence[Any]) -> str:
    """The bounds of a number in words, or as an interval when there are two."""
    low = high = ""
    left, right = "(", ")"
    for bound in metadata:
        if isinstance(bound, annotated_types.Gt):
            low = f"{bound.gt:g}"
        elif isinstance(bound, annotated_types.Ge):
            low, left = f"{bound.ge:g}", "["
        elif isinstance(bound, annotated_types.Lt):
            high = f"{bound.lt:g}"
        elif isinstance(bound, annotated_types.Le):
            high, right = f"{bound.le:g}", "]"
    if low and high:
        return f"must lie in {left}{low}, {high}{right}"
    if low:
        return f"must be greater than {low}" if left == "(" else f"must be at least {low}"
    return f"must be less than {high}" if right == ")" else f"must be at most {high}"


def _choice(kind: Any, value: object) -> str:
    choices = [str(choice) for choice in typing.get_args(kind)]
    near = get_close_matches(str(value).lower(), choices, n=1) if isinstance(value, str) else []
    guess = f"; did you mean {shown(near[0])}?" if near else ""
    return f"must be {' or '.join(map(shown, choices))}{guess}"


def _meant(job: type, key: KeyPath) -> str:
    """The valid key that an unknown one most likely stands for, or nothing."""
    *table, name = key
    valid = list(_place(job, tuple(table)).fields)
    for candidate in valid:
        if _factor(str(name), candidate) is not None:
            return candidate
    stems = {candidate.rpartition("_")[0]: candidate for candidate in valid}
    lowered = str(name).lower()
    if lowered in stems:  # the unit forgotten
        return stems[lowered]
    return next(iter(get_close_matches(lowered, valid, n=1)), "")


def _factor(name: str, candidate: str) -> float | None:
    """How many of ``candidate``'s unit make one of ``name``'s, when only the unit differs."""
    stem, _, unit = name.lower().rpartition("_")
    valid_stem, _, valid_unit = candidate.rpartition("_")
    wanted, factor = _UNITS.get(unit, ("", 0.0))
    return factor if stem and stem == valid_stem and wanted == valid_unit else None


def _place(job: type, key: KeyPath) -> _Place:
    """What the records say about ``key``; an empty place where they know nothing."""
    place = _Place(job)
    for part in key:
        if isinstance(part, int):
            arguments = typing.get_args(place.kind)
            element = arguments[0 if Ellipsis in arguments else part] if arguments else Any
            place = _Place(*_unwrapped(element), place.description)
        else:
            field = place.fields.get(part)
            if field is None:
                return _Place(Any)
            kind, inner = _unwrapped(field.annotation)
            place = _Place(kind, (*field.metadata, *inner), field.description or "")
    return place


def _unwrapped(kind: Any) -> tuple[Any, tuple[Any, ...]]:
    """A type without ``Annotated`` and without ``| None``, and what ``Annotated`` said."""
    if typing.get_origin(kind) is Annotated:
        bare, *extras = typing.get_args(kind)
        flat = [item for extra in extras for item in getattr(extra, "metadata", [extra])]
        inner, more = _unwrapped(bare)
        return inner, (*flat, *more)
    if typing.get_origin(kind) in (Union, types.UnionType):
        return _unwrapped(next(item for item in typing.get_args(kind) if item is not type(None)))
    return kind, ()


def _value(data: Mapping[str, Any], key: KeyPath) -> Any:
    value: Any = data
    for part in key:
        try:
            value = value[part]
        except (KeyError, IndexError, TypeError):
            return ABSENT
    return value


def _is_number(value: object) -> typing.TypeGuard[float]:
    return isinstance(value, int | float) and not isinstance(value, bool)
