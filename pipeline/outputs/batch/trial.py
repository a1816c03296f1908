"""One setting tried on several welds: its quality by one number, its speed, and which to take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean

from pipeline.model import Verdict
from pipeline.outputs.batch.change import SNR, Change
from pipeline.quality.log import QualityLog

# At most so much of the limits, on average, counts as no difference; and so much time.
SAME_QUALITY = 0.01
SAME_SPEED = 0.10

OF_LIMIT = (
    "registration.closure_mm",
    "registration.residual_px",
    "registration.position_sigma_mm",
    "geometry.ruler_sigma_mm",
    "seam.level_step",
    "seam.doubling",
    "seam.disagreement",
    "pixels.filled_fraction",
)
"""Checks whose value over limit says how good a strip is; the less the better."""


@dataclass(frozen=True, slots=True)
class Tried:
    """A weld's strip with a setting: its log, seconds in all (the least of all rounds), and how it
    differs from the config's own (None: it is that)."""

    weld: str
    log: QualityLog
    seconds: float
    change: Change | None

    @property
    def of_limits(self) -> float:
        """The checks' values as parts of their limits, on average."""
        parts = [
            float(one.value) / float(one.limit)
            for one in self.log.checks
            if one.id in OF_LIMIT and one.value is not None and one.limit
        ]
        return fmean(parts) if parts else 0.0

    @property
    def snr(self) -> float | None:
        """SNR_N where it was measured, else the predicted SNR."""
        values = {one.id: one.value for one in self.log.measures}
        values |= {one.id: one.value for one in self.log.checks}
        return next((values[name] for name in SNR if values.get(name) is not None), None)

    @property
    def verdicts(self) -> tuple[int, int]:
        """How many checks fail, and how many ask for attention."""
        told = [one.verdict for one in self.log.checks]
        return told.count(Verdict.FAIL), told.count(Verdict.ATTENTION)


@dataclass(frozen=True, slots=True)
class Trial:
    """A setting and what it gave on every weld, or the fault of the first that it failed on."""

    setting: str
    tried: tuple[Tried, ...]
    fault: str = ""

    @property
    def as_own(self) -> bool:
        """Whether its strips are those of the config as it is, byte for byte."""
        return bool(self.tried) and all(
            one.change is not None and one.change.same_strip for one in self.tried
        )

    @property
    def verdicts(self) -> tuple[int, int]:
        """Checks of all welds that fail, and that ask for attention."""
        return sum(one.verdicts[0] for one in self.tried), sum(
            one.verdicts[1] for one in self.tried
        )

    @property
    def of_limits(self) -> float:
        """The mean over the welds."""
        return fmean(one.of_limits for one in self.tried)

    @property
    def seconds(self) -> float:
        """Seconds a weld."""
        return fmean(one.seconds for one in self.tried)


def recommend(trials: Sequence[Trial]) -> tuple[Trial, str]:
    """The setting to take, and why. The first trial is the config as it is.

    Fewest failing checks first, then fewest that ask for attention; of these all that are within
    ``SAME_QUALITY`` of the best; of these the fastest. The config's own is kept where it is among
    them and nearly as fast, or where the fastest gives the very same strips.
    """
    whole = [one for one in trials if not one.fault]
    if not whole:
        return trials[0], "no setting gave a strip of every weld"
    fewest = min(one.verdicts for one in whole)
    sound = [one for one in whole if one.verdicts == fewest]
    best = min(sound, key=lambda one: one.of_limits)
    equal = [one for one in sound if one.of_limits <= best.of_limits + SAME_QUALITY]
    fastest = min(equal, key=lambda one: one.seconds)
    own = trials[0]
    fails, attention = fewest
    said = (
        f"{len(sound)} of {len(trials)} settings have the fewest checks beyond their limits "
        f"({fails} fail, {attention} ask for attention); {len(equal)} of them are as good as the "
        f"best, their checks use {100 * best.of_limits:.1f} to "
        f"{100 * max(one.of_limits for one in equal):.1f} % of their limits on average. "
    )
    if own in equal and fastest.as_own:
        return own, f"{said}The fastest gives the same strips as the config's own, byte for byte"
    if own in equal and own.seconds <= (1 + SAME_SPEED) * fastest.seconds:
        if own is fastest:
            return own, f"{said}The config's own is the fastest of them"
        gain = f"less than {100 * SAME_SPEED:.0f} %"
        return own, f"{said}The config's own is kept, as the fastest of them gains {gain}"
    beside = "" if own.fault else f", the config's own takes {own.seconds:.3g} s"
    return fastest, f"{said}This one is the fastest of them: {fastest.seconds:.3g} s a weld{beside}"
