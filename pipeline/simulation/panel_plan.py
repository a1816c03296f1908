"""A panel that is shot for its calibration only: what it is like, what is shot, what goes wrong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from enum import StrEnum

from pipeline.errors import InputError
from pipeline.simulation.detector import DetectorPlan
from pipeline.simulation.gauge_plates import DotPlate, DuplexGauge, StepWedge

PANEL = "panel"
REFERENCE_C = 22.0
REFERENCE_FRAME_TIME_S = 2.0
MA_S_PER_GV = 1e-4  # at the nearer distance


class Fault(StrEnum):
    """What may go wrong while the exposures are shot, each on request."""

    DUST = "dust"
    OBJECT = "object"
    LIGHT_LEAK = "light_leak"
    AFTERGLOW = "afterglow"
    ROLL_OFF = "roll_off"

    @property
    def about(self) -> str:
        """The fault in words."""
        return _ABOUT[self]


_ABOUT = {
    Fault.DUST: "specks of dust on the panel in one set of flats",
    Fault.OBJECT: "an object left in the beam in one flat",
    Fault.LIGHT_LEAK: "light in one dark",
    Fault.AFTERGLOW: "a set of darks shot too soon after an exposure",
    Fault.ROLL_OFF: "gain that falls off strongly towards the panel's edges",
}


@dataclass(frozen=True, slots=True)
class DarkSet:
    """Frames without radiation at a panel temperature and frame time."""

    folder: str
    temperature_c: float = REFERENCE_C
    frame_time_s: float = REFERENCE_FRAME_TIME_S
    frames: int = 10


@dataclass(frozen=True, slots=True)
class FlatSet:
    """Frames of the bare beam; ``level_gv`` is the dose at the beam's foot, in gray values."""

    folder: str
    level_gv: float
    source_distance_mm: float
    frames: int = 10


@dataclass(frozen=True, slots=True)
class Leakage:
    """Dark signal beyond the offset: grows with frame time, doubles every ``doubling_c``.

    ``offset_gv_per_c`` is the offset's own drift. ``hot_share`` of the pixels leak 4 to 9 times
    as much, and flicker by a quarter of what they leak: quiet when cool, noisy when hot.
    """

    mean_gv: float = 20.0  # at REFERENCE_C and REFERENCE_FRAME_TIME_S
    scatter: float = 0.15
    doubling_c: float = 8.0
    offset_gv_per_c: float = 0.8
    hot_share: float = 2e-4


@dataclass(frozen=True, slots=True)
class PanelPlan:
    """The panel and its exposures. Lags are parts of the last frame's signal, of the one before….

    ``curvature`` is by which part the response of a usual pixel at 40,000 GV departs from that at
    20,000, ``curvature_scatter`` its standard deviation over the pixels. ``heel`` is the beam's
    slope with the tangent of the ray's angle along the columns.
    """

    rows: int = 1152
    columns: int = 1536
    pitch_mm: float = 0.1
    kv: float = 120.0
    detector: DetectorPlan = field(
        default_factory=lambda: DetectorPlan(lag=(0.004, 0.0015, 0.0006, 0.0003), lag_slope=0.2)
    )
    leakage: Leakage = field(default_factory=Leakage)
    curvature: float = -0.004
    curvature_scatter: float = 0.0005
    heel: float = 0.08
    flicker: float = 0.003
    darks: tuple[DarkSet, ...] = (
        DarkSet("dark_22c", frames=20),
        DarkSet("dark_10c", temperature_c=10.0),
        DarkSet("dark_38c", temperature_c=38.0),
        DarkSet("dark_22c_4s", frame_time_s=4.0),
    )
    flats: tuple[FlatSet, ...] = (
        FlatSet("flat_low", 6000.0, 700.0),
        FlatSet("flat_middle", 18000.0, 700.0),
        FlatSet("flat_high", 42000.0, 700.0),
        FlatSet("flat_far", 18000.0, 1000.0),
    )
    step_off_lit: int = 4
    step_off_dark: int = 14
    gauge_level_gv: float = 30000.0
    gauge_frames: int = 8
    duplex: DuplexGauge = field(default_factory=lambda: DuplexGauge(500.0, 560.0))
    dot_plate: DotPlate = field(default_factory=DotPlate)
    step_wedge: StepWedge = field(default_factory=StepWedge)

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns)."""
        return self.rows, self.columns

    @property
    def dark_variance_gv2(self) -> float:
        """Variance of a usual pixel in a dark at the reference temperature and frame time."""
        return self.detector.read_gv**2 + self.detector.slope_gv * self.leakage.mean_gv

    def dose_ma_s(self, flat: FlatSet) -> float:
        """The tube charge of one frame: inverse square from the first set's distance."""
        share = (flat.source_distance_mm / self.flats[0].source_distance_mm) ** 2
        return flat.level_gv * MA_S_PER_GV * share


def get_faults(names: Sequence[str], preset: str = PANEL) -> tuple[Fault, ...]:
    """The faults of these names, each once, in a fixed order.

    Raises:
        InputError: no such fault (the message lists all names), or ``preset`` is a scan, which
            has none of them.
    """
    if names and preset != PANEL:
        raise InputError(
            f"--fault {names[0]} is for the preset {PANEL}, not for {preset!r}",
            remedy=f"Leave --fault out, or simulate {PANEL}",
        )
    unknown = next((name for name in names if name not in tuple(Fault)), None)
    if unknown is not None:
        near = get_close_matches(unknown, list(Fault), n=1)
        raise InputError(
            f"there is no fault {unknown!r}",
            expected="one of " + ", ".join(Fault),
            remedy=f"Did you mean {near[0]!r}?" if near else "",
        )
    return tuple(fault for fault in Fault if fault in names)
