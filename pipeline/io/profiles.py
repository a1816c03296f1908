"""Profiles of standards from their files: those that come with the program, or the user's own."""

from __future__ import annotations

import hashlib
from difflib import get_close_matches
from pathlib import Path

from pipeline.config.load import load_config
from pipeline.config.profile_file import ProfileFile
from pipeline.config.quality_wanted import Quality
from pipeline.errors import ConfigError
from pipeline.quality.asked.profile import Profile

FOLDER = Path(__file__).parents[1] / "profiles"
"""The profiles that come with the program."""

DEFAULT_PROFILE = FOLDER / "iso_17636_2_2013.toml"
"""By whose gauges is read where nothing is asked."""


def shipped_profiles() -> tuple[str, ...]:
    """The names of the profiles that come with the program."""
    return tuple(sorted(path.stem for path in FOLDER.glob("*.toml")))


def profile_path(quality: Quality) -> Path:
    """The file of the profile that the config asks for: the user's own, or one that is shipped.

    Raises:
        ConfigError: there is no such profile.
    """
    if quality.profile_file is not None:
        return quality.profile_file
    names = shipped_profiles()
    if quality.profile not in names:
        near = get_close_matches(quality.profile, names, n=1)
        guess = f"Did you mean {near[0]}? " if near else ""
        raise ConfigError(
            f"there is no profile {quality.profile!r}",
            where="quality.profile",
            expected=" or ".join(names),
            remedy=f"{guess}A file of your own is named by profile_file",
        )
    return FOLDER / f"{quality.profile}.toml"


def read_profile(path: Path) -> Profile:
    """The profile in the file; its ``identity`` is the file's name and the SHA-256 of its content.

    Raises:
        ConfigError: the file can't be read, or breaks rules: all of them, a line each.
    """
    told = load_config(path, ProfileFile, {}, "")
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    return told.profile(f"{path.name} sha256:{digest}")
