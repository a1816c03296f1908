"""The ready scans that ``girthstrip simulate`` can make, by name."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from difflib import get_close_matches

from pipeline.errors import InputError
from pipeline.geometry import Arrangement, Panel, ScanGeometry
from pipeline.simulation.carriage import CarriagePlan
from pipeline.simulation.detector import DetectorPlan
from pipeline.simulation.layout import NARROW, WIDE, Layout
from pipeline.simulation.panel_plan import PANEL
from pipeline.simulation.weld import WeldShape


@dataclass(frozen=True, slots=True)
class Preset:
    """A scan to simulate: an invented weld, how it was shot, and what the tool isn't told.

    ``snr`` is the signal-to-noise ratio of one frame's pixel on plate beside the weld, where the
    panel's centre sees it at level 1. ``geometry`` and ``panel`` are the true ones.
    """

    name: str
    about: str
    weld_id: str
    shape: WeldShape
    layout: Layout
    geometry: ScanGeometry
    panel: Panel
    carriage: CarriagePlan
    kv: float
    snr: float
    ring: bool = True
    scatter: float = 0.3
    detector: DetectorPlan = field(default_factory=DetectorPlan)
    dark_frames: int = 30
    flat_frames: int = 14
    flat_doses_gv: tuple[float, ...] = (18000.0, 42000.0)

    @property
    def base_gv(self) -> float:
        """Gray value above dark that gives ``snr``."""
        return self.detector.gray_value_for(self.snr)

    @property
    def half_height_mm(self) -> float:
        """Half the length along the pipe that the panel's centre column sees, nominally."""
        source = self.geometry.source_distance_mm
        radius, panel = self.geometry.radius_mm, self.geometry.panel_distance_mm
        return self.panel.rows * self.panel.pitch_mm / 2 * (radius + source) / (panel + source)


def _small_pipe(diameter_mm: float, wall_mm: float) -> WeldShape:
    return WeldShape(
        diameter_mm=diameter_mm,
        wall_mm=wall_mm,
        cap_half_width_mm=5.0,
        cap_height_mm=1.4,
        root_half_width_mm=1.6,
        root_height_mm=0.9,
        ripple_mm=0.09,
        ripple_spacing_mm=1.4,
    )


_SMALL = Preset(
    name="small",
    about="a 114.3 mm pipe, full ring, 2 + 30 frames of 320×384: seconds",
    weld_id="W-0001",
    shape=_small_pipe(114.3, 6.0),
    layout=NARROW,
    geometry=ScanGeometry(radius_mm=57.15, standoff_mm=10.0, source_x_mm=0.8, source_y_mm=-0.5),
    panel=Panel(320, 384, 0.1, roll_rad=math.radians(0.1)),
    carriage=CarriagePlan(
        stops=30,
        step_mm=math.pi * 114.3 / 30,
        ramp_kv=(0.6, 0.85),
        slips=2,
        slip_mm=1.0,
        jitter_mm=0.15,
        scale_error=0.004,
        axial_mm=0.15,
    ),
    kv=160.0,
    snr=150.0,
    detector=DetectorPlan(module_columns=128),
)

_TWO_WALL = replace(
    _SMALL,
    name="two_wall",
    about="a 219.1 mm pipe through two walls, source outside opposite, 2 + 44 frames of 320×384",
    weld_id="W-0002",
    shape=_small_pipe(219.1, 8.2),
    geometry=ScanGeometry(
        radius_mm=109.55,
        standoff_mm=10.0,
        arrangement=Arrangement.TWO_WALL,
        source_distance_mm=400.0,
    ),
    carriage=replace(_SMALL.carriage, stops=44, step_mm=math.pi * 219.1 / 44),
    kv=220.0,
)

_ARC = replace(
    _SMALL,
    name="arc",
    about="part of the way round a 323.9 mm pipe, 2 + 18 frames of 320×384",
    weld_id="W-0003",
    shape=_small_pipe(323.9, 9.5),
    geometry=ScanGeometry(radius_mm=161.95, standoff_mm=10.0, source_x_mm=-1.5, source_y_mm=1.0),
    carriage=replace(_SMALL.carriage, stops=18, step_mm=14.0),
    kv=180.0,
    ring=False,
)

_RING24 = Preset(
    name="ring24",
    about="a 609.6 mm pipe, full ring, 4 + 60 frames of 1152×1536, source 3 mm off the axis",
    weld_id="W-0024",
    shape=WeldShape(
        diameter_mm=609.6,
        wall_mm=12.7,
        cap_half_width_mm=9.0,
        cap_height_mm=2.2,
        root_half_width_mm=2.6,
        root_height_mm=1.4,
    ),
    layout=WIDE,
    geometry=ScanGeometry(radius_mm=304.8, standoff_mm=10.0, source_x_mm=2.4, source_y_mm=1.8),
    panel=Panel(1152, 1536, 0.1, roll_rad=math.radians(0.1)),
    carriage=CarriagePlan(
        stops=60,
        step_mm=math.pi * 609.6 / 60,
        ramp_kv=(0.55, 0.7, 0.82, 0.9),
        slips=4,
        slip_mm=2.0,
        jitter_mm=0.2,
        scale_error=0.005,
        axial_mm=0.3,
    ),
    kv=200.0,
    snr=150.0,
)

# Mostly a pipe out of round and a track off centre; finer parts as a coating may have them.
_UNEVEN_TRACK_MM = (0.9, -0.3, 0.2, 0.75, -0.1, 0.1, -0.05, 0.12, 0.03, -0.02)

_HARD24 = replace(
    _RING24,
    name="hard24",
    about="ring24 with fewer photons, larger slips, source 8 mm off, panel rolled by 0.4°, "
    "stand-off wandering by ±1.5 mm",
    weld_id="W-0025",
    geometry=replace(
        _RING24.geometry, source_x_mm=-6.4, source_y_mm=4.8, lift_off_mm=_UNEVEN_TRACK_MM
    ),
    panel=replace(_RING24.panel, roll_rad=math.radians(0.4)),
    carriage=replace(_RING24.carriage, slips=8, slip_mm=3.0, scale_error=0.008, axial_mm=0.5),
    snr=80.0,
)

_TILTED24 = replace(
    _HARD24,
    name="tilted24",
    about="hard24 with the panel tilted, by 0.2° along the scan and 0.15° along the pipe",
    weld_id="W-0027",
    panel=replace(_HARD24.panel, yaw_rad=math.radians(0.2), pitch_rad=math.radians(-0.15)),
)

_CONTINUOUS24 = replace(
    _RING24,
    name="continuous24",
    about="ring24 as a continuous run: 4 + 400 frames, each a short pulse",
    weld_id="W-0026",
    carriage=replace(_RING24.carriage, stops=400, step_mm=math.pi * 609.6 / 400, jitter_mm=0.1),
)

PRESETS = {
    preset.name: preset
    for preset in (_SMALL, _TWO_WALL, _ARC, _RING24, _HARD24, _TILTED24, _CONTINUOUS24)
}


def get_preset(name: str) -> Preset:
    """The preset of that name.

    Raises:
        InputError: no such preset; the message lists all names.
    """
    if name in PRESETS:
        return PRESETS[name]
    names = [*PRESETS, PANEL]
    near = get_close_matches(name, names, n=1)
    raise InputError(
        f"there is no preset {name!r}",
        expected="one of " + ", ".join(names),
        remedy=f"Did you mean {near[0]!r}?" if near else "",
    )
