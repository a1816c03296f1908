"""What a weld's image must meet, by a profile: each requirement with what it rests on."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.geometry import Arrangement
from pipeline.quality.asked.exposure_geometry import ExposureGeometry
from pipeline.quality.asked.geometry_requirements import geometry_requirements
from pipeline.quality.asked.profile import Profile
from pipeline.quality.asked.requirement import (
    SNR_N,
    SR_B,
    UNSHARPNESS,
    WIRE,
    WIRE_POSITIONS,
    Bound,
    Requirement,
    Requirements,
    Untold,
    WeldCase,
)


def requirements(
    profile: Profile, case: WeldCase, exposure: ExposureGeometry | None = None
) -> Requirements:
    """All that the profile asks of the weld; geometry's only with an ``exposure``."""
    found = [
        _snr_n(profile, case),
        *_sharpness(profile, case),
        _wire(profile, case),
        _wire_positions(profile, case),
        *(geometry_requirements(profile, case, exposure) if exposure else ()),
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
