"""Which calibration the frames get: the nearest valid one of a library, and why that one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from difflib import get_close_matches

from pipeline.calibration.conditions import (
    STATUS_CONDITIONS,
    Candidate,
    Misfit,
    days_between,
    foreign,
    held_frame_time,
    held_temperature,
    judge,
    undecided,
)
from pipeline.calibration.decisions import Entry
from pipeline.calibration.wanted import Condition, Range, Wanted
from pipeline.errors import CalibrationError

_SHOWN = 8  # calibrations in a message


@dataclass(frozen=True, slots=True)
class Choice:
    """The calibration to use and why: ``reason`` is a sentence or two for people.

    ``permitted`` are the misfits that only the config's ``allow`` let pass; ``undecided`` the
    conditions that the frames don't tell although others that might be right differ in them.
    """

    entry: Entry
    permitted: tuple[Misfit, ...]
    unjudged: tuple[str, ...]
    reason: str
    others: tuple[Candidate, ...] = ()
    undecided: tuple[str, ...] = ()


def choose(
    entries: Sequence[Entry], wanted: Wanted, *, allow: AbstractSet[Condition] = frozenset()
) -> Choice:
    """The nearest valid calibration of a library, with the choice explained.

    In this order: nothing against it that ``allow`` would have to let pass, fewest conditions
    left open, nearest in the date from which it holds (without a date the newest), middle of its
    temperature range nearest, then of its kV range, then the frame time.

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
    rivals = [one for one in ranked if len(one.misfits) == len(best.misfits)]
    open_ones = undecided(rivals, wanted)
    reason = _reason(best, later, judged, wanted)
    if open_ones:
        reason += (
            f" {len(rivals)} might be right and differ in what the frames don't tell: "
            f"{', '.join(open_ones)}."
        )
    return Choice(best.entry, best.misfits, best.unjudged, reason, others, open_ones)


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
        permit = _permit(refused)
        raise CalibrationError(
            "this calibration isn't meant for these frames: "
            + "; ".join(misfit.text for misfit in refused),
            where=entry.name,
            remedy=f"Name one that is{f', or permit it in the config: {permit}' if permit else ''}",
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
    text += f", for {wanted.told()}: {_away(best, wanted)}."
    if best.misfits:
        permitted = "; ".join(misfit.text for misfit in best.misfits)
        text += f" Permitted by the config: {permitted}."
    text += _open(best.unjudged)
    if later:
        text += f" Next: {later[0].entry.name}, {_why_later(best, later[0], wanted)}."
    out = [one for one in judged if one is not best and one not in later]
    if out:
        told = "; ".join(f"{one.entry.name} ({one.misfits[0].text})" for one in out[:3])
        text += f" Not valid: {told}{f'; and {len(out) - 3} more' if len(out) > 3 else ''}."
    return text


def _away(one: Candidate, wanted: Wanted) -> str:
    made, days = one.entry.made, days_between(one.entry, wanted)
    if made is None:
        return "from when on it holds isn't told"
    what = "released" if one.entry.facts.valid_from is None else "valid from"
    if days is None:
        return f"{what} {made:%Y-%m-%d}"
    if days == 0:
        return f"{what} the day of the frames"
    count = "1 day" if abs(days) == 1 else f"{abs(days)} days"
    return f"{what} {count} {'before' if days > 0 else 'after'} the frames"


def _why_later(best: Candidate, other: Candidate, wanted: Wanted) -> str:
    if len(other.misfits) > len(best.misfits):
        return other.misfits[0].text
    if len(other.unjudged) > len(best.unjudged):
        extra = [text for text in other.unjudged if text not in best.unjudged]
        return f"not judged there: {', '.join(extra)}"
    return _away(other, wanted)


def _open(unjudged: Sequence[str]) -> str:
    return f" Not judged: {', '.join(unjudged)}." if unjudged else ""


def _permit(misfits: Sequence[Misfit]) -> str:
    """What a config would have to say to let these pass; "" where nobody should let them pass."""
    conditions = dict.fromkeys(misfit.condition for misfit in misfits)
    if Condition.WITHDRAWN in conditions:
        return ""
    names = ", ".join(f'"{one}"' for one in conditions)
    return f"[calibration] allow = [{names}]"


def _none_fits(
    entries: Sequence[Entry], judged: Sequence[Candidate], wanted: Wanted
) -> CalibrationError:
    if judged:
        ranked = sorted(judged, key=lambda one: _rank(one, wanted, 0.0))
        told = [
            f"{one.entry.name}: " + " and ".join(misfit.text for misfit in one.misfits)
            for one in ranked
        ]
        remedy = "Make and release one that does"
        permits = [(one.entry.name, text) for one in ranked if (text := _permit(one.misfits))]
        if permits:
            remedy += f"; or permit {permits[0][0]} in the config: {permits[0][1]}"
        return CalibrationError(
            f"no calibration of panel {wanted.serial} suits these frames ({wanted.told()})",
            remedy=remedy + _listed(told),
        )
    near = [entry for entry in entries if entry.facts.serial == wanted.serial]
    if near:
        size = f", {wanted.rows} × {wanted.columns} pixels" if wanted.rows else ""
        mode = f"gain mode {wanted.gain_mode!r}{size}"
        mode += f", binning {wanted.binning}" if wanted.binning else ""
        return CalibrationError(
            f"panel {wanted.serial} has no calibration in the mode asked for ({mode})",
            remedy="Make and release one in this mode, or correct what is asked for (with a weld "
            "that is [panel] in its config)"
            + _listed([f"{one.name}: {foreign(one.facts, wanted)}" for one in near[::-1]]),
        )
    serials = sorted({entry.facts.serial for entry in entries})
    alike = {serial.casefold(): serial for serial in serials}
    meant = get_close_matches(wanted.serial.casefold(), alike, n=1, cutoff=0.8)
    hint = f"Did you mean {alike[meant[0]]}? Capital and small letters count. " if meant else ""
    return CalibrationError(
        f"the library has no calibration of panel {wanted.serial}",
        expected=f"one of {', '.join(serials[:12])}" if serials else "",
        remedy=f"{hint}Make one with girthstrip calibrate and release it, or correct panel.serial",
    )


def _listed(lines: Sequence[str]) -> str:
    """What is against each, nearest first, a line each."""
    more = f"\n  and {len(lines) - _SHOWN} more" if len(lines) > _SHOWN else ""
    return ". What is against each:" + "".join(f"\n  {line}" for line in lines[:_SHOWN]) + more
