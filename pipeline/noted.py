"""What a reviewer noted of a weld, measured in its strip, in a run or afterwards."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

from pipeline.config.indications_wanted import Indications
from pipeline.config.weld import WeldJob, load_weld_config
from pipeline.errors import InputError
from pipeline.io.indications import read_indications
from pipeline.io.pictures import open_picture
from pipeline.model import Strip
from pipeline.quality.asked.known import StripPicture
from pipeline.quality.asked.requirement import UNSHARPNESS
from pipeline.quality.image.gauge_figures import IMAGE_UNSHARPNESS
from pipeline.quality.image.image_quality import ImageQuality
from pipeline.quality.log import QualityLog
from pipeline.quality.noise.weld_line import WeldLine, find_weld_line
from pipeline.quality.noted.indication import Indication, IndicationList
from pipeline.quality.noted.indications import measure_indications
from pipeline.quality.noted.strip_places import StripPlaces
from pipeline.quality.noted.suggestions import SuggestionPlan


def marks_of(job: WeldJob) -> tuple[Indication, ...]:
    """What the reviewer noted, if the config names a table.

    Raises:
        TableError: the table is at fault.
    """
    wanted = job.indications
    if wanted is None or wanted.file is None:
        return ()
    return read_indications(wanted.file, math.pi * job.weld.diameter_mm if job.scan.ring else None)


def list_indications(
    job: WeldJob,
    marks: Sequence[Indication],
    strip: Strip,
    log: QualityLog,
    image: ImageQuality | None,
) -> IndicationList | None:
    """The reviewer's ``marks``, measured in a strip just made; None where the config has no table
    ``indications``.

    ``log`` is the strip's; ``image`` may know the weld's line already.
    """
    if job.indications is None:
        return None
    picture = StripPicture(
        strip.values, strip.grid, strip.sigma, strip.count, strip.origin, strip.sigma_scale
    )
    noise = None if image is None else image.noise
    weld = None if noise is None else noise.weld
    return _measured(picture, log, job.indications, marks, weld)


def measure_noted(folder: Path, table: Path | None, *, suggest: bool) -> IndicationList:
    """The indications of a reviewer's table, measured in the strip of a result folder.

    Lengths are taken together over what the folder's own config says.

    Raises:
        InputError: folder or table are at fault.
    """
    opened = open_picture(folder)
    if opened.log is None:
        raise InputError(
            "is no result folder",
            where=str(folder),
            expected="a folder that girthstrip stitch wrote: it knows the pipe and the datum",
        )
    turn_mm = opened.log.strip.circumference_mm if opened.log.strip.ring else None
    marks = () if table is None else read_indications(table, turn_mm)
    told = load_weld_config(opened.config).indications if opened.config else None
    wanted = (told or Indications()).model_copy(update={"suggest": suggest})
    return _measured(opened.picture, opened.log, wanted, marks, None)


def _measured(
    picture: StripPicture,
    log: QualityLog,
    wanted: Indications,
    marks: Sequence[Indication],
    weld: WeldLine | None,
) -> IndicationList:
    return measure_indications(
        picture,
        marks,
        StripPlaces.of(log),
        window_mm=wanted.window_mm,
        weld=weld or find_weld_line(picture.values, picture.origin, picture.grid),
        suggest=SuggestionPlan() if wanted.suggest else None,
        unsharpness_mm=_unsharpness_mm(log),
    )


def _unsharpness_mm(log: QualityLog) -> float | None:
    """The picture's, by its worst duplex gauge or, without one, the panel's; None: not measured."""
    for measure_id in (IMAGE_UNSHARPNESS, UNSHARPNESS):
        told = [one.value for one in log.measures if one.id == measure_id and one.value]
        if told:
            return max(told)
    return None
