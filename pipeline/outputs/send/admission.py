"""What becomes of a file that is to be queued, against what the queue knows of its UID."""

from __future__ import annotations

from enum import StrEnum

from pipeline.errors import SendError
from pipeline.outputs.send.entry import Entry, Instance, State

_REPLACEABLE = (State.WAITING, State.REFUSED, State.HELD, State.DROPPED)


class Admission(StrEnum):
    """What becomes of it."""

    NEW = "new"
    REPLACES = "replaces"  # an entry that never arrived
    KNOWN = "known"
    REPACKED = "repacked"  # the image stands there, its pixels packed otherwise


def admission(known: Entry | None, instance: Instance) -> Admission:
    """What becomes of a file.

    A UID names one instance for all time (PS3.5 clause 9); packed in another transfer syntax it is
    still that instance. So what hasn't arrived may be replaced by it, and what has needs it not.

    Raises:
        SendError: another content under the same UID in the same transfer syntax.
    """
    if known is None:
        return Admission.NEW
    same = known.sha256 == instance.sha256
    if known.state in _REPLACEABLE:
        repacked = known.transfer_syntax != instance.transfer_syntax
        in_place = known.path == instance.path or not known.path.is_file()
        if known.state is State.DROPPED or ((repacked or in_place) and not same):
            return Admission.REPLACES
        if same and in_place and known.path != instance.path:  # it was moved
            return Admission.REPLACES
    if same:
        return Admission.KNOWN
    if known.transfer_syntax != instance.transfer_syntax:
        return Admission.REPACKED
    raise SendError(
        f"has the SOP instance UID {instance.sop_instance} of {known.path}, which is "
        f"{known.state} for {known.peer}, but another content",
        where=str(instance.path),
        expected="a UID of its own for each content",
        remedy="It was changed after it was made: send it as it was written, or give it a UID of "
        "its own",
    )
