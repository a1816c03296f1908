"""Whether a peer has a file already: asked by C-FIND where it answers that.

After an unclear ending nobody but the peer knows. Its index may trail what it has just received,
so "not there" counts only some seconds after the ending (``settle_s`` of the peer).
"""

from __future__ import annotations

from typing import Any

from pipeline.outputs.send.connection import offers
from pipeline.outputs.send.entry import Entry

_PENDING = (0xFF00, 0xFF01)


def find_service() -> str:
    """The SOP class for the question."""
    from pynetdicom.sop_class import (  # type: ignore[attr-defined]  # noqa: PLC0415
        StudyRootQueryRetrieveInformationModelFind,
    )

    return str(StudyRootQueryRetrieveInformationModelFind)


def has_it(opened: Any, entry: Entry) -> bool | None:
    """Whether the peer's index holds the instance; None if it can't or won't say."""
    from pydicom.dataset import Dataset  # noqa: PLC0415 - slow

    service = find_service()
    if not (opened.is_established and offers(opened, service)):
        return None
    question = Dataset()
    question.QueryRetrieveLevel = "IMAGE"
    question.StudyInstanceUID = entry.study
    question.SeriesInstanceUID = entry.series
    question.SOPInstanceUID = entry.sop_instance
    found = False
    last = None
    try:
        for status, answer in opened.send_c_find(question, service):
            last = status.get("Status")
            if last in _PENDING and answer is not None:
                found |= str(answer.get("SOPInstanceUID", "")) == entry.sop_instance
    except (RuntimeError, ValueError):
        return None
    return found if last == 0 else None
