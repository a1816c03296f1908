"""The configs that go with a simulated scan: what its technician would have written down."""

from __future__ import annotations

from pipeline.geometry import Arrangement
from pipeline.simulation.gauge_tables import iqi_tables, quality_table
from pipeline.simulation.layout import TICK_HALF_WIDTH_MM, TICK_SPACING_MM
from pipeline.simulation.presets import Preset

SERIAL = "SIM-0001"
GAIN_MODE = "normal"
FRAME_TIME_S = 2.0
FRAME_MA = 3.0
FLAT_MA_S_PER_GV = 1e-4
OPERATOR = "A. Example"
EVALUATOR = "B. Example"
LINE = "demonstration line"
STATION = "0+000"
PROCEDURE = "RT-EXAMPLE-1"

_FAST = "Measures no image quality: stitch_quality.toml is the same scan with its gauges read."
_QUALITY_TOO = "Measures image quality too, and reads the gauges on the weld."


def panel_text(preset: Preset) -> str:
    """The ``[panel]`` table, the same in both configs."""
    panel = preset.panel
    return f"""[panel]
rows = {panel.rows}        # along the pipe
columns = {panel.columns}     # along the scan direction
pitch_mm = {panel.pitch_mm}
serial = "{SERIAL}"
gain_mode = "{GAIN_MODE}"
"""


def source_to_panel_mm(preset: Preset) -> float:
    """From the focal spot to the panel's centre, nominally."""
    return preset.geometry.panel_distance_mm + preset.geometry.source_distance_mm


def calibrate_text(preset: Preset) -> str:
    """The config for ``girthstrip calibrate``, to lie beside the exposures."""
    flats = "".join(
        f"""
[[exposures]]
kind = "flat"
folder = "flat_{number}"
dose = {dose_gv * FLAT_MA_S_PER_GV:g}      # mA·s of one frame
"""
        for number, dose_gv in enumerate(preset.flat_doses_gv, start=1)
    )
    return f"""# Calibration of the simulated panel: preset "{preset.name}".
# Exposures without a pipe, source on the axis where it stands in the scan.

{panel_text(preset)}
[calibration]
frame_time_s = {FRAME_TIME_S}
source_distance_mm = {source_to_panel_mm(preset):g}   # focal spot to panel in the flats

[[exposures]]
kind = "dark"
folder = "dark"
{flats}
[output]
folder = "calibration"
"""


def stitch_text(preset: Preset, *, quality: bool = False) -> str:
    """The config for ``girthstrip stitch``: what is known on site, not the truth.

    With ``quality`` it also says what is asked of the picture and where the gauges lie, and names
    a result folder of its own.
    """
    measured = f"{quality_table(preset, FRAME_MA * FRAME_TIME_S)}\n{iqi_tables(preset)}\n"
    geometry, tape = preset.geometry, preset.layout
    source = (
        f"source_distance_mm = {geometry.source_distance_mm:g}   # from the pipe's axis\n"
        if geometry.arrangement is Arrangement.TWO_WALL
        else ""
    )
    lift_off = (
        "lift_off_sigma_mm = 1.0   # the track is known to be uneven\n"
        if geometry.lift_off_mm
        else ""
    )
    # A small panel's overlaps are too narrow for the usual patches.
    patch = (
        "\n[stages.registration]\npatch_px = 128   # the panel is small\n"
        if preset.panel.columns < 1000
        else ""
    )
    return f"""# Scan of an invented weld: preset "{preset.name}", {preset.about}.
# The geometry is the nominal one; what really was is in truth/truth.json.
# {_QUALITY_TOO if quality else _FAST}

[weld]
id = "{preset.weld_id}"
line = "{LINE}"
station = "{STATION}"
procedure = "{PROCEDURE}"
diameter_mm = {preset.shape.diameter_mm:g}
wall_mm = {preset.shape.wall_mm:g}
operator = "{OPERATOR}"
evaluator = "{EVALUATOR}"

{panel_text(preset)}
[geometry]
arrangement = "{geometry.arrangement}"
standoff_mm = {geometry.standoff_mm:g}         # outer surface to panel
{lift_off}{source}
[scan]
ring = {str(preset.ring).lower()}
direction = "clockwise"
datum_encoder_mm = 0.0   # what the encoder reads at the datum

[frames]
folder = "frames"
table = "frames.csv"

[calibration]
folder = "calibration"

[strip]
pitch_mm = 0.1

# The lead tape beside the weld: a tick every 10 mm, a longer one every 100 mm.
[tape]
z_mm = [{tape.short_z_mm[0]:g}, {tape.short_z_mm[1]:g}]        # within all ticks, along the pipe
long_z_mm = [{tape.long_z_mm[0]:g}, {tape.long_z_mm[1]:g}]   # where only the longer ones reach
spacing_mm = {TICK_SPACING_MM:g}
width_mm = {2 * TICK_HALF_WIDTH_MM:g}

{measured if quality else ""}[output]
folder = "{"result_quality" if quality else "result"}"

[stages]
sequence = ["flat_field", "bad_pixels", "distortion", "registration", "blending"]
{patch}"""


def job_sheet_rows(preset: Preset) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The job sheet: its header and the row of this weld."""
    row = {
        "id": preset.weld_id,
        "line": LINE,
        "station": STATION,
        "procedure": PROCEDURE,
        "material": "carbon steel",
        "diameter_mm": f"{preset.shape.diameter_mm:g}",
        "wall_mm": f"{preset.shape.wall_mm:g}",
        "operator": OPERATOR,
        "evaluator": EVALUATOR,
        "datum_encoder_mm": "0",
        "direction": "clockwise",
    }
    return tuple(row), tuple(row.values())
