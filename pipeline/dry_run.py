"""What ``stitch --dry-run`` tells: the plan, once all that a run checks first has been checked."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from pipeline.choose import calibration_for
from pipeline.config.weld import WeldJob
from pipeline.errors import OutputError
from pipeline.io.folders import require_free
from pipeline.io.frames import open_scan
from pipeline.io.results import RESULT_FILES, require_same_weld
from pipeline.plan import Plan, plan_weld


@dataclass(frozen=True, slots=True)
class DryRun:
    """What a run would do, with which calibration, and what would stand where afterwards."""

    plan: Plan
    calibration: Path
    identity: str
    output: Path
    replaces: bool
    remarks: tuple[str, ...]

    def as_dict(self) -> dict[str, object]:
        """All of it as plain values, the plan's beside the others."""
        return {
            **self.plan.as_dict(),
            "calibration": str(self.calibration),
            "calibration_identity": self.identity,
            "output": str(self.output),
            "replaces": self.replaces,
            "remarks": list(self.remarks),
        }

    def text(self) -> str:
        """All of it for people, a line each."""
        older = "; the older result there is replaced" if self.replaces else ", which is new"
        return "\n".join(
            [
                self.plan.text(),
                f"with     {self.calibration} (calibration {self.identity[:12]})",
                f"into     {self.output}{older}",
                *(f"note     {remark}" for remark in self.remarks),
            ]
        )


def dry_run(job: WeldJob, *, replace: bool = False) -> DryRun:
    """What ``run_weld`` would do with this job; nothing is written and no frame's pixel is read.

    ``replace`` as for ``run_weld``.

    Raises:
        InputError: the run would be refused: frame table, frames' headers, calibration or output
            folder are at fault.
    """
    output = Path(os.path.abspath(job.output.folder))  # noqa: PTH100 - a link must stay one
    require_free(output, replace, RESULT_FILES)
    require_same_weld(output, job.weld)
    _require_writable(output.parent)
    scan = open_scan(job)
    chosen, calibration = calibration_for(job, scan.rows)
    return DryRun(
        plan=plan_weld(job, scan),
        calibration=chosen.folder,
        identity=calibration.identity,
        output=job.output.folder,
        replaces=os.path.lexists(output),
        remarks=scan.remarks,
    )


def _require_writable(parent: Path) -> None:
    """Raise OutputError if the folder can't be written, or made where it doesn't exist yet."""
    nearest = next(folder for folder in (parent, *parent.parents) if folder.exists())
    if not nearest.is_dir():
        raise OutputError(
            "a file is in the way", where=str(nearest), remedy="Name another output folder"
        )
    if not os.access(nearest, os.W_OK | os.X_OK):
        raise OutputError(
            "may not be written", where=str(nearest), remedy="Name a folder that you may write to"
        )
