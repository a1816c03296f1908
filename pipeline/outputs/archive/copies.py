"""A copy in its place: read in full, under the name that its content has; and how copies differ."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from pipeline.errors import InputError
from pipeline.outputs.archive.bag_config import RESULT
from pipeline.outputs.archive.bag_text import (
    INFO_FILE,
    MANIFEST_FILE,
    PAYLOAD,
    TAG_MANIFEST_FILE,
    read_info,
    read_manifest,
    shortened,
)
from pipeline.outputs.archive.check import Checked, Fault, FaultKind, check_bag
from pipeline.outputs.archive.fixity import written_identity
from pipeline.outputs.archive.read_back import Count
from pipeline.outputs.archive.weld_source import LOG, NAME_DIGITS

_LOG = f"{PAYLOAD}/{RESULT}/{LOG}"
_WHOLE_NAME = 50


def check_copy(bag: Path, count: Count | None = None) -> Checked:
    """``check_bag`` with what its records vouch for, and whether its name is its content's."""
    if not os.path.lexists(bag):  # nor is there a right that could be lacking: its record is there
        gone = "is gone; if it was renamed or moved, give it its name again, or move its record too"
        return Checked(bag, "sha256", "", {}, {}, (Fault(FaultKind.MISSING, ".", gone),), False)
    checked = check_bag(bag, identity=written_identity(bag), count=count)
    fault = name_fault(checked)
    if not fault:
        return checked
    return replace(checked, faults=(Fault(FaultKind.NAME, ".", fault), *checked.faults))


def name_fault(checked: Checked) -> str:
    """Why a copy's name isn't that of the weld in it; "" if it is, or its lists can't tell."""
    return _name_fault(checked.bag, checked.expected) if checked.lists_sound else ""


def wrong_name(bag: Path) -> str:
    """Why a bag's name isn't that of the weld in it, told by its manifest alone; "" if it is."""
    return _name_fault(bag, _listed(bag))


def differences(bags: Sequence[tuple[Path, str]]) -> tuple[str, ...]:
    """In which files copies (folder, identity) of one name differ from the first: sentences."""
    if len({identity for _, identity in bags}) < 2:
        return ()
    (first, own), *others = bags
    listed = _listed(first)
    told = []
    for other, identity in others:
        if identity == own:
            continue
        theirs = _listed(other)
        names = sorted(
            name for name in listed.keys() | theirs.keys() if listed.get(name) != theirs.get(name)
        )
        names = [name for name in names if name != MANIFEST_FILE] or names
        told.append(f"{first} and {other} differ in {shortened(names) or 'lists'}")
    return tuple(told)


def require_sound(checked: Checked) -> None:
    """Raise InputError unless a copy is as it was written."""
    if checked.sound:
        return
    first = checked.faults[0]
    if checked.unread:
        raise InputError(
            f"can't be read: {next(one for one in checked.faults if one.kind is FaultKind.DENIED)}",
            where=str(checked.bag),
            remedy="Ask whoever keeps the drive for the right to read it",
        )
    if first.kind is FaultKind.NAME:
        raise InputError(first.text, where=str(checked.bag), remedy="Give it its own name again")
    raise InputError(
        f"is damaged: {first}",
        where=str(checked.bag),
        remedy="girthstrip archive repair mends it from a good copy",
    )


def _name_fault(bag: Path, digests: Mapping[str, str]) -> str:
    ending = digests.get(_LOG, "")[:NAME_DIGITS]
    name = bag.resolve().name
    if not ending:
        return ""
    if not name.endswith(f"_{ending}"):
        return (
            f"is called {name}, but the weld in it has a name that ends with {ending}: "
            "it was renamed"
        )
    number = _number_in(bag)
    wanted = _bare(number + ending)
    if not number or _bare(name) == wanted or len(wanted) > _WHOLE_NAME:
        return ""
    return f"is called {name}, but in it is weld {number}: it was renamed"


def _bare(name: str) -> str:
    """Letters and digits alone: what other signs became in a bag's name doesn't count."""
    return re.sub(r"[\W_]+", "", name, flags=re.ASCII)


def _number_in(bag: Path) -> str:
    """Weld and shot, as the bag itself tells; "" where it doesn't."""
    try:
        text = (bag / INFO_FILE).read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""
    return read_info(text).get("External-Identifier", "")


def _listed(bag: Path) -> dict[str, str]:
    """What a bag's SHA-256 lists say of its files; nothing of those that can't be read."""
    found: dict[str, str] = {}
    for name in (TAG_MANIFEST_FILE, MANIFEST_FILE):
        try:
            text = (bag / name).read_text(encoding="utf-8", errors="replace")
        except OSError:
            continue
        found |= read_manifest(text, "sha256").digests
    return found
