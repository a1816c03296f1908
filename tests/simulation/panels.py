"""A small panel with all of its exposures, quick to simulate."""

from __future__ import annotations

from pipeline.simulation.detector import DetectorPlan
from pipeline.simulation.gauge_plates import DotPlate, DuplexGauge, StepWedge
from pipeline.simulation.panel_plan import DarkSet, FlatSet, PanelPlan

SMALL = PanelPlan(
    rows=224,
    columns=704,
    detector=DetectorPlan(lag=(0.004, 0.0015), lag_slope=0.2, module_columns=128),
    darks=(
        DarkSet("dark_22c", frames=12),
        DarkSet("dark_38c", temperature_c=38.0, frames=6),
        DarkSet("dark_22c_4s", frame_time_s=4.0, frames=6),
    ),
    flats=(
        FlatSet("flat_low", 6000.0, 700.0, frames=10),
        FlatSet("flat_middle", 18000.0, 700.0, frames=10),
        FlatSet("flat_high", 42000.0, 700.0, frames=10),
        FlatSet("flat_far", 18000.0, 1000.0, frames=8),
    ),
    step_off_lit=4,
    step_off_dark=12,
    gauge_frames=4,
    duplex=DuplexGauge(82.0, 112.0),
    dot_plate=DotPlate(spacing_mm=3.0, dot_mm=1.0),
    step_wedge=StepWedge((2.0, 4.0, 6.0, 8.0)),
)
