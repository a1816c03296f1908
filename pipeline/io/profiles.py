"""Profiles of standards from their files: those that come with the program, or the user's own."""

from __future__ import annotations

import hashlib
import re
from difflib import get_close_matches
from pathlib import Path

from pipeline.config.load import load_config
from pipeline.config.profile_file import ProfileFile
from pipeline.config.quality_wanted import Quality
from pipeline.config.toml_lines import key_lines
from pipeline.errors import ConfigError
from pipeline.quality.asked.profile import Profile

FOLDER = Path(__file__).parents[1] / "profiles"
"""The profiles that come with the program."""

DEFAULT_PROFILE = FOLDER / "iso_17636_2_2013.toml"
"""By whose gauges is read where nothing is asked."""


_IN_A_ROW = re.compile(
    r"(?P<file>.*):(?P<line>\d+): (?P<part>\w+)\.rows\[\d+\]\.(?P<key>\w+): (?P<what>is missing.*)"
)
_NO_ROWS = re.compile(r".*\.rows = \[\{.*: must have at least one value")


def shipped_profiles() -> tuple[str, ...]:
    """The names of the profiles that come with the program."""
    return tuple(sorted(path.stem for path in FOLDER.glob("*.toml")))


def profile_path(quality: Quality, config: Path | None = None) -> Path:
    """The file of the profile that the config asks for: the user's own, or one that is shipped.

    An error names the line of ``config``, if that is told.

    Raises:
        ConfigError: there is no such profile.
    """
    if quality.profile_file is not None:
        if not quality.profile_file.is_file():
            raise ConfigError(
                f"there is no profile {quality.profile_file}",
                where=_where(config, "profile_file"),
                expected="a file, which counts from the config's own folder",
                remedy="Copy one of " + ", ".join(shipped_profiles()) + f" out of {FOLDER}",
            )
        return quality.profile_file
    names = shipped_profiles()
    if quality.profile not in names:
        near = get_close_matches(quality.profile or "", names, n=1)
        guess = f"Did you mean {near[0]}? " if near else ""
        raise ConfigError(
            f"there is no profile {quality.profile!r}",
            where=_where(config, "profile"),
            expected=" or ".join(names),
            remedy=f"{guess}A file of your own is named by profile_file",
        )
    return FOLDER / f"{quality.profile}.toml"


def _where(config: Path | None, key: str) -> str:
    """File, line and key, as far as they are told."""
    name = f"quality.{key}"
    if config is None:
        return name
    try:
        line = key_lines(config.read_text(encoding="utf-8-sig")).get(("quality", key))
    except (OSError, UnicodeDecodeError):
        line = None
    return f"{config}:{line}: {name}" if line else f"{config}: {name}"


def _summed_up(said: str) -> str:
    """The faults of a profile, those that are the same in many rows in one line.

    Rows of which none is sound are not said to be no rows at all.
    """
    lines = said.splitlines()
    same: dict[tuple[str, ...], list[str]] = {}
    for line in lines:
        if found := _IN_A_ROW.fullmatch(line):
            same.setdefault(found.group("file", "part", "key", "what"), []).append(found["line"])
    kept: list[str] = []
    for line in lines:
        found = _IN_A_ROW.fullmatch(line)
        many = same[found.group("file", "part", "key", "what")] if found else []
        if found and len(many) > 1:
            if found["line"] == many[0]:
                kept.append(
                    f"{found['file']}:{many[0]}: {found['part']}.rows: {found['key']} "
                    f"{found['what']}: in {len(many)} rows, lines {many[0]} to {many[-1]}"
                )
        elif not _NO_ROWS.fullmatch(line):
            kept.append(line)
    return "\n".join(dict.fromkeys(kept))


def read_profile(path: Path) -> Profile:
    """The profile in the file; its ``identity`` is the file's name and the SHA-256 of its content.

    Raises:
        ConfigError: the file can't be read, or breaks rules: all of them, a line each.
    """
    try:
        told = load_config(path, ProfileFile, {}, "")
    except ConfigError as error:
        raise ConfigError(_summed_up(error.what)) from error
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    return told.profile(f"{path.name} sha256:{digest}")
