"""A location tape against the strip's own ruler: an independent check, never a correction."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.model import FloatArray, Strip
from pipeline.quality.check import BASIS_CONFIG, Check, at_most
from pipeline.quality.log import TapeFacts, TapeTick
from pipeline.quality.marks.lead_marks import band_rows, find_marks
from pipeline.quality.marks.mark_plans import DatumPlan, TapePlan
from pipeline.quality.marks.tape_ticks import LEAST_TICKS, Lattice, Ticks, number_ticks

_RIVAL = 0.5  # of the strongest mark's contrast: another as clear makes the datum's marker doubtful


@dataclass(frozen=True, slots=True)
class Found:
    """What was measured of a mark or a tape, or why nothing was."""

    check: Check
    tape: TapeFacts | None = None


def check_tape(strip: Strip, plan: TapePlan, circumference_mm: float) -> Found:
    """How far the tape's ticks lie from where they should: the check ``position.tape_mm``.

    A tick should lie at ``first_mm`` + number · spacing, the spacing reduced from the height of
    the tape's middle to the outer surface: R / (R + height). The value is the largest deviation;
    it is null, and the check asks for attention, where no tape is found.
    """
    radius_mm = circumference_mm / (2 * math.pi)
    lattice = Lattice(
        spacing_mm=plan.spacing_mm * radius_mm / (radius_mm + plan.height_mm),
        first_mm=plan.first_mm,
        turn_mm=circumference_mm if strip.grid.ring else None,
        long_every=plan.long_every,
    )
    marks = find_marks(strip, plan.z_mm, plan.width_mm)
    long = None if plan.long_z_mm is None else find_marks(strip, plan.long_z_mm, plan.width_mm)
    ticks = number_ticks(marks.s_mm, marks.contrast, lattice, None if long is None else long.s_mm)
    if ticks is None:
        note = _why_no_tape(strip, plan, len(marks.s_mm))
        return Found(_judged("position.tape_mm", None, plan.tolerance_mm, note))
    facts = _facts(ticks, lattice)
    worst = max(abs(tick.deviation_mm) for tick in facts.ticks)
    return Found(_judged("position.tape_mm", worst, plan.tolerance_mm, _note(facts)), facts)


def check_datum(strip: Strip, plan: DatumPlan, circumference_mm: float) -> Found:
    """How far the datum's marker lies from where it should: the check ``position.datum_mm``.

    The value is null, and the check asks for attention, where no marker is found within
    ``search_mm``, or a second one at least half as clear.
    """
    marks = find_marks(strip, plan.z_mm, plan.width_mm)
    away = marks.s_mm - plan.marker_mm
    if strip.grid.ring:
        away = (away + circumference_mm / 2) % circumference_mm - circumference_mm / 2
    near = np.abs(away) <= plan.search_mm
    away, contrast = away[near], marks.contrast[near]
    clear = contrast >= _RIVAL * contrast.max(initial=0.0)
    where = f"within {plan.search_mm:g} mm of {plan.marker_mm:g} mm from the datum"
    if clear.sum() != 1:
        count = int(clear.sum())
        what = (
            f"{count} marks were found"
            if count
            else _outside(strip, plan.z_mm) or ("no mark was found")
        )
        return Found(_judged("position.datum_mm", None, plan.tolerance_mm, f"{what} {where}"))
    off = float(away[clear][0])
    note = (
        f"the marker lies {abs(off):.2f} mm {'behind' if off > 0 else 'before'} where it should, "
        "in the direction of the scan"
    )
    return Found(_judged("position.datum_mm", abs(off), plan.tolerance_mm, note))


def _judged(check_id: str, value: float | None, limit: float, note: str) -> Check:
    return at_most(
        check_id, value, limit, stage="blending", unit="mm", basis=BASIS_CONFIG, note=note
    )


def _facts(ticks: Ticks, lattice: Lattice) -> TapeFacts:
    should = lattice.first_mm + ticks.number * lattice.spacing_mm
    deviation = ticks.s_mm - should
    closing = None
    if lattice.turn_mm is not None:
        closing = float(ticks.s_mm[0] + lattice.turn_mm - ticks.s_mm[-1])
    return TapeFacts(
        spacing_mm=lattice.spacing_mm,
        expected=int(ticks.number[-1] - ticks.number[0]) + 1,
        rms_mm=float(np.sqrt(np.mean(np.square(deviation)))),
        common_mm=float(np.median(deviation)),
        stretch=_stretch(should, deviation),
        closing_mm=closing,
        ticks=tuple(
            TapeTick(int(number), float(s), float(off))
            for number, s, off in zip(ticks.number, ticks.s_mm, deviation, strict=True)
        ),
    )


def _stretch(should: FloatArray, deviation: FloatArray) -> float:
    """The slope of the best line through the deviations."""
    away = should - should.mean()
    return float(away @ deviation / (away @ away))


def _note(facts: TapeFacts) -> str:
    first, last = facts.ticks[0], facts.ticks[-1]
    parts = [
        f"largest deviation of {len(facts.ticks)} ticks found, {facts.expected} expected, from "
        f"{round(first.s_mm)} to {round(last.s_mm)} mm; root mean square {facts.rms_mm:.3f} mm, in "
        f"common {facts.common_mm:+z.3f} mm, slope {1000 * facts.stretch:+z.3f} mm per m"
    ]
    if facts.closing_mm is not None:
        parts.append(_closing(facts.closing_mm, facts.spacing_mm))
    return "; ".join(parts)


def _closing(closing_mm: float, spacing_mm: float) -> str:
    """How the tape's end meets its beginning, from the last tick to the first."""
    if closing_mm < 0:
        return f"the tape's end lies {-closing_mm:.1f} mm over its beginning"
    if closing_mm > 1.5 * spacing_mm:
        return f"no ticks for {closing_mm:.1f} mm between the tape's end and its beginning"
    return f"{closing_mm:.1f} mm from its last tick to its first"


def _why_no_tape(strip: Strip, plan: TapePlan, marks: int) -> str:
    outside = _outside(strip, plan.z_mm)
    if outside:
        return outside
    found = f"{marks} marks were found" if marks else "no marks were found"
    return (
        f"no tape: {found} in the band {plan.z_mm[0]:g} … {plan.z_mm[1]:g} mm, and a tape takes "
        f"{LEAST_TICKS} or more in line, {plan.spacing_mm:g} mm apart, and not many others"
    )


def _outside(strip: Strip, z_mm: tuple[float, float]) -> str:
    """That the band isn't in the strip, or nothing."""
    rows = band_rows(strip, z_mm)
    if rows.start < rows.stop:
        return ""
    grid = strip.grid
    last_mm = grid.z_first_mm + (grid.rows - 1) * grid.pitch_mm
    return (
        f"the strip has no rows in the band {z_mm[0]:g} … {z_mm[1]:g} mm, it shows "
        f"{grid.z_first_mm:.1f} … {last_mm:.1f} mm"
    )
