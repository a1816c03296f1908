"""The profile that comes with the program, and weld cases, for the tests of requirements."""

from __future__ import annotations

from functools import cache
from typing import Any

from pipeline.geometry import Arrangement
from pipeline.io.profiles import FOLDER, read_profile
from pipeline.quality.asked.profile import Profile
from pipeline.quality.asked.requirement import WeldCase


@cache
def iso() -> Profile:
    """ISO 17636-2:2013 as shipped."""
    return read_profile(FOLDER / "iso_17636_2_2013.toml")


def case(**changes: Any) -> WeldCase:
    """A 24-inch ring, 12.7 mm steel, class B, 200 kV; with changes."""
    told: dict[str, Any] = {
        "testing_class": "B",
        "wall_mm": 12.7,
        "diameter_mm": 609.6,
        "material": "carbon steel",
        "arrangement": Arrangement.PANORAMIC,
        "kv": 200.0,
    }
    return WeldCase(**(told | changes))
