"""One weld end to end: read, correct, place, compose, record. The only loop over frames."""

from __future__ import annotations

import math
import os
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from threadpoolctl import threadpool_limits

from pipeline.asked import profile_of
from pipeline.choose import calibration_for
from pipeline.config.weld import WeldJob
from pipeline.errors import FrameError
from pipeline.geometry import Panel, ScanGeometry
from pipeline.io.fault_list import fault_list
from pipeline.io.folders import new_folder
from pipeline.io.frames import Scan, open_scan
from pipeline.io.results import RESULT_FILES, require_same_weld, submit_images, write_tables
from pipeline.kernels.repair import flag_saturated
from pipeline.measure import measure_weld
from pipeline.model import FlagImage, Frame, FrameFlag, FrameRow, RawImage, Strip, Verdict
from pipeline.noted import list_indications, marks_of
from pipeline.plan import (
    from_datum_mm,
    ring_pitch_mm,
    scan_geometry,
    scan_order,
    shooting_order,
    strip_grid,
)
from pipeline.prefetch import prefetch
from pipeline.provenance import inputs_of, timing_record
from pipeline.quality.log import QualityLog, StripFacts
from pipeline.quality.pixel_digest import pixels_sha256
from pipeline.record import quality_log, strip_facts
from pipeline.stages import stage_of
from pipeline.stages.adjustment import Priors
from pipeline.stages.bad_pixels import BadPixels
from pipeline.stages.blending import Blending
from pipeline.stages.chain import CorrectionChain
from pipeline.stages.distortion import Distortion
from pipeline.stages.flat_field import FlatField
from pipeline.stages.frame_part import Composition
from pipeline.stages.lag import Lag
from pipeline.stages.registration import Registered, Registration, ScanSetup
from pipeline.stages.selection import FrameSurvey, left_out, survey
from pipeline.stages.views import view_grid

Report = Callable[[StripFacts, RawImage, FlagImage, FlagImage], Callable[[QualityLog], str]]
"""Begins ``quality.html`` from the strip, its count and its origin map; what it returns makes the
page's text of the log."""

Progress = Callable[[str, int, int], None]
"""Called with what is being done, how much of it is done, and how much there is."""


@dataclass(frozen=True, slots=True)
class RunResult:
    """Where the results lie, the quality log, how long each pass took (seconds), and why it was
    this calibration (not in the log: a library grows, the log must come out the same again)."""

    folder: Path
    log: QualityLog
    seconds: Mapping[str, float]
    why_calibration: str

    @property
    def verdict(self) -> Verdict:
        """The quality log's verdict."""
        return self.log.verdict


def run_weld(
    job: WeldJob,
    *,
    report: Report | None = None,
    progress: Progress | None = None,
    threads: int | None = None,
    replace_folder: bool = False,
) -> RunResult:
    """Make the weld's strip, its maps and its quality log, as a folder that appears whole or not.

    ``report`` makes the text of ``quality.html``. ``threads`` (default: all processors) never
    changes the result.

    Raises:
        InputError: config, frames, calibration or output folder are at fault.
    """
    final = job.output.folder
    require_same_weld(final, job.weld)
    run = _Run(job, progress or (lambda *_: None), threads or os.cpu_count() or 1)
    # The systems solved here are small: several BLAS threads take longer than one.
    with (
        threadpool_limits(limits=1, user_api="blas"),
        new_folder(final, replace=replace_folder, own_files=RESULT_FILES) as folder,
    ):
        log = run.make(folder, report)
        timing = timing_record(run.seconds, run.scan, run.threads)
        (folder / "timing.json").write_text(timing, encoding="utf-8")
    return RunResult(final, log, dict(run.seconds), run.chosen.choice.reason)


class _Run:
    """What a run carries from pass to pass."""

    def __init__(self, job: WeldJob, progress: Progress, threads: int) -> None:
        self.progress, self.threads = progress, threads
        self.seconds: dict[str, float] = {}
        with self.timed("headers"):
            self.scan: Scan = open_scan(job)
            self.marks = marks_of(job)
            self.profile = profile_of(job.quality)
            self.chosen, self.calibration = calibration_for(job, self.scan.rows)
        # The resolved config names it, whatever comes into the library later.
        named = job.calibration.model_copy(update={"folder": self.chosen.folder})
        self.job = job.model_copy(update={"calibration": named})
        self.reasons: dict[int, str] = {}
        self.without_history: tuple[int, ...] = ()
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
        """The corrected frames; every frame given must be readable."""
        chain = CorrectionChain(
            self.corrections, self.calibration, self.read, shooting_order(self.scan.rows)
        )
        for k, frame in enumerate(chain.frame(index) for index in indices):
            if frame is None:
                raise FrameError(
                    "could be read at first, but not any more",
                    where=self.scan.rows[indices[k]].file,
                    remedy="Check the drive that holds the frames",
                )
            yield frame
            self.progress(what, k + 1, len(indices))
        self.without_history = chain.without_history

    def make(self, folder: Path, report: Report | None) -> QualityLog:
        """All passes; writes everything but the timing into ``folder``."""
        with ThreadPoolExecutor(self.threads) as pool, ThreadPoolExecutor(1) as aside:
            digests = aside.submit(inputs_of, self.scan, self.chosen.folder, self.job)
            with self.timed("survey"):
                rows, level_gv = self.choose_frames()
            with self.timed("registration"):
                nominal, panel = scan_geometry(self.job)
                found = self.place(rows, nominal, panel, level_gv, pool)
            with self.timed("blending"):
                strip, clipped = self.compose(found, nominal, level_gv, pool)
            # What needs nothing of the log is made while the log is.
            facts = strip_facts(self.job, strip, found.adjustment.geometry.circumference_mm)
            begun = report and pool.submit(report, facts, strip.values, strip.count, strip.origin)
            images = submit_images(
                folder,
                strip,
                facts,
                pool,
                weld=self.job.weld,
                calibration=self.calibration.identity,
            )
            pixels = aside.submit(pixels_sha256, strip.values)
            with self.timed("measures"):
                lacking = self.without_history  # of the strip's frames, whatever these few lack
                image = measure_weld(
                    self.job,
                    self.profile,
                    found,
                    strip,
                    [row for row in self.scan.rows if row.index not in self.reasons],
                    self.calibration.facts,
                    self.distortion,
                    lambda indices: self.corrected(indices, "measures"),
                )
                self.without_history = lacking
            with self.timed("log"):
                log = quality_log(
                    self.job,
                    self.scan.rows,
                    self.reasons,
                    self.calibration,
                    self.distortion,
                    found,
                    strip,
                    clipped,
                    digests.result(),
                    self.without_history,
                    remarks=self.scan.remarks,
                    choice=self.chosen.choice,
                    image=image,
                    pixels_sha256=pixels.result(),
                )
                noted = list_indications(self.job, self.marks, strip, log, image)
                log = replace(log, indications=noted)
            with self.timed("writing"):
                write_tables(folder, log, self.job.text(stored_in=self.job.output.folder))
                # Before the page: drawing its plots holds the interpreter, for which the threads
                # that write would wait more than they work.
                for written in images:
                    written.result()
                if begun is not None:
                    page = begun.result()(log)
                    (folder / "quality.html").write_text(page, encoding="utf-8")
        return log

    def choose_frames(self) -> tuple[list[FrameRow], float]:
        """The frames that belong to the scan, in scan order, and their usual gray value."""
        registration = self.registration
        surveys: dict[int, FrameSurvey] = {}
        for k, row in enumerate(self.scan.rows):
            frame = self.read(row.index)
            if frame is not None:
                surveys[row.index] = survey(frame, self.calibration)
            self.progress("survey", k + 1, len(self.scan.rows))
        self.reasons = left_out(
            self.scan.rows,
            surveys,
            self.unreadable,
            shot=shooting_order(self.scan.rows),
            min_level=registration.min_level,
            max_saturated=registration.max_saturated,
            min_signal_gv=math.sqrt(max(self.calibration.facts.noise.offset, 0.0)),
        )
        rows = [row for row in scan_order(self.scan.rows) if row.index not in self.reasons]
        if len(rows) < 2:
            told = [f"{self.scan.rows[k].file}: {why}" for k, why in self.reasons.items()]
            raise FrameError(
                f"only {len(rows)} of {len(self.scan.rows)} frames can be used"
                + (f": {fault_list(told)}" if told else ""),
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
                standoff_sigma_mm=told.standoff_sigma_mm,
                lift_sigma_mm=told.lift_off_sigma_mm,
                yaw_sigma_rad=math.radians(told.yaw_sigma_deg),
                pitch_sigma_rad=math.radians(told.pitch_sigma_deg),
            ),
            ring=scan.ring,
            usual_level_gv=level_gv,
        )
        frames = self.corrected([row.index for row in rows], "registration")
        views = prefetch(self.registration.view(frame, setup) for frame in frames)
        found = self.registration.place(views, from_datum_mm(self.job, rows), setup, pool)
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
