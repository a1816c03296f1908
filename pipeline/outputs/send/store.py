"""One file sent by C-STORE, and how that ended."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from pipeline.outputs.send.entry import Entry

_REASONS = {
    0x0117: "invalid SOP instance",
    0x0122: "SOP class not supported",
    0x0124: "not authorised",
    0xA700: "out of resources, such as disk space",
    0xA900: "the content doesn't match its SOP class",
    0xC000: "it can't understand the content",
}
_DUPLICATE = 0x0111
_WARNINGS = {
    0xB000: "it changed some of the attributes",
    0xB006: "it left some attributes out",
    0xB007: "it finds that the content doesn't match its SOP class",
}


class Ending(StrEnum):
    """How sending one file ended."""

    STORED = "stored"
    REFUSED = "refused"  # the peer said no, and will again
    LATER = "later"  # the peer said: not now
    UNCLEAR = "unclear"  # no answer: it may have arrived
    NOT_SENT = "not sent"  # nothing went out


@dataclass(frozen=True, slots=True)
class Sent:
    """How it ended, and what to tell of it."""

    ending: Ending
    told: str = ""


def send_file(opened: Any, entry: Entry) -> Sent:
    """Send the entry's file as it is, and wait for the answer (PS3.4 annex B, PS3.7 9.1.1)."""
    if not opened.is_established:
        return Sent(Ending.NOT_SENT, "the connection was gone before")
    try:
        answer = opened.send_c_store(entry.path)
    except (RuntimeError, ValueError, AttributeError, OSError) as error:
        # After the first byte a fault on the way can only come as a missing answer; these come
        # before. Where that can't be told, doubt is the safe side.
        begun = opened.is_established or isinstance(error, OSError)
        return Sent(Ending.UNCLEAR if begun else Ending.NOT_SENT, f"sending broke off: {error}")
    if "Status" not in answer:
        return Sent(Ending.UNCLEAR, "the connection broke before the answer came")
    return judge(int(answer.Status), str(answer.get("ErrorComment", "")).strip())


def judge(status: int, comment: str = "") -> Sent:
    """What a C-STORE status means for the file."""
    words = f" ({comment})" if comment else ""
    if status == 0:
        return Sent(Ending.STORED)
    if status == _DUPLICATE:
        return Sent(Ending.STORED, f"the peer had it already{words}")
    if status in _WARNINGS or status & 0xF000 == 0xB000 or status in (0x0001, 0x0107, 0x0116):
        told = _WARNINGS.get(status, "it warns")
        return Sent(Ending.STORED, f"stored, but {told}{words}, status {status:#06x}")
    group = status if status in _REASONS else status & 0xFF00
    group = 0xC000 if status & 0xF000 == 0xC000 else group
    told = f"{_REASONS.get(group, 'refused without a known reason')}{words}, status {status:#06x}"
    return Sent(Ending.LATER if group == 0xA700 else Ending.REFUSED, told)
