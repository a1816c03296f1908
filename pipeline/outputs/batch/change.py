"""What became of one weld: its two results as records, and why a person should look at them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from pipeline.model import Verdict
from pipeline.outputs.batch.pixels import PixelChange

_RANK = {"pass": 0, "attention": 1, "fail": 2}

# House values: what of a change is worth a person's look.
MOVED_PX = 0.5
CELL_SIGMAS = 1.0
LOST_SNR = 0.05
MORE_FILLED = 0.10
_FEWEST = 100

SNR = ("noise.snr_n", "noise.predicted_snr")


@dataclass(frozen=True, slots=True)
class CheckChange:
    """A check or measure in the old log and the new one; None where one lacks it."""

    id: str
    unit: str
    old: float | None
    new: float | None
    old_verdict: str | None
    new_verdict: str | None

    @property
    def changed(self) -> bool:
        """Whether value or verdict differ."""
        return self.old != self.new or self.old_verdict != self.new_verdict

    @property
    def worse(self) -> bool:
        """Whether its verdict is worse than it was."""
        return rank(self.new_verdict) > rank(self.old_verdict)


@dataclass(frozen=True, slots=True)
class PositionChange:
    """How far frames moved that both strips use, and the frames that only one of them uses."""

    largest_mm: float
    rms_mm: float
    at_frame: str
    axial_largest_mm: float
    come: tuple[str, ...]
    gone: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Change:
    """One weld, old against new. ``same`` and ``different`` are the files of the folders, but for
    ``timing.json``; ``fault`` says why nothing more can be told."""

    weld: str
    old: str
    new: str
    why: tuple[str, ...]
    same: tuple[str, ...] = ()
    different: tuple[str, ...] = ()
    old_verdict: str = ""
    new_verdict: str = ""
    checks: tuple[CheckChange, ...] = ()
    positions: PositionChange | None = None
    pixels: PixelChange | None = None
    bad_pixels: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    calibration: tuple[str, str] = ("", "")
    pitch_mm: float = 0.1
    fault: str = ""

    @property
    def identical(self) -> bool:
        """Whether every file is the same, byte for byte."""
        return bool(self.same) and not self.different

    @property
    def same_strip(self) -> bool:
        """Whether strip and maps are the same, byte for byte."""
        return {"strip.tif", "maps.tif"} <= set(self.same)

    def value(self, check_id: str) -> tuple[float | None, float | None]:
        """A figure, old and new."""
        found = next((one for one in self.checks if one.id == check_id), None)
        return (None, None) if found is None else (found.old, found.new)

    @property
    def look(self) -> Sequence[str]:
        """Why a person should look at it, the worst first; empty where nobody needs to."""
        return tuple(_reasons(self))

    @property
    def order(self) -> tuple[object, ...]:
        """Sorts verdicts that got worse first, then other changes of verdicts, then reasons."""
        worse = rank(self.new_verdict) - rank(self.old_verdict)
        return (
            not self.fault,
            -worse,
            -rank(self.new_verdict) if worse else 0,
            -sum(one.worse for one in self.checks),
            -len(self.look),
            -abs(self.pixels.worst_cell) if self.pixels else 0.0,
            self.weld,
        )


def rank(verdict: str | None) -> int:
    """How bad a verdict is: 0 for none and ``pass``, 2 for ``fail``."""
    return _RANK.get(verdict or "", 0)


def _reasons(one: Change) -> list[str]:
    if one.fault:
        return [f"can't be compared: {one.fault}"]
    told = []
    if one.old_verdict != one.new_verdict:
        told.append(f"its verdict was {one.old_verdict} and is {one.new_verdict}")
    elif one.new_verdict == Verdict.FAIL:
        told.append("its verdict was fail and still is")
    told += [
        f"{check.id} was {check.old_verdict or 'not there'} and is {check.new_verdict}"
        for check in one.checks
        if check.worse
    ]
    if one.positions:
        told += _of_positions(one.positions, one.pitch_mm)
    for name in SNR:
        old, new = one.value(name)
        if old and new is not None and new < (1 - LOST_SNR) * old:
            told.append(f"{name} fell by {100 * (1 - new / old):.0f} %")
    if one.pixels:
        told += _of_pixels(one.pixels)
    elif not one.same_strip:
        told.append("the strips can't be laid on each other: another pitch or place")
    return told


def _of_positions(moved: PositionChange, pitch_mm: float) -> list[str]:
    told = []
    if moved.gone:
        told.append(f"{len(moved.gone)} frames are no longer in the strip ({moved.gone[0]} …)")
    if moved.come:
        told.append(f"{len(moved.come)} frames are new in the strip ({moved.come[0]} …)")
    if moved.largest_mm > MOVED_PX * pitch_mm:
        told.append(f"{moved.at_frame} moved by {moved.largest_mm:.3f} mm")
    return told


def _of_pixels(change: PixelChange) -> list[str]:
    told = []
    old, new = change.filled
    if new - old > max(_FEWEST, MORE_FILLED * old):
        told.append(f"{new} pixels are filled in, {old} were")
    old, new = change.not_covered
    if new - old > max(_FEWEST, MORE_FILLED * old):
        told.append(f"{new} pixels are covered by no frame, {old} were")
    if abs(change.worst_cell) > CELL_SIGMAS:
        told.append(
            f"at {change.worst_s_mm:.0f} mm from the datum the strip differs by "
            f"{change.worst_cell:+.1f} σ over {change.cell_mm:.1f} mm"
        )
    return told
