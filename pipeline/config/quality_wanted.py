"""The table ``quality`` of a weld's config: which image quality is asked for, by which rules."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, ValidationInfo, field_validator

from pipeline.config.panel import NotEmpty
from pipeline.config.records import Folder, Section
from pipeline.quality.asked.profile_rows import CompensationRule, TestingClass

_USUAL = "iso_17636_2_2013"

Wanted = Literal["snr_n", "sharpness", "wire", "geometry"]


class Quality(Section):
    """What the image must reach; without the table it is measured all the same, nothing is asked.

    The keys from ``kv`` on tell the exposure that is meant, for ``measure --plan``; once frames
    are there, their tube voltage counts. ``profile`` is one that comes with the program, None only
    where ``profile_file`` is told, which counts instead.
    """

    testing_class: TestingClass = Field(description="of the standard that the profile is of")
    profile_file: Folder | None = None
    profile: NotEmpty | None = None
    wanted: tuple[Wanted, ...] = ("snr_n", "sharpness", "wire", "geometry")
    compensation: tuple[CompensationRule, ...] = ()
    pairs_by_agreement: bool = False
    flush: bool = False
    source: NotEmpty = "x_ray"
    focal_spot_mm: float | None = Field(
        default=None, gt=0, le=20, description="effective size of the focal spot in millimetres"
    )
    detector_sr_b_mm: float | None = Field(default=None, gt=0, le=2)
    kv: float | None = Field(default=None, gt=0, le=20000)
    gray_value: float | None = Field(
        default=None, gt=0, le=65535, description="of one frame beside the weld, above the dark"
    )
    frame_mas: float | None = Field(default=None, gt=0, description="mA·s of one frame")

    @field_validator("profile")
    @classmethod
    def _one_profile(cls, told: str | None, info: ValidationInfo) -> str | None:
        own = info.data.get("profile_file")
        if told is not None and own is not None:
            raise ValueError("profile_file is told too, and only one of the two counts: drop one")
        return _USUAL if told is None and own is None else told
