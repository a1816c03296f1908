"""Why a queued file can't go to its peer as it is, in words for people."""

from __future__ import annotations

from pipeline.errors import InputError
from pipeline.io.digest import sha256_file
from pipeline.outputs.send.entry import Entry


def not_taken(entry: Entry, taken: set[tuple[str, str]]) -> str:
    """Why a peer that doesn't take a file's kind refuses it."""
    from pydicom.uid import UID  # noqa: PLC0415 - slow

    others = sorted(UID(syntax).name for one, syntax in taken if one == entry.sop_class)
    kind, syntax = UID(entry.sop_class).name, UID(entry.transfer_syntax).name
    hint = ""
    if UID(entry.transfer_syntax).is_compressed:
        hint = "; write it anew with girthstrip export --compress none, and add that"
    if others:
        return f"it takes {kind} only as {', '.join(others)}, not as {syntax}{hint}"
    return f"it doesn't take {kind} as {syntax}{hint}"


def changed(entry: Entry) -> str:
    """What is wrong with the entry's file since it was queued; empty if nothing is."""
    if not entry.path.is_file():
        return "the file is gone"
    try:
        same = sha256_file(entry.path) == entry.sha256
    except InputError as error:
        return str(error)
    return "" if same else "the file has changed since it was queued"
