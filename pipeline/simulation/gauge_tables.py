"""What a simulated scan's technician wrote down of the gauges laid, and of what is asked of the
picture: tables of a weld's config."""

from __future__ import annotations

import math
from collections.abc import Iterator

from pipeline.simulation.layout import DUPLEX_MM, GAUGE_TURNS, WIRES_MM, duplex_first_mm
from pipeline.simulation.presets import Preset

FOCAL_SPOT_MM = 1.0
"""As `features.BLUR_MM` has it."""
SEARCH_MM = 3.0
"""So exactly a technician measures where a gauge lies."""


def quality_table(preset: Preset, frame_mas: float) -> str:
    """The table ``quality``; ``frame_mas`` are the mA·s of one frame."""
    return f"""[quality]
testing_class = "A"
focal_spot_mm = {FOCAL_SPOT_MM:g}
kv = {preset.kv:g}
gray_value = {preset.base_gv:.0f}     # of one frame beside the weld
frame_mas = {frame_mas:g}
"""


def iqi_tables(preset: Preset) -> str:
    """A table ``iqi`` for each gauge that lies wholly in what was shot."""
    return "\n".join(_tables(preset))


def _tables(preset: Preset) -> Iterator[str]:
    layout = preset.layout
    turn_mm = math.pi * preset.shape.diameter_mm
    shot_mm = turn_mm if preset.ring else preset.carriage.stops * preset.carriage.step_mm
    for turn in GAUGE_TURNS:
        first_mm = duplex_first_mm(turn * turn_mm, layout)
        wires_mm = turn * turn_mm + (len(WIRES_MM) - 1) / 2 * layout.wire_spacing_mm
        if turn * turn_mm + len(WIRES_MM) * layout.wire_spacing_mm > shot_mm:
            continue
        yield f"""[[iqi]]
kind = "duplex"
s_mm = {first_mm + (len(DUPLEX_MM) - 1) / 2 * layout.duplex_spacing_mm:.1f}
z_mm = {layout.duplex_z_mm:g}
length_mm = {layout.duplex_length_mm:g}
spacing_mm = {layout.duplex_spacing_mm:g}
search_mm = {SEARCH_MM:g}
"""
        yield f"""[[iqi]]
kind = "wire"
s_mm = {wires_mm:.1f}
z_mm = 0
length_mm = {2 * layout.wire_half_length_mm:g}
spacing_mm = {layout.wire_spacing_mm:g}
search_mm = {SEARCH_MM:g}
set = {min(WIRES_MM)}
wires = {len(WIRES_MM)}
material = "FE"
"""
