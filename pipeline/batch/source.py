"""What a weld is made from now: its config, with what job sheet and command line say."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.config.weld import WeldJob, load_weld_config, with_own_folder
from pipeline.io.csv_text import table_error
from pipeline.io.digest import sha256_file
from pipeline.io.job_sheet import CONFIG_KEYS, SheetRow, cell_faults, read_job_sheet, read_sheet

SHEET_KEYS = frozenset(CONFIG_KEYS.values())
"""What a job sheet may tell instead of the config."""


@dataclass(frozen=True, slots=True)
class Told:
    """What holds for all welds beside their configs: a job sheet's rows, and a library."""

    sheet: Path | None = None
    rows: Mapping[tuple[str, str], SheetRow] = field(default_factory=dict)
    from_library: Path | None = None
    digest: str = ""

    def row(self, job: WeldJob) -> SheetRow | None:
        """The sheet's row of a weld's shot, if there is one."""
        return self.rows.get((job.weld.id, job.weld.shot))


def told_by(sheet: Path | None, library: Path | None) -> Told:
    """The job sheet, read and checked, and the library.

    Raises:
        TableError: the sheet can't be read or is wrong.
    """
    if sheet is None:
        return Told(from_library=library, digest=str(library or ""))
    read = read_sheet(sheet)
    faults = [*read.faults, *cell_faults(read)]
    if faults:
        raise table_error(sheet, faults, "Correct the sheet")
    rows = {row.name: row for row in read.rows}
    if len(rows) != len(read.rows):  # the reader of one row says which stands there twice
        for row in read.rows:
            read_job_sheet(sheet, *row.name)
    return Told(sheet, rows, library, f"{library or ''} {sha256_file(sheet)}")


@dataclass(frozen=True, slots=True)
class Source:
    """A weld's config file, by its absolute path as text: plans have many thousands. ``own`` is the
    resolved one in its result, where no other is found whose output folder this is."""

    config: str
    own: bool = False

    def load(self, told: Told) -> tuple[WeldJob, bool]:
        """The job as it would be done now, and whether the job sheet told something of it.

        Of a resolved config that names a library the folder is dropped: it was that day's choice.

        Raises:
            ConfigError: the config is faulty.
        """
        overrides: dict[str, object] = {}
        if told.from_library is not None:
            overrides = {
                "calibration.folder": None,
                "calibration.from_library": told.from_library.absolute(),
            }
        job = load_weld_config(Path(self.config), overrides)
        row = told.row(job)
        if row is not None:
            more = {**overrides, **row.told}
            job = load_weld_config(Path(self.config), more, source=str(told.sheet))
        if self.own and job.calibration.from_library is not None:
            job = job.model_copy(
                update={"calibration": job.calibration.model_copy(update={"folder": None})}
            )
        return (job if self.own else with_own_folder(job)), row is not None


def output_of(job: WeldJob) -> str:
    """The absolute path of a job's result folder."""
    return os.path.abspath(job.output.folder)  # noqa: PTH100  # links stay unresolved
