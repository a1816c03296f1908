"""The config of one weld: where its frames are, how it was shot, how the strip is made."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import ClassVar

from pipeline.config.faults import Rule
from pipeline.config.indications_wanted import Indications
from pipeline.config.iqi_rules import iqi_faults
from pipeline.config.load import load_config
from pipeline.config.mark_rules import datum_faults, tape_faults
from pipeline.config.panel import Panel
from pipeline.config.quality_wanted import Quality
from pipeline.config.records import Job
from pipeline.config.stage_tables import Stages, sequence_faults, unused_faults
from pipeline.config.weld_rules import (
    frame_faults,
    source_faults,
    strip_faults,
    view_faults,
    wall_faults,
)
from pipeline.config.weld_sections import (
    CalibrationFolder,
    Frames,
    Geometry,
    OutputFolder,
    ScanPath,
    Strip,
    Weld,
)
from pipeline.quality.gauges.iqi_plans import IqiPlan
from pipeline.quality.limits import Limits
from pipeline.quality.marks.mark_plans import DatumPlan, TapePlan


class WeldJob(Job):
    """Everything that ``girthstrip stitch`` needs to know about one weld."""

    rules: ClassVar[tuple[Rule, ...]] = (
        Rule(("weld",), wall_faults),
        Rule(("weld", "geometry"), source_faults),
        Rule(("weld", "geometry", "panel", "scan", "strip"), strip_faults),
        Rule(("frames", "panel"), frame_faults),
        Rule(("stages",), unused_faults),
        Rule(("stages.sequence",), sequence_faults),
        Rule(("panel", "stages"), view_faults),
        Rule(("tape",), tape_faults),
        Rule(("datum",), datum_faults),
        Rule(("weld", "scan", "strip", "iqi"), iqi_faults),
    )

    weld: Weld
    panel: Panel
    geometry: Geometry
    scan: ScanPath = ScanPath()
    frames: Frames = Frames()
    calibration: CalibrationFolder = CalibrationFolder()
    strip: Strip = Strip()
    limits: Limits = Limits()
    quality: Quality | None = None
    tape: TapePlan | None = None
    datum: DatumPlan | None = None
    iqi: tuple[IqiPlan, ...] = ()
    indications: Indications | None = None
    output: OutputFolder = OutputFolder()
    stages: Stages


_NOTHING: Mapping[str, object] = {}


def load_weld_config(
    path: Path,
    overrides: Mapping[str, object] = _NOTHING,
    source: str = "command line",
) -> WeldJob:
    """The job that the config file describes.

    ``overrides`` maps dotted keys (``"frames.folder"``) to values that replace the file's; a
    ``Path`` among them counts from where the tool runs, not from the file, and a text given for a
    number is read as that number. ``source`` says in messages where the overrides come from.

    Raises:
        ConfigError: every fault of the file in one message, a line each.
    """
    return load_config(path, WeldJob, overrides, source)


def with_own_folder(job: WeldJob) -> WeldJob:
    """The job with a result folder of its own for each shot: ``result-R1`` after ``result``.

    So the first shot's result stays when the weld is shot again.
    """
    shot, folder = job.weld.shot, job.output.folder
    whole = Path(os.path.abspath(folder))  # noqa: PTH100 - a link must stay one
    if not shot or whole.name.endswith(f"-{shot}"):
        return job
    own = (folder if folder.name else whole).with_name(f"{whole.name}-{shot}")
    return job.model_copy(update={"output": job.output.model_copy(update={"folder": own})})
