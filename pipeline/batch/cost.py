"""What reprocessing will take, by what strips took so far."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from pipeline.batch.facts import Facts


@dataclass(frozen=True, slots=True)
class Throughput:
    """Core-seconds a megapixel of raw frames, the median over ``measured`` strips.

    ``at_most``: only strips of several threads were measured, which get less out of each core than
    single threads do.
    """

    core_s_per_mpx: float
    measured: int
    at_most: bool

    def hours(self, raw_pixels: int, cores: int) -> float:
        """How long so many pixels take on so many cores."""
        return self.core_s_per_mpx * raw_pixels / 1e6 / cores / 3600


def throughput(facts: Sequence[Facts]) -> Throughput | None:
    """What the results' ``timing.json`` tell; those made by one thread each count more. None where
    none tells anything."""
    timed = [one for one in facts if one.raw_pixels and one.seconds > 0]
    single = [one for one in timed if one.threads == 1]
    chosen = single or timed
    if not chosen:
        return None
    rates = [one.seconds * one.threads / (one.raw_pixels / 1e6) for one in chosen]
    return Throughput(median(rates), len(chosen), not single)
