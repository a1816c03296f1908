"""The weld as DICONDE's component, in the place of DICOM's patient, and its study.

Which of DICOM's attributes stand for the component's (name, identification, owner) is from memory
of ASTM E2339. Group 0014 is used by the names of PS3.6; what is written of it is held against
pydicom's dictionary and dcmtk's (``tests/external/test_dicom_dictionary.py``).
"""

from __future__ import annotations

import re

from pydicom.dataset import Dataset

from pipeline.errors import InputError
from pipeline.outputs.dicom.finished import Finished
from pipeline.outputs.dicom.uids import scan_uid
from pipeline.outputs.dicom.values import (
    LO,
    LT,
    SH,
    clock,
    date,
    fill,
    line,
    number,
    person,
    prose,
    zone,
)

_REPAIR = re.compile(r"R\d+")  # of a shot's number: R1RS2 is the second shot after a first repair
_CYLINDER = "A girth weld of a pipe; it is seen on the pipe's outer surface, unrolled."


def add_component_and_study(dataset: Dataset, finished: Finished) -> None:
    """Whose picture it is and of which examination: all that is equal in all files of a weld.

    Raises:
        InputError: the weld's number is too long to identify it in DICOM.
    """
    weld = finished.log.weld
    if len(weld.id) > LO or line(weld.id) != weld.id:
        raise InputError(
            f"the weld's number {weld.id!r} can't stand in a DICOM file",
            where="weld.id",
            expected=f"at most {LO} characters, no backslash, no line break, no blank at an end",
            remedy="Give the weld a shorter number in job sheet or config and stitch it anew; cut "
            "off it might be taken for another weld's",
        )
    first = finished.first_moment
    fill(
        dataset,
        SpecificCharacterSet="ISO_IR 192",
        PatientName=person(weld.line),
        PatientID=weld.id,
        PatientBirthDate="",
        PatientSex="",
        PatientComments=prose(_told(finished), LT),
        StudyInstanceUID=scan_uid(finished.log, "study"),
        StudyDate="" if first is None else date(first),
        StudyTime="" if first is None else clock(first),
        TimezoneOffsetFromUTC=None if first is None else zone(first),
        ReferringPhysicianName="",
        StudyID=weld.id if len(weld.id) <= SH else "",
        AccessionNumber="",
        StudyDescription=line(f"Girth weld {weld.id} {weld.shot}"),
    )


def add_material(dataset: Dataset, finished: Finished) -> None:
    """The pipe and its wall in group 0014, in millimetres, and the gauges that lie on it."""
    weld, gauges = finished.log.weld, finished.job.iqi
    fill(
        dataset,
        MaterialThickness=number(weld.wall_mm),
        MaterialPipeDiameter=number(weld.diameter_mm),
        MaterialPropertiesDescription=prose(weld.material) or None,
        MaterialNotes=_CYLINDER,
        OuterDiameter=number(weld.diameter_mm),
        InnerDiameter=number(weld.diameter_mm - 2 * weld.wall_mm),
        RepairID=repair[0] if (repair := _REPAIR.match(weld.shot)) else None,
    )
    if gauges:
        fill(
            dataset,
            ImageQualityIndicatorType=[
                "duplex wire" if gauge.kind == "duplex" else "single wire" for gauge in gauges
            ],
            ImageQualityIndicatorMaterial=[line(gauge.material) for gauge in gauges],
            ImageQualityIndicatorSize=[
                ""
                if gauge.kind == "duplex"
                else f"W{gauge.numbers.start}-W{gauge.numbers.stop - 1}"
                for gauge in gauges
            ],
        )


def _told(finished: Finished) -> str:
    """What the job told of the weld, whole, however little of it fits elsewhere."""
    weld = finished.log.weld
    told = {
        "weld": weld.id,
        "shot": weld.shot,
        "line": weld.line,
        "station": weld.station,
        "procedure": weld.procedure,
        "material": weld.material,
        "operator": weld.operator,
        "evaluator": weld.evaluator,
    }
    return "\n".join(f"{name}: {text}" for name, text in told.items() if text)
