"""Which calibration the frames get: the nearest valid one of a library, and why that one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass

from pipeline.calibration.conditions import (
    STATUS_CONDITIONS,
    Candidate,
    Condition,
    Misfit,
    Range,
    Wanted,
    foreign,
    held_frame_time,
    held_temperature,
    judge,
)
from pipeline.calibration.library import Entry
from pipeline.errors import CalibrationError


@dataclass(frozen=True, slots=True)
class Choice:
    """The calibration to use and why: ``reason`` is a sentence or two for people.

    ``permitted`` are the misfits that only the config's ``allow`` let pass.
    """

    entry: Entry
    permitted: tuple[Misfit, ...]
    unjudged: tuple[str, ...]
    reason: str
    others: tuple[Candidate, ...] = ()


def choose(
    entries: Sequence[Entry], wanted: Wanted, *, allow: AbstractSet[Condition] = frozenset()
) -> Choice:
    """The nearest valid calibration of a library, with the choice explained.

    In this order: nothing against it that ``allow`` would have to let pass, fewest conditions
    left open, nearest in date (without a date the newest), middle of its temperature range
    nearest, then of its kV range, then the frame time.

    Raises:
        CalibrationError: none fits; every one of this panel stands there with what is against it.
    """
    judged = [judge(entry, wanted) for entry in entries if not foreign(entry.facts, wanted)]
    fitting = [one for one in judged if all(misfit.condition in allow for misfit in one.misfits)]
    if not fitting:
        raise _none_fits(entries, judged, wanted)
    newest = max((one.entry.made.timestamp() for one in fitting if one.entry.made), default=0.0)
    ranked = sorted(fitting, key=lambda one: _rank(one, wanted, newest))
    best, *later = ranked
    others = (*later, *(one for one in judged if one not in fitting))
    return Choice(
        best.entry, best.misfits, best.unjudged, _reason(best, later, judged, wanted), others
    )


def accept_named(
    entry: Entry, wanted: Wanted, *, in_library: bool, allow: AbstractSet[Condition] = frozenset()
) -> Choice:
    """A calibration that somebody named, if it suits the frames.

    Outside a library nobody releases or withdraws, so that isn't asked there. Panel, mode and
    size are left to ``CalibrationSet.require_fit``.

    Raises:
        CalibrationError: something is against it that ``allow`` doesn't let pass.
    """
    found = judge(entry, wanted)
    misfits = tuple(
        one for one in found.misfits if in_library or one.condition not in STATUS_CONDITIONS
    )
    refused = [one for one in misfits if one.condition not in allow]
    if refused:
        raise CalibrationError(
            "this calibration isn't meant for these frames: "
            + "; ".join(misfit.text for misfit in refused),
            where=entry.name,
            remedy="Name one that is, or permit it in the config: [calibration] allow = "
            + str([str(one.condition) for one in refused]).replace("'", '"'),
        )
    return Choice(entry, misfits, found.unjudged, "Named by the user." + _open(found.unjudged))


def _rank(one: Candidate, wanted: Wanted, newest: float) -> tuple[object, ...]:
    facts, made = one.entry.facts, one.entry.made
    if one.days is not None:
        age = abs(one.days)
    else:
        age = math.inf if made is None else newest - made.timestamp()
    return (
        len(one.misfits),
        len(one.unjudged),
        age,
        _off_middle(wanted.temperature_c, held_temperature(facts)),
        _off_middle(wanted.kv, (facts.kv_min, facts.kv_max)),
        _off_middle(wanted.frame_time_s, held_frame_time(facts)),
        one.entry.identity,
    )


def _off_middle(asked: Range | None, held: tuple[float | None, float | None]) -> float:
    low, high = held
    if asked is None or low is None or high is None:
        return 0.0
    return abs(sum(asked) - low - high) / 2


def _reason(
    best: Candidate, later: Sequence[Candidate], judged: Sequence[Candidate], wanted: Wanted
) -> str:
    count = len(judged)
    whole = "the only one" if count == 1 else f"chosen of {count}"
    text = f"{best.entry.name}, {whole} of panel {wanted.serial} in this mode"
    text += f", for {wanted.told()}: {_away(best)}."
    if best.misfits:
        permitted = "; ".join(misfit.text for misfit in best.misfits)
        text += f" Permitted by the config: {permitted}."
    text += _open(best.unjudged)
    if later:
        text += f" Next: {later[0].entry.name}, {_why_later(best, later[0])}."
    out = [one for one in judged if one is not best and one not in later]
    if out:
        told = "; ".join(f"{one.entry.name} ({one.misfits[0].text})" for one in out[:3])
        text += f" Not valid: {told}{f'; and {len(out) - 3} more' if len(out) > 3 else ''}."
    return text


def _away(one: Candidate) -> str:
    if one.days is None:
        made = one.entry.made
        return "its age can't be told" if made is None else f"made on {made:%Y-%m-%d}"
    days = abs(one.days)
    distance = (
        f"{days:.0f} days" if days >= 1.5 else ("1 day" if days >= 0.5 else "less than a day")
    )
    return f"made {distance} {'before' if one.days >= 0 else 'after'} the frames"


def _why_later(best: Candidate, other: Candidate) -> str:
    if len(other.misfits) > len(best.misfits):
        return other.misfits[0].text
    if len(other.unjudged) > len(best.unjudged):
        extra = [name for name in other.unjudged if name not in best.unjudged]
        return f"for which isn't told: {', '.join(extra)}"
    return _away(other)


def _open(unjudged: Sequence[str]) -> str:
    return f" Not judged, as it isn't told: {', '.join(unjudged)}." if unjudged else ""


def _none_fits(
    entries: Sequence[Entry], judged: Sequence[Candidate], wanted: Wanted
) -> CalibrationError:
    if judged:
        told = "; ".join(
            f"{one.entry.name}: " + " and ".join(misfit.text for misfit in one.misfits)
            for one in judged[-8:]
        )
        asked = {str(misfit.condition) for one in judged for misfit in one.misfits}
        return CalibrationError(
            f"no calibration of panel {wanted.serial} suits these frames ({wanted.told()}): {told}",
            remedy="Make and release one that does; or permit it in the config: [calibration] "
            f"allow = a list of {', '.join(sorted(asked))}",
        )
    near = [entry for entry in entries if entry.facts.serial == wanted.serial]
    if near:
        told = "; ".join(f"{one.name}: {foreign(one.facts, wanted)}" for one in near[-8:])
        size = f", {wanted.rows} × {wanted.columns} pixels" if wanted.rows else ""
        mode = f"gain mode {wanted.gain_mode!r}{size}"
        mode += f", binning {wanted.binning}" if wanted.binning else ""
        return CalibrationError(
            f"panel {wanted.serial} has no calibration in the frames' mode ({mode}): {told}",
            remedy="Make and release one in this mode, or correct [panel] in the config",
        )
    serials = sorted({entry.facts.serial for entry in entries})
    return CalibrationError(
        f"the library has no calibration of panel {wanted.serial}",
        expected=f"one of {', '.join(serials[:12])}" if serials else "",
        remedy="Make one with girthstrip calibrate and release it, or correct panel.serial",
    )
