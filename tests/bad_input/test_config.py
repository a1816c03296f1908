"""Bad configs: refused with the line and what to do."""

from __future__ import annotations

import pytest

from tests.bad_input.endings import Capture, refused
from tests.weld_folder import WeldFolder

BAD_CONFIGS = {
    "unknown key": (
        "standoff_mm = 10",
        "stand_off_mm = 10",
        ("geometry.stand_off_mm", "standoff_mm"),
    ),
    "unknown section": ("[scan]", "[scna]", ("scna", "scan")),
    "wrong unit": ("pitch_mm = 0.1\nserial", "pitch_mm = 100\nserial", ("panel.pitch_mm = 100",)),
    "text for a number": ("wall_mm = 6", 'wall_mm = "6 mm"', ('weld.wall_mm = "6 mm"', "number")),
    "panel inside the pipe": (
        "standoff_mm = 10",
        "standoff_mm = -5",
        ("geometry.standoff_mm = -5", "the panel would be inside the pipe"),
    ),
    "no bore": ("wall_mm = 6", "wall_mm = 60", ("weld.wall_mm = 60", "no bore")),
    "stage twice": (
        '"flat_field", ',
        '"flat_field", "flat_field", ',
        ("stages.sequence", "flat_field", "stands twice"),
    ),
    "stages out of order": (
        '"registration", "blending"',
        '"blending", "registration"',
        ("stages.sequence", "blending", "must come after registration"),
    ),
    "unknown stage": ('"flat_field", ', '"flat_feild", ', ("did you mean flat_field",)),
    "stage missing": ('"flat_field", ', "", ("flat_field is missing",)),
    "no stage that blends": (', "blending"', "", ("needs exactly one stage that makes the strip",)),
    "parameter out of range": (
        "patch_px = 128",
        "patch_px = 8",
        ("stages.registration.patch_px = 8",),
    ),
    "table of a stage that doesn't run": (
        "[stages.registration]",
        "[stages.lag]\nfractions = [0.01]\n[stages.registration]",
        ("stages.lag", "not in stages.sequence"),
    ),
    "not a number": ("standoff_mm = 10", "standoff_mm = nan", ("geometry.standoff_mm", "finite")),
    "decimal comma": ("standoff_mm = 10", "standoff_mm = 10,0", ("not with a comma",)),
    "strip outside the view": (
        "[strip]",
        "[strip]\naxial_mm = [-80, 80]",
        ("strip.axial_mm", "reaches past what the panel sees"),
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD_CONFIGS)
def test_a_bad_config_is_refused_with_its_line(
    case: str, small_weld: WeldFolder, capsys: Capture
) -> None:
    old, new, said = BAD_CONFIGS[case]
    small_weld.edit_config(old, new)
    line = small_weld.config.read_text(encoding="utf-8")
    number = line[: line.index(new) if new else line.index("sequence")].count("\n") + 1
    message = refused(small_weld, capsys)
    assert all(text in message for text in said), message
    where = [int(part.split(":")[0]) for part in message.split("stitch.toml:")[1:]]
    assert any(abs(found - number) <= new.count("\n") for found in where), (number, message)
