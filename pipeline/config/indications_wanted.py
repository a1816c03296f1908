"""The table ``indications`` of a weld's config: what a reviewer noted, and what is told of it."""

from __future__ import annotations

from pydantic import Field

from pipeline.config.records import Folder, Section


class Indications(Section):
    """Where the reviewer's table is; with ``suggest`` regions to look at are suggested as well."""

    file: Folder | None = None
    window_mm: float = Field(
        default=300.0, gt=0, description="length of weld over which lengths are taken together"
    )
    suggest: bool = False
