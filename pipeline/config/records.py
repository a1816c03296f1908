"""What every config record is: a frozen section, and a job made of sections."""

from __future__ import annotations

import os
from collections.abc import Mapping
from enum import Enum
from pathlib import Path
from typing import Annotated, Any, ClassVar

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    PlainValidator,
    ValidationInfo,
    model_validator,
)

from pipeline.config.faults import Fault, Rule, broken_rules, dotted, shown
from pipeline.config.path_text import path_of, path_text
from pipeline.config.toml_text import dump_toml

_RECORD = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, validate_default=True)


class Section(BaseModel):
    """A table of the file."""

    model_config = _RECORD


class Job(BaseModel):
    """A whole config file: one field a section, and the folder that the file lies in.

    Folders in the sections are already joined to ``base``, so they can be opened as they are.
    """

    model_config = _RECORD
    rules: ClassVar[tuple[Rule, ...]] = ()

    base: Path = Field(default=Path(), exclude=True)

    @classmethod
    def section_names(cls) -> tuple[str, ...]:
        """The top-level keys that the file may have."""
        return tuple(name for name in cls.model_fields if name != "base")

    @model_validator(mode="after")
    def _keep_rules(self) -> Job:
        parts = {name: getattr(self, name) for name in self.section_names()}
        for name, section in tuple(parts.items()):
            parts |= {f"{name}.{key}": value for key, value in fields_of(section).items()}
        faults = broken_rules(self.rules, parts)
        if faults:
            raise ValueError("; ".join(map(_one_line, faults)))
        return self

    def text(self, stored_in: Path | None = None) -> str:
        """The config as TOML with every default written out; loads back to an equal record.

        Folders are written as they were given. With ``stored_in``, the folder that the text will
        lie in, relative folders are written so that they lead to the same place from there.
        """
        written: dict[str, object] = {}
        for name, value in self.model_dump(mode="python").items():
            plain = self._plain(value, stored_in)
            if plain is not None and plain != []:
                written[name] = plain
        return dump_toml(written)

    def _plain(self, value: object, stored_in: Path | None) -> Any:
        if isinstance(value, Mapping):
            items = ((key, self._plain(item, stored_in)) for key, item in value.items())
            return {key: item for key, item in items if item is not None}
        if isinstance(value, tuple):
            return [self._plain(item, stored_in) for item in value]
        if isinstance(value, Path):
            return self._written(value, stored_in)
        return value.value if isinstance(value, Enum) else value

    def _written(self, folder: Path, stored_in: Path | None) -> str:
        """A folder as it should stand in a file of ``stored_in``, else of ``base``."""
        home = self.base if stored_in is None else stored_in
        if _same(folder, home):
            return "."
        if folder.is_relative_to(self.base):  # it was given relative to the config file
            if stored_in is None:
                return path_text(folder.relative_to(self.base))
        elif folder.is_absolute():
            return path_text(folder)
        return path_text(Path(os.path.relpath(folder, home)))


def fields_of(section: object) -> dict[str, object]:
    """The values in a section by their keys; nothing when it is no single table."""
    return dict(section) if isinstance(section, Section) else {}


def _same(one: Path, other: Path) -> bool:
    return os.path.abspath(one) == os.path.abspath(other)  # noqa: PTH100  # links stay unresolved


def _one_line(fault: Fault) -> str:
    return f"{dotted(fault.key)} = {shown(fault.value)}: {fault.rule}"


def _joined(given: object, info: ValidationInfo) -> Path:
    """The folder from where the tool runs; without a context it is taken as it stands."""
    if not isinstance(given, str | Path):
        raise ValueError("must be text in quotes")
    if given == "":
        raise ValueError("must name a folder")
    folder = path_of(str(given))
    if not info.context:
        return folder
    as_typed: Mapping[Path, Path] = info.context["typed"]
    base: Path = info.context["base"]
    return as_typed.get(folder, base / folder)


Folder = Annotated[Path, PlainValidator(_joined)]
"""A folder; a relative one counts from the folder of the config file."""
