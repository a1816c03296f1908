"""One measure with its limit and verdict: the lines that a quality log is made of.

A limit that is passed by a little asks for attention, by more it fails; where attention turns into
failure is given for each check and stands in its note, beside the value it judged.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Annotated

import numpy as np
from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass

from pipeline.model import Verdict

BASIS_CONFIG = "config"
BASIS_PRACTICE = "common practice, no published source"
"""What a limit rests on; a standard's table is named in full instead, with its edition."""

_SEVERITY = (Verdict.PASS, Verdict.ATTENTION, Verdict.FAIL)


@dataclass(frozen=True, slots=True, config=ConfigDict(extra="forbid", allow_inf_nan=False))
class Check:
    """One measure and its verdict.

    ``id`` is stable (``registration.closure_mm``); ``limit`` is null for a measure that is only
    reported; ``value`` is null where it could not be measured, and ``note`` then says why.
    """

    id: Annotated[str, Field(min_length=1)]
    stage: str
    value: float | int | None
    unit: str
    limit: float | int | None
    verdict: Verdict
    basis: str
    note: str = ""


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """The worst of the verdicts; ATTENTION when there is none, as nothing was then shown."""
    return max(verdicts, key=_SEVERITY.index, default=Verdict.ATTENTION)


def at_most(
    id: str,
    value: float | None,
    limit: float,
    *,
    stage: str,
    unit: str,
    basis: str,
    note: str = "",
    fail_factor: float = 3.0,
    unmeasured: Verdict = Verdict.ATTENTION,
) -> Check:
    """A check that passes up to ``limit``, asks for attention up to ``fail_factor`` times that.

    Above that it fails. The bounds belong to the better side. A limit of 0 leaves no room for
    attention: anything above it fails. A value that is None or not finite becomes null with the
    verdict ``unmeasured``: what couldn't be measured hasn't passed. ``limit`` must be ≥ 0 and
    ``fail_factor`` ≥ 1; an infinite one never fails.
    """
    _require_bounds(limit, fail_factor, basis)
    worst_tolerated = math.inf if math.isinf(fail_factor) else fail_factor * limit
    bounds = _describe("above", limit, worst_tolerated)
    measured = _finite(value)
    verdict = unmeasured
    if measured is not None:
        verdict = _judge(measured, limit, worst_tolerated)
    return Check(id, stage, measured, unit, limit, verdict, basis, _join(note, measured, bounds))


def at_least(
    id: str,
    value: float | None,
    limit: float,
    *,
    stage: str,
    unit: str,
    basis: str,
    note: str = "",
    fail_factor: float = 3.0,
) -> Check:
    """A check that passes down to ``limit``, asks for attention down to ``limit / fail_factor``.

    Below that it fails. Null, not finite and the range of the arguments: as in ``at_most``.
    """
    _require_bounds(limit, fail_factor, basis)
    worst_tolerated = -math.inf if math.isinf(fail_factor) else limit / fail_factor
    bounds = _describe("below", limit, worst_tolerated)
    measured = _finite(value)
    verdict = Verdict.ATTENTION
    if measured is not None:
        verdict = _judge(-measured, -limit, -worst_tolerated)
    return Check(id, stage, measured, unit, limit, verdict, basis, _join(note, measured, bounds))


def report_only(
    id: str, value: float | None, *, stage: str, unit: str, basis: str, note: str = ""
) -> Check:
    """A measure without a limit: it never changes the verdict; not finite becomes null."""
    _require_bounds(0.0, 1.0, basis)
    measured = _finite(value)
    return Check(id, stage, measured, unit, None, Verdict.PASS, basis, _join(note, measured))


def bound_text(value: float) -> str:
    """A bound for people: whole numbers in full, others with four significant digits."""
    return f"{value:.0f}" if float(value).is_integer() else f"{value:.4g}"


def _judge(value: float, limit: float, worst_tolerated: float) -> Verdict:
    if value <= limit:
        return Verdict.PASS
    return Verdict.ATTENTION if value <= worst_tolerated else Verdict.FAIL


def _describe(side: str, limit: float, worst_tolerated: float) -> str:
    attention = f"attention {side} {bound_text(limit)}"
    fail = f"fail {side} {bound_text(worst_tolerated)}"
    if math.isinf(worst_tolerated):
        return f"{attention}, never a failure"
    return fail if limit == worst_tolerated else f"{attention}, {fail}"


def _finite(value: float | None) -> float | int | None:
    """Plain Python numbers out of numpy's, and None for what isn't finite."""
    if value is None or not math.isfinite(value):
        return None
    return int(value) if isinstance(value, int | np.integer) else float(value)


def _join(note: str, measured: float | None, bounds: str = "") -> str:
    parts = (note, "" if measured is not None else "could not be measured", bounds)
    return "; ".join(part for part in parts if part)


def _require_bounds(limit: float, fail_factor: float, basis: str) -> None:
    if not (0 <= limit < math.inf and fail_factor >= 1 and basis):
        raise ValueError(
            f"limit {limit} must be ≥ 0, fail_factor {fail_factor} ≥ 1, basis {basis!r} not empty"
        )
