"""What a weld's image must reach, by a profile: each requirement with what it rests on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from pipeline.geometry import Arrangement
from pipeline.quality.asked.exposure_geometry import ExposureGeometry, least_distance_mm
from pipeline.quality.asked.profile import Profile
from pipeline.quality.asked.profile_rows import Side, TestingClass, View

SNR_N = "noise.snr_n"
SR_B = "sharpness.sr_b_mm"
UNSHARPNESS = "sharpness.unsharpness_mm"
WIRE = "iqi.wire_mm"
WIRE_POSITIONS = "iqi.wire_positions"
DISTANCE = "geometry.source_distance_mm"
UG = "geometry.unsharpness_mm"
AREA = "geometry.thickness_ratio"
"""Ids of the requirements, and of the checks that hold measures against them."""


class Bound(StrEnum):
    """On which side of its value a requirement is met."""

    LEAST = "least"
    MOST = "most"


@dataclass(frozen=True, slots=True)
class Requirement:
    """One requirement: the measure ``id`` must be at least, or at most, ``value``.

    ``name`` is the element of a gauge that the value stands for (``W13``, ``D10``), if any.
    ``basis`` names standard, edition, table and how sure the row is; ``note`` what was reckoned
    with. ``slack`` is the value down or up to which the rules allow less under a condition that the
    note tells; None: nothing.
    """

    id: str
    bound: Bound
    value: float
    unit: str
    basis: str
    name: str = ""
    note: str = ""
    slack: float | None = None

    def margin(self, value: float) -> float:
        """How far ``value`` lies on the good side, in its unit; negative where it is missed."""
        return value - self.value if self.bound is Bound.LEAST else self.value - value


@dataclass(frozen=True, slots=True)
class WeldCase:
    """What the requirements of a weld depend on.

    ``wall_mm`` is nominal. ``flush``: without cap and root, so that beside the weld as much is
    penetrated as in it. ``iqi_side`` is where the gauges lie; ``central`` whether the source stands
    at the pipe's centre. ``kv`` is None where it isn't told.
    """

    testing_class: TestingClass
    wall_mm: float
    diameter_mm: float
    material: str
    arrangement: Arrangement
    kv: float | None = None
    source: str = "x_ray"
    flush: bool = False
    iqi_side: Side = "source"
    ring: bool = True

    @property
    def view(self) -> View:
        """How many walls are looked through, as tables name it."""
        return "double_wall" if self.arrangement is Arrangement.TWO_WALL else "single_wall"

    @property
    def penetrated_mm(self) -> float:
        """Nominal thickness of all walls that the beam goes through."""
        return self.wall_mm * (2 if self.view == "double_wall" else 1)

    @property
    def gauge_side(self) -> Side:
        """Where the gauges count as lying: through two walls one image is made with them at the
        panel."""
        return "detector" if self.view == "double_wall" else self.iqi_side


@dataclass(frozen=True, slots=True)
class Untold:
    """A requirement that could not be told, and why."""

    id: str
    why: str


@dataclass(frozen=True, slots=True)
class Requirements:
    """What must be reached, and what could not be told."""

    asked: tuple[Requirement, ...]
    untold: tuple[Untold, ...] = ()

    def of(self, requirement_id: str) -> Requirement | None:
        """The requirement of that id; None if nothing is asked."""
        return next((one for one in self.asked if one.id == requirement_id), None)


NOTHING_ASKED = Requirements(())


def requirements(
    profile: Profile, case: WeldCase, exposure: ExposureGeometry | None = None
) -> Requirements:
    """All that the profile asks of the weld; geometry's only with an ``exposure``."""
    found = [
        _snr_n(profile, case),
        *_sharpness(profile, case),
        _wire(profile, case),
        _wire_positions(profile, case),
        *(_geometry(profile, case, exposure) if exposure else ()),
    ]
    return Requirements(
        tuple(one for one in found if isinstance(one, Requirement)),
        tuple(one for one in found if isinstance(one, Untold)),
    )


def _snr_n(profile: Profile, case: WeldCase) -> Requirement | Untold | None:
    if profile.snr_n is None or profile.snr_window is None:
        return None
    group = profile.group_of(case.material)
    if group is None:
        return Untold(
            SNR_N,
            f"least SNR_N: {profile.standard.title} has no material like {case.material!r} in this "
            "profile; name it in [materials] of your own copy, or write [weld] material otherwise",
        )
    row = profile.snr_row(group, case.source, case.kv, case.penetrated_mm)
    if row is None:
        told = "the tube voltage isn't told" if case.kv is None else f"{case.kv:g} kV"
        return Untold(
            SNR_N,
            f"least SNR_N: no row of {profile.standard.title} holds for {case.source}, {told}, "
            f"{case.penetrated_mm:g} mm of {group}; put kv into frames.csv or [quality]",
        )
    window = profile.snr_window
    least = row.least(case.testing_class)
    factor = 1.0 if case.flush else window.beside_factor
    note = f"class {case.testing_class}: {least:g}"
    basis_mark = row.mark
    if factor > 1:
        note += (
            f", times {factor:g} because it is measured beside a weld with cap and root "
            f"({window.beside_mark})"
        )
    return Requirement(
        SNR_N,
        Bound.LEAST,
        round(least * factor, 6),
        "",
        profile.basis(row.table, basis_mark),
        note=note,
    )


def _sharpness(profile: Profile, case: WeldCase) -> Sequence[Requirement | Untold]:
    if profile.duplex is None:
        return ()
    row = profile.duplex_row(case.testing_class, case.penetrated_mm)
    if row is None:
        why = f"greatest SR_b: no row for {case.penetrated_mm:g} mm, class {case.testing_class}"
        return (Untold(SR_B, why),)
    basis = profile.basis(row.table, row.mark)
    note = f"class {case.testing_class}, {case.penetrated_mm:g} mm penetrated: pair {row.pair}"
    return (
        Requirement(SR_B, Bound.MOST, row.sr_b_mm, "mm", basis, name=row.pair, note=note),
        Requirement(
            UNSHARPNESS,
            Bound.MOST,
            2 * row.sr_b_mm,
            "mm",
            basis,
            name=row.pair,
            note=f"{note}; unsharpness is twice SR_b",
        ),
    )


def _wire(profile: Profile, case: WeldCase) -> Requirement | Untold | None:
    if profile.wire is None or profile.wires is None:
        return None
    thickness_mm = case.penetrated_mm
    row = profile.wire_row(case.testing_class, case.view, case.gauge_side, thickness_mm)
    note = ""
    if row is None and case.view == "single_wall" and case.gauge_side == "detector":
        row = profile.wire_row(case.testing_class, case.view, "source", thickness_mm)
        note = (
            "; the gauge lies at the panel (mark it F): the wire is the one asked at the source, "
            "and an exposure with gauges on both sides must show what that stands for"
        )
    if row is None:
        return Untold(
            WIRE,
            f"wire: no row for {thickness_mm:g} mm, class {case.testing_class}, through "
            f"{case.view.replace('_', ' ')}, gauge at the {case.gauge_side}",
        )
    diameter_mm = profile.wires.diameter_mm(row.wire)
    if diameter_mm is None:
        why = f"wire: {row.wire} is no wire of {profile.wires.standard} in this profile"
        return Untold(WIRE, why)
    return Requirement(
        WIRE,
        Bound.MOST,
        diameter_mm,
        "mm",
        profile.basis(row.table, row.mark),
        name=row.wire,
        note=f"class {case.testing_class}, {thickness_mm:g} mm: {row.wire} must be seen{note}",
    )


def _wire_positions(profile: Profile, case: WeldCase) -> Requirement | None:
    ring = profile.ring
    panoramic = case.arrangement is Arrangement.PANORAMIC
    if ring is None or not (case.ring and panoramic and case.diameter_mm >= ring.from_diameter_mm):
        return None
    return Requirement(
        WIRE_POSITIONS,
        Bound.LEAST,
        ring.positions,
        "places",
        profile.basis("", ring.mark),
        note=f"wire gauges equally spaced round a ring of {ring.from_diameter_mm:g} mm or more "
        "stand for all of it",
    )


def _geometry(
    profile: Profile, case: WeldCase, exposure: ExposureGeometry
) -> Sequence[Requirement | Untold]:
    found: list[Requirement | Untold] = []
    row, rule, d = (
        profile.distance_row(case.testing_class),
        profile.distance,
        exposure.focal_spot_mm,
    )
    found += _rows_missing(profile, case, exposure)
    if rule is not None and row is not None:
        if d is None:
            why = "least source distance: needs focal_spot_mm in [quality]"
            found.append(Untold(DISTANCE, why))
        else:
            least_mm = least_distance_mm(
                d,
                exposure.object_to_detector_mm,
                exposure.wall_mm,
                factor=row.factor,
                exponent=rule.exponent,
                least_b_in_t=rule.least_b_in_t,
            )
            note = (
                f"class {case.testing_class}: {row.factor:g} · d · b^{rule.exponent:.3g} with "
                f"d = {d:g} mm, b = {exposure.object_to_detector_mm:.4g} mm"
            )
            slack = None
            if case.arrangement is Arrangement.PANORAMIC:
                slack = least_mm * (1 - rule.reduction_central)
                note += (
                    f"; down to {slack:.1f} mm for a source at the pipe's centre where the IQI "
                    f"asked for is met ({rule.central_mark}), else down to "
                    f"{least_mm * (1 - rule.reduction_inside):.1f} mm ({rule.inside_mark})"
                )
            found.append(
                Requirement(
                    DISTANCE,
                    Bound.LEAST,
                    least_mm,
                    "mm",
                    profile.basis("source-to-object distance", row.mark),
                    note=note,
                    slack=slack,
                )
            )
    ug = profile.unsharpness_row(exposure.wall_mm)
    if ug is not None:
        if d is None:
            found.append(Untold(UG, "geometric unsharpness: needs focal_spot_mm in [quality]"))
        found.append(
            Requirement(
                UG,
                Bound.MOST,
                ug.ug_mm,
                "mm",
                profile.basis(ug.table, ug.mark),
                note=f"{exposure.wall_mm:g} mm wall",
            )
        )
    area = profile.area_row(case.testing_class)
    if area is not None:
        found.append(
            Requirement(
                AREA,
                Bound.MOST,
                area.thickness_ratio,
                "",
                profile.basis("evaluated area", area.mark),
                note="penetrated thickness at a frame's ends over that in its middle",
            )
        )
    return found


def _rows_missing(profile: Profile, case: WeldCase, exposure: ExposureGeometry) -> Sequence[Untold]:
    """Rules of geometry that the profile has, but without a row for this class or thickness."""
    letter = case.testing_class
    told = (
        (DISTANCE, "least source distance", profile.distance, profile.distance_row(letter)),
        (AREA, "evaluated area", profile.area, profile.area_row(letter)),
        (
            UG,
            "geometric unsharpness",
            profile.unsharpness,
            profile.unsharpness_row(exposure.wall_mm),
        ),
    )
    return [
        Untold(
            requirement_id,
            f"{what}: {profile.standard.title} has no row in this profile for class {letter}, "
            f"{exposure.wall_mm:g} mm wall",
        )
        for requirement_id, what, rule, row in told
        if rule is not None and row is None
    ]


def snr_needed(snr_n: float, sr_b_mm: float, aperture_mm: float) -> float:
    """The measured SNR that gives a normalised one: SNR_N · SR_b / aperture."""
    return snr_n * sr_b_mm / aperture_mm


def frames_needed(snr: float, snr_of_one: float) -> int:
    """So many frames, each of other pixels of the panel, average to ``snr``: SNR grows as √n."""
    return max(1, math.ceil((snr / snr_of_one) ** 2 - 1e-9))
