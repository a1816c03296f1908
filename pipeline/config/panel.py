"""The parts of a config that welds and calibrations share: the panel, and raw binary frames."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import Field

from pipeline.config.faults import Fault
from pipeline.config.records import Section
from pipeline.config.toml_lines import KeyPath

NotEmpty = Annotated[str, Field(min_length=1)]
FrameFormat = Literal["tiff", "dicom", "binary"]


class Panel(Section):
    """The flat detector: size, identity, and how its picture lies on the pipe."""

    rows: int = Field(ge=16, le=32768, description="pixels along the pipe")
    columns: int = Field(ge=16, le=32766, description="pixels along the scan direction")
    pitch_mm: float = Field(gt=0, le=1, description="pixel pitch in millimetres: 100 µm is 0.1")
    serial: NotEmpty = Field(description="the detector's serial number, as in its calibration")
    gain_mode: str = ""
    binning: str | None = None
    saturation_gv: int = Field(default=65000, ge=1, le=65535)
    flip_columns: bool = False
    flip_rows: bool = False


class BinaryLayout(Section):
    """How frames lie in headerless files of 16-bit unsigned gray values."""

    rows: int = Field(ge=16, le=32768)
    columns: int = Field(ge=16, le=32766)
    header_bytes: int = Field(default=0, ge=0, description="bytes before the first frame")
    frame_gap_bytes: int = Field(default=0, ge=0, description="bytes between two frames")
    byte_order: Literal["little", "big"] = "little"


def binary_faults(
    key: KeyPath, file_format: str, layout: BinaryLayout | None, panel: Panel | None
) -> Iterator[Fault]:
    """What breaks the rule that binary frames, and only they, have a layout that fits the panel.

    ``key`` is the table that holds ``format`` and ``binary``.
    """
    if file_format != "binary":
        if layout is not None:
            yield Fault(
                (*key, "binary"),
                f'is only for format = "binary", but the format is "{file_format}"; '
                "remove this table or change the format",
            )
        return
    if layout is None:
        yield Fault(
            (*key, "format"),
            'headerless files need a table "binary" with rows, columns, header_bytes, …',
            file_format,
        )
    elif panel is not None:
        for side in ("rows", "columns"):
            found, wanted = getattr(layout, side), getattr(panel, side)
            if found != wanted:
                yield Fault((*key, "binary", side), f"must equal panel.{side} = {wanted}", found)
