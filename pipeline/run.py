"""One weld end to end: read, correct, place, compose, record. The only loop over frames."""

from __future__ import annotations

import json
import math
import os
import platform
import resource
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numba
import numpy as np

import pipeline
from pipeline.calibration.product import CalibrationSet
from pipeline.config.weld import WeldJob
from pipeline.errors import FrameError
from pipeline.geometry import Panel, ScanGeometry
from pipeline.io.calibration_store import read_calibration
from pipeline.io.digest import sha256_file
from pipeline.io.folders import new_folder
from pipeline.io.frames import Scan, open_scan
from pipeline.io.positions import PositionRow, write_positions
from pipeline.io.strip import write_maps, write_strip
from pipeline.kernels.repair import flag_saturated
from pipeline.model import Frame, FrameFlag, FrameRow, Strip, Verdict
from pipeline.plan import from_datum_mm, ring_pitch_mm, scan_geometry, scan_order, strip_grid
from pipeline.prefetch import prefetch
from pipeline.quality.assemble import acquisition_checks, registration_checks, strip_checks
from pipeline.quality.coverage import find_gaps
from pipeline.quality.log import (
    CalibrationUsed,
    FrameRecord,
    Gap,
    GeometryFacts,
    InputFile,
    QualityLog,
    Seam,
    StripFacts,
    WeldFacts,
)
from pipeline.stages import stage_of
from pipeline.stages.adjustment import Priors
from pipeline.stages.bad_pixels import BadPixels
from pipeline.stages.blending import Blending, Composition
from pipeline.stages.chain import CorrectionChain
from pipeline.stages.distortion import Distortion
from pipeline.stages.flat_field import FlatField
from pipeline.stages.lag import Lag
from pipeline.stages.matching import view_grid
from pipeline.stages.registration import Registered, Registration, ScanSetup
from pipeline.stages.seams import SeamMeasure, measure_seams
from pipeline.stages.selection import FrameSurvey, left_out, survey

Progress = Callable[[str, int, int], None]
"""Called with what is being done, how much of it is done, and how much there is."""


@dataclass(frozen=True, slots=True)
class RunResult:
    """Where the results lie, the quality log, and how long each pass took (seconds)."""

    folder: Path
    log: QualityLog
    seconds: Mapping[str, float]

    @property
    def verdict(self) -> Verdict:
        """The quality log's verdict."""
        return self.log.verdict


def run_weld(
    job: WeldJob,
    *,
    report: Callable[[Path], None] | None = None,
    progress: Progress | None = None,
    threads: int | None = None,
    replace_folder: bool = False,
) -> RunResult:
    """Make the weld's strip, its maps and its quality log, as a folder that appears whole or not.

    ``report(folder)`` is called on the folder before it gets its name. ``threads`` (default: all
    processors) never changes the result.

    Raises:
        InputError: config, frames, calibration or output folder are at fault.
    """
    run = _Run(job, progress or (lambda *_: None), threads or os.cpu_count() or 1)
    with new_folder(job.output.folder, replace=replace_folder) as folder:
        log = run.make(folder)
        if report is not None:
            with run.timed("report"):
                report(folder)
        run.write_timing(folder)
    return RunResult(job.output.folder, log, dict(run.seconds))


class _Run:
    """What a run carries from pass to pass."""

    def __init__(self, job: WeldJob, progress: Progress, threads: int) -> None:
        self.job, self.progress, self.threads = job, progress, threads
        self.seconds: dict[str, float] = {}
        with self.timed("headers"):
            self.scan: Scan = open_scan(job)
            self.calibration: CalibrationSet = read_calibration(job.calibration.folder)
        panel = job.panel
        self.calibration.require_fit(
            rows=panel.rows, columns=panel.columns, serial=panel.serial, gain_mode=panel.gain_mode
        )
        self.reasons: dict[int, str] = {}
        self.unreadable: dict[int, str] = dict(self.scan.problems)
        records = job.stages.records
        self.corrections = [r for r in records if isinstance(r, FlatField | Lag | BadPixels)]
        self.distortion = stage_of(records, Distortion)
        self.registration = stage_of(records, Registration)
        self.blending = stage_of(records, Blending)

    @contextmanager
    def timed(self, name: str) -> Iterator[None]:
        """Adds the block's seconds to ``name``."""
        begin = time.perf_counter()
        try:
            yield
        finally:
            self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - begin

    def read(self, index: int) -> Frame | None:
        """A frame as the panel delivered it, saturated pixels flagged; None if it can't be read."""
        if index in self.unreadable:
            return None
        raw = np.empty(self.scan.shape, dtype=np.uint16)
        try:
            self.scan.read(index, raw)
        except FrameError as error:
            if self.job.frames.on_unreadable == "stop":
                raise
            self.unreadable[index] = str(error)
            return None
        flags = flag_saturated(raw, self.job.panel.saturation_gv, int(FrameFlag.SATURATED))
        return Frame(index, raw, flags)

    def corrected(self, indices: Sequence[int], what: str) -> Iterator[Frame]:
        """The corrected frames, one ahead; every frame given must be readable."""
        chain = CorrectionChain(self.corrections, self.calibration, self.read)
        for k, frame in enumerate(prefetch(chain.frame(index) for index in indices)):
            if frame is None:
                raise FrameError(
                    "could be read at first, but not any more",
                    where=self.scan.rows[indices[k]].file,
                    remedy="Check the drive that holds the frames",
                )
            yield frame
            self.progress(what, k + 1, len(indices))

    def make(self, folder: Path) -> QualityLog:
        """All passes; writes everything but report and timing into ``folder``."""
        with ThreadPoolExecutor(self.threads) as pool:
            with self.timed("survey"):
                rows, level_gv = self.choose_frames()
            with self.timed("registration"):
                nominal, panel = scan_geometry(self.job)
                found = self.place(rows, nominal, panel, level_gv, pool)
            with self.timed("blending"):
                strip, clipped = self.compose(found, nominal, level_gv, pool)
            with self.timed("log"):
                log = self.record(found, strip, clipped, pool)
            with self.timed("writing"):
                self.write(folder, log, strip, pool)
        return log

    def choose_frames(self) -> tuple[list[FrameRow], float]:
        """The frames that belong to the scan, in scan order, and their usual gray value."""
        registration = self.registration
        flat = [r for r in self.corrections if isinstance(r, FlatField)]
        chain = CorrectionChain(flat, self.calibration, self.read)
        surveys: dict[int, FrameSurvey] = {}
        for k, row in enumerate(self.scan.rows):
            frame = chain.frame(row.index)
            if frame is not None:
                surveys[row.index] = survey(frame)
            self.progress("survey", k + 1, len(self.scan.rows))
        self.reasons = left_out(
            self.scan.rows,
            surveys,
            self.unreadable,
            min_level=registration.min_level,
            max_saturated=registration.max_saturated,
        )
        rows = [row for row in scan_order(self.scan.rows) if row.index not in self.reasons]
        if len(rows) < 2:
            told = "; ".join(f"{self.scan.rows[k].file}: {why}" for k, why in self.reasons.items())
            raise FrameError(
                f"only {len(rows)} of {len(self.scan.rows)} frames can be used ({told[:1500]})",
                where=str(self.job.frames.folder),
                expected="at least two that belong together",
                remedy="Check exposure, calibration and the frame table",
            )
        return rows, float(np.median([surveys[row.index].level_gv for row in rows]))

    def place(
        self,
        rows: Sequence[FrameRow],
        geometry: ScanGeometry,
        panel: Panel,
        level_gv: float,
        pool: Executor,
    ) -> Registered:
        """Registration over the chosen frames; adds frames found in a wrong place to reasons."""
        scan, told = self.job.scan, self.job.geometry
        setup = ScanSetup(
            geometry=geometry,
            panel=panel,
            distortion=self.distortion,
            view_grid=view_grid(
                geometry, panel, self.distortion, ring_pitch_mm(self.job, geometry)
            ),
            noise=self.calibration.facts.noise,
            priors=Priors(
                step_sigma_mm=scan.encoder_step_sigma_mm,
                encoder_scale_sigma=scan.encoder_scale_sigma,
                axial_sigma_mm=scan.axial_sigma_mm,
                source_sigma_mm=told.source_offset_sigma_mm,
                roll_sigma_rad=math.radians(told.roll_sigma_deg),
            ),
            ring=scan.ring,
            usual_level_gv=level_gv,
        )
        frames = self.corrected([row.index for row in rows], "registration")
        found = self.registration.place(frames, from_datum_mm(self.job, rows), setup, pool)
        self.reasons |= found.misplaced
        return found

    def compose(
        self, found: Registered, nominal: ScanGeometry, level_gv: float, pool: Executor
    ) -> tuple[Strip, int]:
        """The strip, and how many pixels were too bright for it."""
        solved, placement = found.adjustment, found.placement
        composition = Composition(
            geometry=solved.geometry,
            flat_geometry=replace(nominal, source_x_mm=0.0, source_y_mm=0.0),
            panel=solved.panel,
            distortion=self.distortion,
            grid=strip_grid(
                self.job,
                solved.geometry,
                solved.panel,
                self.distortion,
                [float(p) for p in placement.position_mm],
            ),
            calibration=self.calibration,
            usual_level_gv=level_gv,
        )
        frames = self.corrected([int(k) for k in placement.frames], "blending")
        strip, _, clipped = self.blending.compose(frames, placement, composition, pool)
        return strip, clipped

    def record(self, found: Registered, strip: Strip, clipped: int, pool: Executor) -> QualityLog:
        """The quality log."""
        job, solved, grid = self.job, found.adjustment, strip.grid
        circumference = solved.geometry.circumference_mm
        seams = measure_seams(
            found.placement,
            found.ties,
            found.level_misfit,
            solved.residual_mm[~solved.rejected],
            circumference if grid.ring else None,
        )
        gaps = find_gaps(strip.origin, grid)
        checks = [
            *acquisition_checks(self.reasons, len(self.scan.rows)),
            *registration_checks(found, seams, job.limits, grid.pitch_mm, grid.ring),
            *strip_checks(strip, gaps, clipped, job.limits),
        ]
        weld = job.weld
        facts = self.calibration.facts
        return QualityLog(
            weld=WeldFacts(**{n: getattr(weld, n) for n in WeldFacts.__dataclass_fields__}),
            checks=tuple(checks),
            strip=StripFacts(
                rows=grid.rows,
                columns=grid.columns + _overrun_columns(job, strip),
                pitch_mm=grid.pitch_mm,
                s_first_mm=grid.s_first_mm,
                z_first_mm=grid.z_first_mm,
                circumference_mm=circumference,
                ring=grid.ring,
                overrun_mm=_overrun_columns(job, strip) * grid.pitch_mm,
                direction=job.scan.direction,
                scale=1.0,
                offset=0.0,
                sigma_scale=strip.sigma_scale,
            ),
            geometry=GeometryFacts(
                source_x_mm=solved.geometry.source_x_mm,
                source_x_sigma_mm=solved.source_sigma_mm[0],
                source_y_mm=solved.geometry.source_y_mm,
                source_y_sigma_mm=solved.source_sigma_mm[1],
                roll_deg=math.degrees(solved.panel.roll_rad),
                roll_sigma_deg=math.degrees(solved.roll_sigma_rad),
                standoff_mm=solved.geometry.standoff_mm,
                arrangement=solved.geometry.arrangement.value,
                refined=solved.refined,
            ),
            frames=self.frame_records(found),
            seams=self.seam_records(found, seams, grid.pitch_mm),
            gaps=tuple(Gap(a, b) for a, b in gaps),
            inputs=self.inputs(pool),
            calibration=CalibrationUsed(
                identity=self.calibration.identity,
                serial=facts.serial,
                gain_mode=facts.gain_mode,
                valid_from=facts.valid_from,
                valid_until=facts.valid_until,
                bad_pixels=facts.bad_pixels,
            ),
            software=_software(),
        )

    def frame_records(self, found: Registered) -> tuple[FrameRecord, ...]:
        """A record for every row of the frame table, in its order."""
        placed = {int(index): k for k, index in enumerate(found.placement.frames)}
        placement = found.placement
        records = []
        for row in self.scan.rows:
            k = placed.get(row.index)
            solved = (
                (None,) * 4
                if k is None
                else tuple(
                    float(values[k])
                    for values in (
                        placement.position_mm,
                        placement.sigma_mm,
                        placement.axial_mm,
                        placement.level,
                    )
                )
            )
            why = "" if k is not None else self.reasons[row.index]
            records.append(
                FrameRecord(row.file, row.page, k is not None, why, row.position_mm, *solved)
            )
        return tuple(records)

    def seam_records(
        self, found: Registered, seams: Sequence[SeamMeasure], pitch_mm: float
    ) -> tuple[Seam, ...]:
        """The seams with frame numbers as in the frame table."""
        placement = found.placement
        index = placement.frames
        grid_span = 0.0
        low, high = self.distortion.reach_mm(found.adjustment.geometry, found.adjustment.panel)
        grid_span = high - low
        records = []
        for seam in seams:
            step = float(placement.position_mm[seam.right] - placement.position_mm[seam.left])
            step %= found.adjustment.geometry.circumference_mm
            records.append(
                Seam(
                    s_mm=seam.s_mm,
                    left=int(index[seam.left]),
                    right=int(index[seam.right]),
                    level_step=seam.level_step,
                    doubling=seam.doubling,
                    residual_px=None if seam.residual_mm is None else seam.residual_mm / pitch_mm,
                    overlap_mm=max(grid_span - step, 0.0),
                )
            )
        return tuple(records)

    def inputs(self, pool: Executor) -> tuple[InputFile, ...]:
        """Every file read, with its digest; named from the config's folder where it lies there."""
        folder = self.job.calibration.folder
        files = [*self.scan.files, *sorted(p for p in folder.iterdir() if p.is_file())]
        digests = pool.map(sha256_file, files)
        return tuple(
            InputFile(_named_from(path, self.job.base), digest)
            for path, digest in zip(files, digests, strict=True)
        )

    def write(self, folder: Path, log: QualityLog, strip: Strip, pool: Executor) -> None:
        """Everything but report and timing."""
        facts = log.strip
        metadata: dict[str, Any] = {
            name: getattr(facts, name)
            for name in (
                "s_first_mm",
                "z_first_mm",
                "circumference_mm",
                "ring",
                "overrun_mm",
                "direction",
                "scale",
                "offset",
                "sigma_scale",
            )
        }
        metadata |= {"weld": log.weld.id, "calibration": log.calibration.identity}
        overrun = _overrun_columns(self.job, strip)
        values, count, origin, sigma = (
            np.concatenate([image, image[:, :overrun]], axis=1) if overrun else image
            for image in (strip.values, strip.count, strip.origin, strip.sigma)
        )
        writing = [
            pool.submit(
                write_strip,
                folder / "strip.tif",
                values,
                pitch_mm=facts.pitch_mm,
                metadata=metadata,
            ),
            pool.submit(
                write_maps,
                folder / "maps.tif",
                count=count,
                origin=origin,
                sigma=sigma,
                pitch_mm=facts.pitch_mm,
                metadata=metadata,
            ),
        ]
        for done in writing:
            done.result()
        names = PositionRow.__dataclass_fields__
        write_positions(
            folder / "positions.csv",
            [PositionRow(**{n: getattr(frame, n) for n in names}) for frame in log.frames],
        )
        (folder / "quality.json").write_text(log.to_json(), encoding="ascii")
        (folder / "config.toml").write_text(
            self.job.text(stored_in=self.job.output.folder), encoding="utf-8"
        )

    def write_timing(self, folder: Path) -> None:
        """All that differs from run to run."""
        pixels = len(self.scan.rows) * self.scan.shape[0] * self.scan.shape[1]
        record = {
            "seconds": {name: round(value, 4) for name, value in self.seconds.items()},
            "raw_pixels": pixels,
            "peak_bytes": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024,
            "threads": self.threads,
            "host": platform.node(),
            "machine": platform.machine(),
            "system": platform.system(),
            "software": dict(_software()),
        }
        text = json.dumps(record, indent=1, sort_keys=True) + "\n"
        (folder / "timing.json").write_text(text, encoding="utf-8")


def _overrun_columns(job: WeldJob, strip: Strip) -> int:
    """How many columns a ring repeats past the datum; at most once round."""
    if not strip.grid.ring:
        return 0
    return min(round(job.strip.overrun_mm / strip.grid.pitch_mm), strip.grid.columns)


def _named_from(path: Path, base: Path) -> str:
    absolute, root = Path(os.path.abspath(path)), Path(os.path.abspath(base))
    if absolute.is_relative_to(root):
        return absolute.relative_to(root).as_posix()
    return f"{absolute.parent.name}/{absolute.name}"


def _software() -> Mapping[str, str]:
    return {
        "name": "girthstrip",
        "version": pipeline.__version__,
        "python": platform.python_version(),
        "numpy": np.__version__,
        "opencv": cv2.__version__,
        "numba": numba.__version__,
    }
