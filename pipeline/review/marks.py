"""Indications as reviewers mark them: each change a record of its own, conflicts refused."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from pipeline.io.growing_file import GrowingFile, Record
from pipeline.review.answers import BAD, CONFLICT, NOT_FOUND, RequestError
from pipeline.review.journal import DELETE, MARK
from pipeline.review.mark_rules import sound_mark, text
from pipeline.review.weld import OpenWeld

_MOST_MARKS = 5000


def marks_of(journal: GrowingFile, strip: str | None) -> dict[str, Any]:
    """All marks as they stand now, those taken back included, and the version of that state.

    ``strip`` is the digest of the strip that is looked at.
    """
    records, damaged = journal.read()
    return {**_state(records, strip), "damaged": _damage(journal, damaged)}


def write_mark(
    journal: GrowingFile, told: Mapping[str, Any], weld: OpenWeld, strip: str | None
) -> dict[str, Any]:
    """Write down a new mark, a change of one, or that one is taken back; gives the new state.

    ``told`` has the ``version`` that the page knows, an ``author``, and ``mark`` or ``delete``.

    Raises:
        RequestError: it is at fault, or the mark was changed since that version.
    """
    version, author = told.get("version"), text(told, "author")
    if type(version) is not int or version < 0:
        raise RequestError(BAD, "version is no whole number", expected="the version of GET marks")
    if ("mark" in told) == ("delete" in told):
        raise RequestError(BAD, "what is to be done isn't told", expected="either mark or delete")
    mark = sound_mark(told["mark"], weld) if "mark" in told else None
    asked = told["mark"].get("id") if mark is not None else told["delete"]

    def make(records: Sequence[Record]) -> Record:
        changes = _changes(records)
        known = {str(one["id"]) for one in changes}
        if asked is None:
            if len(known) >= _MOST_MARKS:
                raise RequestError(BAD, f"there are {_MOST_MARKS} marks already")
            mark_id = f"M{len(known) + 1}"
        else:
            mark_id = _known(asked, known)
            _require_unchanged(records, strip, version, mark_id)
        common = {
            "id": mark_id,
            "author": author,
            "time": datetime.now(UTC).isoformat(timespec="milliseconds"),
            "strip": strip,
        }
        return {"record": DELETE if mark is None else MARK, **common, **(mark or {})}

    journal.append(make)
    return marks_of(journal, strip)


def history_of(journal: GrowingFile, mark_id: str) -> dict[str, Any]:
    """All that was ever written down of a mark, oldest first."""
    records, _ = journal.read()
    told = [_plain(one) for one in _changes(records) if one["id"] == mark_id]
    if not told:
        raise RequestError(NOT_FOUND, "there is no such mark", remedy="Load the page anew")
    return {"records": told}


def _changes(records: Sequence[Record]) -> list[Record]:
    """The records about marks that can be understood, in their order."""
    return [one for one in records if one.get("record") in (MARK, DELETE) and _whole(one)]


def _whole(record: Record) -> bool:
    names = ["id", "author", "time"]
    if record["record"] == MARK:
        names += ["kind", "word", "remark"]
        if not all(isinstance(record.get(name), int | float) for name in ("s0", "z0", "s1", "z1")):
            return False
    return all(isinstance(record.get(name), str) for name in names)


def _state(records: Sequence[Record], strip: str | None) -> dict[str, Any]:
    changes = _changes(records)
    marks: dict[str, dict[str, Any]] = {}
    for one in changes:
        before = marks.get(one["id"], {})
        known = {**before, **_plain(one)}
        known["deleted"] = one["record"] == DELETE
        known["history"] = before.get("history", 0) + 1
        if one["record"] == MARK:
            known["on_this_strip"] = one.get("strip") == strip
        if "kind" in known:
            marks[one["id"]] = known
    return {"version": len(changes), "marks": list(marks.values())}


_INNER = ("schema", "previous", "record", "strip")


def _plain(record: Record) -> dict[str, Any]:
    return {name: value for name, value in record.items() if name not in _INNER}


def _known(asked: Any, known: set[str]) -> str:
    if not isinstance(asked, str) or asked not in known:
        raise RequestError(BAD, "there is no mark of that id", remedy="Load the page anew")
    return asked


def _require_unchanged(
    records: Sequence[Record], strip: str | None, version: int, mark_id: str
) -> None:
    later = [one for one in _changes(records)[version:] if one["id"] == mark_id]
    if later:
        raise RequestError(
            CONFLICT,
            f"mark {mark_id} was changed meanwhile by {later[-1]['author']}",
            expected="a change of the mark as it stands now",
            remedy="Look at it as it stands now, and change it again if that is still wanted",
            more=_state(records, strip),
        )


def _damage(journal: GrowingFile, lines: Sequence[int]) -> str | None:
    if not lines:
        return None
    shown = ", ".join(map(str, lines[:5])) + (" and more" if len(lines) > 5 else "")
    return (
        f"{journal.path.name}: line {shown} can't be read, or doesn't follow from the one before: "
        "cut short by a crash, or changed by hand"
    )
