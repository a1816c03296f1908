"""One calibration end to end: read the exposures, build, write the calibration folder."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from pipeline.calibration.build import BuildPlan, Conditions, build_calibration
from pipeline.calibration.classify import BadPixelLimits
from pipeline.calibration.gauges import DotGridShot, Gauges, StepWedgeShot
from pipeline.calibration.product import CalibrationSet, DarkConditions
from pipeline.calibration.step_off import LagPlan
from pipeline.config.calibrate import CalibrateJob
from pipeline.config.exposures import Exposures
from pipeline.errors import OutputError
from pipeline.io.calibration_store import write_calibration
from pipeline.io.digest import sha256_file
from pipeline.io.frames import FrameFolder, open_frames
from pipeline.model import RawImage

Progress = Callable[[str, int, int], None]
"""Called with what is being done, how much of it is done, and how much there is."""


@dataclass(frozen=True, slots=True)
class _OpenSet:
    """A set of exposures whose headers have been checked, as the builder reads them.

    ``usual_distance_mm`` is the source's where the set doesn't name its own.
    """

    exposures: Exposures
    folder: FrameFolder
    usual_distance_mm: float | None

    @property
    def frames(self) -> int:
        return len(self.folder)

    @property
    def dose(self) -> float | None:
        return self.exposures.dose

    @property
    def source_distance_mm(self) -> float | None:
        return self.exposures.source_distance_mm or self.usual_distance_mm

    @property
    def conditions(self) -> DarkConditions:
        return DarkConditions(self.exposures.temperature_c, self.exposures.frame_time_s)

    def name(self, index: int) -> str:
        return f"{self.exposures.folder.name}/{self.folder.names[index]}"

    def read(self, index: int, out: RawImage) -> None:
        self.folder.read(index, out)


def run_calibrate(
    job: CalibrateJob,
    out: Path | None = None,
    *,
    replace: bool = False,
    progress: Progress | None = None,
) -> CalibrationSet:
    """Build the calibration that the job describes and write it as the folder ``out``.

    Without ``out`` the folder is the job's. Every header is checked before the first pixel is
    read, and ``progress`` is told how many frames and bytes there are; frames are then read one at
    a time. The files that the calibration was made from stand in its facts with their SHA-256,
    named from their set's folder on, so that the same exposures give the same calibration wherever
    they lie.

    Raises:
        FrameError: an exposure can't be read or doesn't fit the panel.
        CalibrationError: the exposures give no calibration.
        OutputError: the folder exists (without ``replace``) or can't be written.
    """
    final = job.output.folder if out is None else out
    if os.path.lexists(final) and not replace:  # said now, not after all the reading
        raise OutputError(
            "already exists",
            where=str(final),
            remedy="Name another output folder, or add --replace to have this one replaced",
        )
    sets = [
        _OpenSet(
            one,
            open_frames(one.folder, job.panel, one.format, one.binary),
            job.calibration.source_distance_mm,
        )
        for one in job.exposures
    ]
    by_kind = {
        kind: [one for one in sets if one.exposures.kind == kind]
        for kind in ("dark", "flat", "step_off", "duplex_wire", "dot_grid", "step_wedge")
    }
    if progress:
        frames = sum(one.frames for one in sets)
        progress(f"calibrating, headers of the exposures ({_size_text(sets)})", frames, frames)
    conditions = Conditions(
        serial=job.panel.serial,
        gain_mode=job.panel.gain_mode,
        binning=job.panel.binning,
        exposures=_provenance(sets, progress),
        **job.calibration.model_dump(),
    )
    gauges = Gauges(
        by_kind["duplex_wire"],
        [
            DotGridShot(one, one.exposures.dot_spacing_mm)
            for one in by_kind["dot_grid"]
            if one.exposures.dot_spacing_mm is not None
        ],
        [StepWedgeShot(one, one.exposures.thickness_mm) for one in by_kind["step_wedge"]],
    )
    calibration = build_calibration(
        by_kind["dark"],
        by_kind["flat"],
        rows=job.panel.rows,
        columns=job.panel.columns,
        saturation_gv=job.panel.saturation_gv,
        conditions=conditions,
        step_offs=by_kind["step_off"],
        limits=BadPixelLimits(**job.bad_pixels.model_dump()),
        plan=BuildPlan(
            linearity=job.gain.linearity,
            separate_beam=job.gain.separate_beam,
            pitch_mm=job.panel.pitch_mm,
            lag=LagPlan(job.lag.fractions, job.lag.regions),
            gauges=gauges,
        ),
        progress=_labelled(progress, "reading exposures"),
    )
    write_calibration(final, calibration, replace=replace)
    return calibration


def _size_text(sets: list[_OpenSet]) -> str:
    """How much will be read: ``74 frames, 18.2 MB``."""
    frames = sum(one.frames for one in sets)
    size_mb = sum(path.stat().st_size for one in sets for path in one.folder.files) / 1e6
    size = f"{size_mb:.1f} MB" if size_mb < 1000 else f"{size_mb / 1000:.1f} GB"
    return f"{frames} frames, {size} to read"


def _provenance(
    sets: list[_OpenSet], progress: Progress | None
) -> tuple[Mapping[str, object], ...]:
    """Kind, dose, folder and files with their digests, of each set."""
    count = sum(len(one.folder.files) for one in sets)
    done = 0
    records: list[Mapping[str, object]] = []
    for one in sets:
        files = []
        for path in one.folder.files:
            files.append({"name": path.name, "sha256": sha256_file(path)})
            done += 1
            if progress:
                progress("fingerprints of the exposures", done, count)
        told = {
            name: value
            for name in ("temperature_c", "frame_time_s", "source_distance_mm")
            if (value := getattr(one.exposures, name)) is not None
        }
        records.append(
            {
                "kind": one.exposures.kind,
                "dose": one.exposures.dose,
                "folder": one.exposures.folder.name,
                "files": files,
                **told,
            }
        )
    return tuple(records)


def _labelled(progress: Progress | None, what: str) -> Callable[[int, int], None] | None:
    if progress is None:
        return None
    return lambda done, total: progress(what, done, total)
