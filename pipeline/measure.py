"""A strip's image quality, measured and held against what is asked, in a run or afterwards."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from math import radians
from pathlib import Path
from typing import Any

from pipeline.asked import asked_by, facts_of, known_of, profile_of
from pipeline.calibration.product import CalibrationFacts
from pipeline.config.weld import WeldJob, load_weld_config
from pipeline.geometry import Panel, ScanGeometry
from pipeline.io.pictures import open_picture
from pipeline.model import Frame, FrameRow, Strip, StripGrid, Verdict
from pipeline.plan import scan_geometry
from pipeline.quality.asked.known import Known, StripPicture
from pipeline.quality.asked.profile import Profile
from pipeline.quality.asked.requirement import SR_B, UNSHARPNESS
from pipeline.quality.check import Check, worst
from pipeline.quality.exposure import exposure_facts
from pipeline.quality.image.frame_figures import FrameAt, with_frames
from pipeline.quality.image.gauge_figures import IMAGE_SR_B, IMAGE_UNSHARPNESS, ONLY_JUST
from pipeline.quality.image.image_quality import ImageQuality, measure_image
from pipeline.quality.image.measure_records import QualityMeasure
from pipeline.quality.log import QualityLog
from pipeline.quality.noise.frame_noise import measure_frame_noise
from pipeline.quality.outcome_words import ABOUT, OUTCOMES
from pipeline.stages.distortion import Distortion
from pipeline.stages.registration import Registered

NOTHING_ASKED = "nothing asked"
"""The verdict where nothing is asked."""
SCHEMA = "girthstrip.measure/2"
_FRAMES = 8  # so many source frames are measured: enough for a trend round the pipe
_NO_CONFIG = "nothing: no config is known; name one with --config"


@dataclass(frozen=True, slots=True)
class Measured:
    """One strip's image quality: its name, who asks what, and what was found."""

    name: str
    asked_by: str
    quality: ImageQuality

    @property
    def asked(self) -> tuple[Check, ...]:
        """The checks of what is asked."""
        return tuple(check for check in self.quality.checks if check.limit is not None)

    @property
    def not_met(self) -> tuple[str, ...]:
        """Ids of what is asked and not met, beyond its uncertainty."""
        return tuple(check.id for check in self.asked if check.verdict is Verdict.FAIL)

    @property
    def not_shown(self) -> tuple[str, ...]:
        """Ids of what is asked but wasn't measured, or of which it can't be told what is asked."""
        unmeasured = [
            one.id
            for one in self.quality.measures
            if one.required is not None and one.value is None
        ]
        return tuple(dict.fromkeys([*unmeasured, *self.quality.untold]))

    @property
    def verdict(self) -> str:
        """The worst of the checks of what is asked; ``NOTHING_ASKED`` where nothing is."""
        if not self.asked and not self.quality.untold:
            return NOTHING_ASKED
        verdicts = [check.verdict for check in self.asked]
        return str(worst([*verdicts, Verdict.ATTENTION] if self.not_shown else verdicts))

    @property
    def met(self) -> bool:
        """Whether nothing that is asked is not met, or wasn't shown; also where it is in doubt."""
        return not self.not_met and not self.not_shown

    def as_dict(self) -> dict[str, Any]:
        """All of it as plain values."""
        return {
            "strip": self.name,
            "asked_by": self.asked_by,
            "profile": self.quality.profile,
            "verdict": self.verdict,
            "not_met": list(self.not_met),
            "not_shown": list(self.not_shown),
            "measures": [asdict(one) for one in self.quality.measures],
            "series": [asdict(one) for one in self.quality.series],
            "checks": [asdict(one) for one in self.quality.checks],
            "remarks": list(self.quality.remarks),
        }

    def text(self) -> str:
        """The measures as a table for people, what would mend those that aren't met, remarks."""
        measures = self.quality.measures
        nothing = self.verdict == NOTHING_ASKED
        judged = [check for check in self.quality.checks if check.verdict is not Verdict.PASS]
        bases = dict.fromkeys(one.basis for one in measures if one.basis != "none")
        lines = [
            f"strip      {self.name}",
            f"asked by   {self.asked_by}",
            *([] if nothing else [f"profile    {self.quality.profile}"]),
            *_table(measures),
            *(f"{OUTCOMES[check.verdict]:10} {check.id}: {check.note}" for check in judged),
            *(f"basis      {basis}" for basis in bases),
            *(f"note       {remark}" for remark in self.quality.remarks),
            *([f"not met    {', '.join(self.not_met)}"] if self.not_met else []),
            *([f"not shown  {', '.join(self.not_shown)}"] if self.not_shown else []),
            "verdict    "
            + (NOTHING_ASKED if nothing else f"{OUTCOMES[Verdict(self.verdict)]}: {ABOUT}"),
        ]
        return "\n".join(lines)


def measure_weld(
    job: WeldJob,
    profile: Profile,
    found: Registered,
    strip: Strip,
    rows: Sequence[FrameRow],
    facts: CalibrationFacts,
    distortion: Distortion,
    corrected: Callable[[Sequence[int]], Iterable[Frame]],
) -> ImageQuality | None:
    """The image quality of a strip just made, and of a few of its frames, held against what its job
    asks; None where nothing is asked and no gauge declared: ``measure_strip`` tells it afterwards.

    ``found`` is where its frames were taken, ``rows`` the frames that are in it, ``facts`` the
    calibration's that ``corrected`` gives frames with, by their indices in the scan.
    """
    if job.quality is None and not job.iqi:
        return None
    solved = found.adjustment
    picture = StripPicture(
        strip.values, strip.grid, strip.sigma, strip.count, strip.origin, strip.sigma_scale
    )
    kv = exposure_facts(rows).kv_max
    known = known_of(job, profile, solved.geometry, solved.panel, kv=kv, facts=facts)
    image = measure_image(picture, known)
    frames = corrected([int(found.placement.frames[k]) for k in _frames_to_measure(found)])
    return _with_frames(image, profile, found, distortion, strip.grid, frames)


def _frames_to_measure(found: Registered) -> list[int]:
    """Places in ``found.placement`` of the few frames whose own noise is measured, evenly apart."""
    count = len(found.placement.frames)
    return sorted({round(k * (count - 1) / (_FRAMES - 1)) for k in range(_FRAMES)})


def _with_frames(
    image: ImageQuality,
    profile: Profile,
    found: Registered,
    distortion: Distortion,
    grid: StripGrid,
    frames: Iterable[Frame],
) -> ImageQuality:
    """The image quality with the noise of source frames, measured in the strip's own windows.

    ``frames`` are the corrected ones of ``_frames_to_measure``, in that order.
    """
    if image.noise is None or profile.snr_window is None:
        return image
    windows = tuple(place.window for place in image.noise.places)
    solved, placement = found.adjustment, found.placement
    told = []
    for at, frame in zip(_frames_to_measure(found), frames, strict=True):
        position_mm = float(placement.position_mm[at])
        frame_map = distortion.map_frame(
            solved.geometry, solved.panel, grid, position_mm, float(placement.axial_mm[at])
        )
        noise = measure_frame_noise(
            frame,
            frame_map,
            windows,
            grid,
            sr_b_mm=image.noise.sr_b_mm,
            group=profile.snr_window.group,
            aperture_mm=profile.snr_window.aperture_mm,
        )
        told.append(FrameAt(position_mm, noise))
    return with_frames(image, told)


def measure_strip(
    path: Path, *, config: Path | None = None, pitch_mm: float | None = None
) -> Measured:
    """Measure the strip of a result folder, or any linear 16-bit picture; see ``open_picture``.

    What is asked stands in ``config``; without it a result folder's own config counts, and a
    picture alone is measured without asking anything of it.

    Raises:
        InputError: picture, config or profile are at fault.
    """
    opened = open_picture(path, pitch_mm)
    used = config or opened.config
    if used is None:
        profile = profile_of(None)
        return Measured(opened.name, _NO_CONFIG, measure_image(opened.picture, Known(profile)))
    job = load_weld_config(used)
    profile = profile_of(job.quality, used)
    geometry, panel = scan_geometry(job)
    if opened.log is not None:
        geometry, panel = solved_geometry(opened.log, geometry, panel)
    kv = None if opened.log is None else opened.log.exposure.kv_max
    known = known_of(job, profile, geometry, panel, kv=kv, facts=facts_of(job)[0])
    found = measure_image(opened.picture, known)
    return Measured(opened.name, asked_by(job, profile), found)


def solved_geometry(
    log: QualityLog, geometry: ScanGeometry, panel: Panel
) -> tuple[ScanGeometry, Panel]:
    """The geometry that the frames told, out of the log."""
    told = log.geometry
    return (
        replace(
            geometry,
            standoff_mm=told.standoff_mm,
            source_x_mm=told.source_x_mm,
            source_y_mm=told.source_y_mm,
            lift_off_mm=told.lift_off_mm,
        ),
        replace(
            panel,
            roll_rad=radians(told.roll_deg),
            yaw_rad=radians(told.yaw_deg),
            pitch_rad=radians(told.pitch_deg),
        ),
    )


_PAIR_IDS = (SR_B, UNSHARPNESS, IMAGE_SR_B, IMAGE_UNSHARPNESS)
_HEAD = ("measure", "asked", "value", "margin", "where")


def _table(measures: Sequence[QualityMeasure]) -> list[str]:
    rows = [_HEAD, *(_row(one) for one in measures)]
    wide = [max(len(row[k]) for row in rows) for k in range(len(_HEAD))]
    return [
        "  ".join(cell.ljust(size) for cell, size in zip(row, wide, strict=True)).rstrip()
        for row in rows
    ]


_SIGNS: Mapping[str | None, str] = {"least": "≥ ", "most": "≤ ", None: ""}


def _row(one: QualityMeasure) -> tuple[str, ...]:
    unit = f" {one.unit}" if one.unit else ""
    value = "not measured" if one.value is None else f"{one.value:.4g}"
    if one.value is not None and one.sigma:
        value += f" ± {one.sigma:.2g}"
    value += unit if one.value is not None else ""
    if one.name:
        first = "first unresolved " if one.id in _PAIR_IDS else ""
        just = f", {ONLY_JUST} seen" if ONLY_JUST in one.note else ""
        value += f" ({first}{one.name}{just})"
    asked = "–" if one.required is None else f"{_SIGNS[one.bound]}{one.required:.4g}{unit}"
    margin = "" if one.margin is None else f"{one.margin:+.3g}{unit}"
    where = "" if one.s_mm is None else f"{one.s_mm:.0f} mm"
    return one.id, asked, value, margin, where
