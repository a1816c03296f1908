"""Darks and flats, read once through: mean and scatter of every set and of those that belong
together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.beam import Beam, separate_beam
from pipeline.calibration.exposure_reader import ExposureReader, Shot
from pipeline.calibration.foreign_object import (
    BETWEEN_SETS,
    ForeignObject,
    block_means,
    find_objects,
    find_standing_object,
)
from pipeline.calibration.frame_outliers import LEAST_LEVEL
from pipeline.calibration.levels import Level, clipped_pixels, make_level
from pipeline.calibration.product import DarkConditions
from pipeline.calibration.screening import Screened, screen_darks, screen_flats
from pipeline.calibration.specks import find_specks, speck_reasons, without_specks
from pipeline.calibration.statistics import Exposures, FrameStatistics, PixelStatistics
from pipeline.errors import CalibrationError
from pipeline.model import FloatImage

Rejected = tuple[tuple[str, str], ...]

DEAD_SHARE = 0.05
"""A pixel with less of the panel's signal may be dead; then it is no object's shadow."""


@dataclass(frozen=True, slots=True)
class Group:
    """Sets that belong together: ``whole`` over all of their frames, each set by itself (or the
    two halves of a single one), the frames that count, ``first_gv``, ``last_gv`` and ``bend`` of
    these."""

    whole: PixelStatistics
    sets: tuple[PixelStatistics, ...]
    shots: tuple[Shot, ...]
    rejected: Rejected
    first_gv: float
    last_gv: float
    bend: float


@dataclass(frozen=True, slots=True)
class Darks:
    """All darks by their conditions; the first group belongs to the flats."""

    conditions: tuple[DarkConditions, ...]
    groups: tuple[Group, ...]

    @property
    def rejected(self) -> Rejected:
        """Name and reason of the frames left out."""
        return tuple(one for group in self.groups for one in group.rejected)


@dataclass(frozen=True, slots=True)
class Flats:
    """All flats: ``levels`` by dose, dimmest first, with the frames of each; ``sets`` each by
    itself, in the order of the levels, or the two ``halves`` of a single one; ``bend``, how far
    frames of one set differ in shape; ``beam`` where it was taken out of all these signals."""

    levels: tuple[Level, ...]
    sets: tuple[Level, ...]
    halves: tuple[Level, ...]
    shots: tuple[tuple[Shot, ...], ...]
    clipped: NDArray[np.bool_]
    rejected: Rejected
    bend: float
    beam: Beam | None = None


def gather_darks(reader: ExposureReader, sources: Sequence[Exposures]) -> Darks:
    """Every set of darks, without its outliers, and the sets of like conditions together.

    Raises:
        CalibrationError: a set is mixed.
    """
    kinds: dict[DarkConditions, list[Exposures]] = {}
    for source in sources:
        if source.frames:
            kinds.setdefault(source.conditions, []).append(source)
    groups = [
        _gather(reader, members, lambda one: screen_darks(reader, one, "darks"))
        for members in kinds.values()
    ]
    return Darks(tuple(kinds), tuple(groups))


def gather_flats(
    reader: ExposureReader, sources: Sequence[Exposures], dark: FloatImage, saturation_gv: float
) -> Flats:
    """Every set of flats, without its outliers, and the sets of one dose and distance together.

    Doses are told as they reach the panel from the greatest distance: by the inverse square. Where
    dust lay in one set only, that set is left out (see ``specks.py``), and named with the places.

    Raises:
        CalibrationError: a set is mixed, saturated or as dark as the darks; sets of one dose
            differ; something stood in the beam.
    """
    kinds = by_dose(sources)
    single = sum(len(members) for members in kinds.values()) == 1
    levels, shots = [], []
    parts: list[Level] = []
    names: list[str] = []
    clipped = np.zeros(dark.shape, np.bool_)
    rejected: Rejected = ()
    bend = 0.0
    for (dose, distance), members in kinds.items():
        told = Level(dose, 0, dark, 0.0, distance)  # names the level in messages
        group = _gather(
            reader,
            members,
            lambda one, where=told.where: screen_flats(  # type: ignore[misc]
                reader, one, dark, where, saturation_gv
            ),
            halved=single,
        )
        whole = make_level(dose, group.whole.frames, group.whole.mean, dark, distance)
        mine = [make_level(dose, one.frames, one.mean, dark, distance) for one in group.sets]
        _require_one_dose(mine)
        clipped |= clipped_pixels(
            group.whole.mean, group.whole.variance, saturation_gv, whole.where
        )
        levels.append(whole)
        parts += mine
        names += [_set_name(one) for one in members]
        shots.append(group.shots)
        rejected += group.rejected
        bend = max(bend, group.bend)
    if single:
        one_set = tuple(levels)
        return Flats(one_set, one_set, tuple(parts), tuple(shots), clipped, rejected, bend)
    specks = find_specks(parts)
    clean, clean_sets = without_specks(levels, parts, specks)
    rejected += speck_reasons(specks, names)
    return Flats(clean, clean_sets, (), tuple(shots), clipped, rejected, bend)


def _set_name(source: Exposures) -> str:
    more = f" and {source.frames - 1} more" if source.frames > 1 else ""
    return source.name(0) + more


def _gather(
    reader: ExposureReader,
    members: Sequence[Exposures],
    screen: Callable[[Exposures], Screened],
    *,
    halved: bool = False,
) -> Group:
    total: FrameStatistics | None = None
    found: list[Screened] = []
    sets: list[PixelStatistics] = []
    for source in members:
        found.append(screen(source))
        shots = found[-1].shots
        middle = len(shots) // 2 if halved else 0
        for part in (shots[:middle], shots[middle:]):
            if not part:
                continue
            running = reader.accumulate(part)
            sets.append(running.result())
            if total is None:
                total = running
            else:
                total.merge(running)
    assert total is not None  # every set has a frame
    return Group(
        sets[0] if len(sets) == 1 else total.result(),
        tuple(sets),
        tuple(shot for one in found for shot in one.shots),
        tuple(one for screened in found for one in screened.rejected),
        found[0].first_gv,
        found[-1].last_gv,
        max(screened.bend for screened in found),
    )


def by_dose(
    flats: Sequence[Exposures],
) -> dict[tuple[float | None, float | None], list[Exposures]]:
    """The flats that have frames by the dose that reaches the panel, and distance, least first."""
    filled = [source for source in flats if source.frames]
    far = max((source.source_distance_mm or 0.0 for source in filled), default=0.0)
    kinds: dict[tuple[float | None, float | None], list[Exposures]] = {}
    for source in filled:
        dose, distance = source.dose, source.source_distance_mm
        if dose is not None and distance is not None:
            dose *= (far / distance) ** 2
        kinds.setdefault((dose, distance), []).append(source)
    return dict(sorted(kinds.items(), key=lambda kind: (kind[0][0] or 0.0, kind[0][1] or 0.0)))


def _require_one_dose(sets: Sequence[Level]) -> None:
    medians = [one.median for one in sets]
    if max(medians) > (1 + LEAST_LEVEL) * min(medians):
        raise CalibrationError(
            f"sets of this dose show {min(medians):.0f} and {max(medians):.0f} GV above the darks",
            where=sets[0].where,
            expected="equal signals for equal doses",
            remedy="Check the doses of these sets, and that all were shot in one gain mode",
        )


def require_empty_beam(flats: Flats) -> None:
    """Refuse flats that show an object in a whole set, or in all of them.

    Raises:
        CalibrationError: names the set and the place.
    """
    sets = flats.sets
    nothing = np.zeros_like(sets[0].signal)
    maps = [block_means(one.signal) for one in sets]
    for thing in find_objects(maps, block_means(nothing), nothing.shape, limit=BETWEEN_SETS):
        raise _in_the_beam(thing, sets[thing.frame].where, "the other flats")
    brightest = flats.levels[-1]
    dead = brightest.signal < DEAD_SHARE * brightest.median
    standing = find_standing_object(brightest.signal, dead)
    if standing is not None:
        raise _in_the_beam(standing, brightest.where, "an empty beam")


def _in_the_beam(thing: ForeignObject, where: str, than: str) -> CalibrationError:
    return CalibrationError(
        f"something stood in the beam: {thing.describe()} than {than}",
        where=where,
        expected="flats without anything between source and panel",
        remedy="Clear the beam and shoot these flats again, or take this set out",
    )


def without_beam(flats: Flats, pitch_mm: float) -> Flats:
    """The flats without the beam's shape (see ``beam.py``); every set must tell its distance.

    Raises:
        CalibrationError: flats at two distances differ by something else than distance.
    """
    everything = [*flats.levels, *flats.sets, *flats.halves]
    plain, beam = separate_beam(everything, len(flats.levels), pitch_mm)
    ends = np.cumsum([len(flats.levels), len(flats.sets)])
    return replace(
        flats,
        levels=tuple(plain[: ends[0]]),
        sets=tuple(plain[ends[0] : ends[1]]),
        halves=tuple(plain[ends[1] :]),
        beam=beam,
    )
