"""The tables of a weld config, each a frozen record: who and what, where, how it was shot."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Literal

from pydantic import Field, field_validator

from pipeline.config.panel import BinaryLayout, FrameFormat, NotEmpty
from pipeline.config.records import Folder, Section

Allowable = Literal[
    "withdrawn", "superseded", "unreleased", "date", "kv", "temperature", "frame_time"
]
"""What may be held against a calibration and let pass: see ``calibration/conditions.py``."""


class Weld(Section):
    """Which weld this is, and its pipe."""

    id: NotEmpty = Field(description="the weld's number, as in the job sheet")
    shot: str = Field(default="", description="empty the first time that the weld is shot")
    line: str = ""
    station: str = ""
    procedure: str = ""
    material: str = "carbon steel"
    diameter_mm: float = Field(gt=0, le=5000, description="the pipe's outer diameter")
    wall_mm: float = Field(gt=0, description="the pipe's wall thickness")
    operator: str = ""
    evaluator: str = ""

    @field_validator("shot")
    @classmethod
    def _numbered(cls, told: str) -> str:
        # The numbers are common practice; no standard was found that fixes them.
        if re.fullmatch(r"(R[1-9]\d?)?(RS[1-9]\d?)?", told) is None:
            raise ValueError(
                "must be empty the first time, R1, R2, … after a repair, RS1, RS2, … where the "
                "weld was only shot again, R1RS1 where it was shot again after its first repair"
            )
        return told

    @property
    def radius_mm(self) -> float:
        """Outer radius of the pipe."""
        return self.diameter_mm / 2


class Geometry(Section):
    """Where source and panel stand."""

    arrangement: Literal["panoramic", "two_wall"] = "panoramic"
    standoff_mm: float = Field(
        gt=0,
        le=2000,
        description="from the pipe's outer surface out to the panel; "
        "with 0 or less the panel would be inside the pipe",
    )
    standoff_sigma_mm: float = Field(default=0.5, ge=0, le=100)
    lift_off_sigma_mm: float = Field(default=0.0, ge=0, le=100)
    source_offset_mm: tuple[float, float] = (0.0, 0.0)
    source_offset_sigma_mm: float = Field(default=5.0, ge=0)
    source_axial_mm: float = 0.0
    source_distance_mm: float = Field(
        default=0.0, ge=0, description="from the pipe's axis to the source, for two_wall"
    )
    roll_deg: float = Field(default=0.0, ge=-10, le=10)
    roll_sigma_deg: float = Field(default=0.5, ge=0, le=10)
    yaw_deg: float = Field(default=0.0, ge=-10, le=10)
    yaw_sigma_deg: float = Field(default=0.5, ge=0, le=10)
    pitch_deg: float = Field(default=0.0, ge=-10, le=10)
    pitch_sigma_deg: float = Field(default=0.5, ge=0, le=10)


class ScanPath(Section):
    """How the carriage went round, and how far its encoder can be trusted."""

    ring: bool = True
    direction: Literal["clockwise", "counterclockwise"] = "clockwise"
    datum_encoder_mm: float = 0.0
    encoder_step_sigma_mm: float = Field(default=0.3, gt=0)
    encoder_scale_sigma: float = Field(default=0.01, ge=0, lt=1)
    axial_sigma_mm: float = Field(default=1.0, gt=0)


class Frames(Section):
    """Where the frames are and how their files look."""

    folder: Folder = Path("frames")
    table: NotEmpty = "frames.csv"
    format: FrameFormat = "tiff"
    on_unreadable: Literal["leave_out", "stop"] = "leave_out"
    binary: BinaryLayout | None = None

    @property
    def table_path(self) -> Path:
        """The frame table; its name counts from the frames' folder."""
        return self.folder / self.table


def _usual_folder(told: dict[str, object]) -> Path | None:
    return Path("calibration") if told.get("from_library") is None else None


class CalibrationFolder(Section):
    """Where the detector's calibration is: a folder, or a library to choose the nearest from.

    With both, the folder is used and what the library decided about it counts; with none it is
    the folder ``calibration``.
    """

    from_library: Folder | None = None
    folder: Folder | None = Field(default_factory=_usual_folder)
    allow: tuple[Allowable, ...] = ()


class Strip(Section):
    """Which part of the pipe's surface the strip shows, and how finely."""

    pitch_mm: float = Field(default=0.1, ge=0.01, le=2, description="side of a strip pixel")
    axial_mm: tuple[float, float] | None = None
    overrun_mm: float = Field(default=50.0, ge=0)


class OutputFolder(Section):
    """Where the results go."""

    folder: Folder = Path("result")
