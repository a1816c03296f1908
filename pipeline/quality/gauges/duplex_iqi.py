"""Sharpness of a strip from a duplex wire gauge on the weld: SR_b and image unsharpness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from pipeline.calibration.duplex import measure_duplex
from pipeline.model import FloatArray, FloatImage


@dataclass(frozen=True, slots=True)
class DuplexCriteria:
    """How a duplex wire gauge is read. The values are a profile's; the defaults are ISO 19232-5's
    and ASTM E2002's, from memory."""

    limit_percent: float = 20.0
    fewest_lines: int = 21


@dataclass(frozen=True, slots=True)
class PairReading:
    """One pair: its name, its wires' diameter, its place in the profile, and its dip in per cent:
    0 where the two shadows are one, None where none is seen."""

    name: str
    diameter_mm: float
    at_mm: float
    dip_percent: float | None


@dataclass(frozen=True, slots=True)
class DuplexReading:
    """What a duplex wire gauge says; all in the gauge's own plane.

    ``sr_b_mm`` is the interpolated SR_b, with its standard deviation ``sigma_mm`` (None where the
    lines don't tell it); None if it can't be told, and ``why_not`` says why. ``first_unresolved``
    is the first pair, from the thick ones on, whose dip is below the limit. ``lean_deg`` is how
    much the wires lean from the picture's rows or columns, ``lines`` how many were averaged.
    ``at_mm`` and ``profile`` are gray values across the wires, from an arbitrary zero on.
    ``turned``: the wires run along the picture's rows. ``middle_px`` is the (row, column) of the
    middle of all pairs that were found.
    """

    sr_b_mm: float | None
    why_not: str
    sigma_mm: float | None = None
    first_unresolved: str | None = None
    pairs: tuple[PairReading, ...] = ()
    lean_deg: float = 0.0
    lines: int = 0
    turned: bool = False
    middle_px: tuple[float, float] | None = None
    remarks: tuple[str, ...] = ()
    at_mm: FloatArray = field(default_factory=lambda: np.zeros(0))
    profile: FloatArray = field(default_factory=lambda: np.zeros(0))

    @property
    def unsharpness_mm(self) -> float | None:
        """Image unsharpness, twice SR_b."""
        return None if self.sr_b_mm is None else 2 * self.sr_b_mm

    @property
    def unsharpness_sigma_mm(self) -> float | None:
        """Standard deviation of the unsharpness."""
        return None if self.sigma_mm is None else 2 * self.sigma_mm


def read_duplex(
    values: FloatImage,
    *,
    pitch_mm: float,
    diameters_mm: Sequence[float],
    criteria: DuplexCriteria,
) -> DuplexReading:
    """Read the gauge in a picture of which it is the largest set of slim parallel shadows.

    ``values`` (rows, columns) are gray values linear in dose, all known; ``pitch_mm`` is their
    pitch in the gauge's plane. The wires may run down the columns or along the rows, 2° to 5° from
    them: see ``measure_duplex``, which reads a gauge on the panel in the same way.
    """
    found = measure_duplex(
        values,
        pitch_mm=pitch_mm,
        diameters_mm=diameters_mm,
        limit_percent=criteria.limit_percent,
        fewest_lines=criteria.fewest_lines,
    )
    pairs = tuple(
        PairReading(pair.name, pair.diameter_mm, shadow.centre_mm, pair.dip_percent)
        for pair, shadow in zip(found.pairs, found.shadows, strict=True)
    )
    profile = found.profile
    middle_px = None
    if found.place is not None and found.shadows:
        middle_px = found.place.in_picture(
            (found.shadows[0].centre_mm + found.shadows[-1].centre_mm) / 2 / pitch_mm
        )
    return DuplexReading(
        found.sr_b_mm,
        found.why_not,
        found.sigma_mm,
        found.first_unresolved,
        pairs,
        found.tilt_deg,
        found.lines,
        found.place is not None and found.place.turned,
        middle_px,
        found.remarks,
        np.zeros(0) if profile is None else profile.at_mm,
        np.zeros(0) if profile is None else profile.values,
    )
