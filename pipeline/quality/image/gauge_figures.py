"""What the image quality indicators in a strip say, as figures to be judged and as series."""

from __future__ import annotations

import math
from collections.abc import Sequence

from pipeline.model import FloatArray
from pipeline.quality.asked.judge import Figure
from pipeline.quality.asked.profile import Profile
from pipeline.quality.asked.requirement import SR_B, UNSHARPNESS, WIRE, WIRE_POSITIONS
from pipeline.quality.gauges.iqis import IqiRead
from pipeline.quality.image.measure_records import Series
from pipeline.quality.image.noise_figures import series

_LEAST_STEP_MM = 0.02  # of a profile in the log: the thinnest wires are 0.05 mm
_UNEQUAL = 1.5  # common practice, no published source
_PANEL_COUNTS = (
    "where nothing is magnified the panel's own SR_b is asked for: measure it and tell "
    "detector_sr_b_mm, or put a duplex gauge into the calibration"
)
ONLY_JUST = "only just"
IMAGE_SR_B = "sharpness.image_sr_b_mm"
IMAGE_UNSHARPNESS = "sharpness.image_unsharpness_mm"


def duplex_figures(
    iqis: Sequence[IqiRead], *, counts: bool, magnified: bool = True
) -> list[Figure]:
    """SR_b and unsharpness of every duplex gauge, in the gauge's own plane.

    ``counts``: they are what is asked for; else the detector's are, and these are told beside them.
    Not ``magnified``, the detector's would count if it were known.
    """
    found = []
    ids = (SR_B, UNSHARPNESS) if counts else (IMAGE_SR_B, IMAGE_UNSHARPNESS)
    for one in iqis:
        if one.plan.kind != "duplex":
            continue
        reading = one.duplex
        told: tuple[tuple[float | None, float | None], ...] = ((None, None),) * 2
        if reading:
            told = (
                (reading.sr_b_mm, reading.sigma_mm),
                (reading.unsharpness_mm, reading.unsharpness_sigma_mm),
            )
        name = _pair(reading.first_unresolved) if reading and reading.first_unresolved else ""
        method = f"duplex gauge, pairs along {one.plan.direction}, {one.plan.side} side"
        if reading:
            method += f", interpolated between pairs, {reading.lines} lines averaged"
            method += f"; {name} is the first pair not resolved" if name else ""
        place = _place(one)
        remedy = "a sharper panel, a smaller focal spot, or the panel closer to the pipe"
        for figure_id, (value_mm, sigma_mm) in zip(ids, told, strict=True):
            found.append(
                Figure(
                    figure_id,
                    value_mm,
                    "mm",
                    sigma=sigma_mm,
                    name=name,
                    s_mm=place[0],
                    z_mm=place[1],
                    method=method,
                    note=one.why_not or ("" if magnified or not counts else _PANEL_COUNTS),
                    remedy=remedy,
                )
            )
    return found


def wire_figures(iqis: Sequence[IqiRead], profile: Profile, turn_mm: float | None) -> list[Figure]:
    """The thinnest wire seen of every single-wire gauge, and how many gauges could be read.

    Round a ring of ``turn_mm`` they should lie at equal distances; where they don't, how many they
    are is in doubt.
    """
    gauges = [one for one in iqis if one.plan.kind == "wire"]
    if not gauges:
        return []
    found = []
    for one in gauges:
        reading = one.wire
        thinnest = reading.thinnest if reading else None
        diameter_mm, doubt, surely, method, clarity = None, "", None, "", None
        if reading is not None and thinnest is not None:
            diameter_mm = _diameter_mm(profile, thinnest)
            surest = reading.surest
            surely = _diameter_mm(profile, surest) if surest else None
            if surest != thinnest:
                doubt = f"W{thinnest} is {ONLY_JUST} seen, surely seen is " + (
                    f"W{surest}" if surest else "none"
                )
            wire = next(w for w in reading.wires if w.number == thinnest)
            clarity = wire.significance
            method = (
                f"W{thinnest} stands out by {wire.significance:.1f} standard deviations of the "
                f"ground, contrast to noise of a pixel {wire.cnr:.2f}; "
            )
        last = one.plan.numbers[-1]
        if thinnest == last:
            method += f"W{last} is the gauge's thinnest, so thinner ones may show too; "
        s_mm, z_mm = _place(one)
        found.append(
            Figure(
                WIRE,
                diameter_mm,
                "mm",
                name="" if thinnest is None else f"W{thinnest}",
                s_mm=s_mm,
                z_mm=z_mm,
                method=f"{method}gauge on the {one.plan.side} side, wires seen by criterion, not "
                "by a person",
                note=one.why_not,
                remedy="more mA·s or frames, a lower tube voltage, less scatter",
                doubt=doubt,
                surely=surely,
                clarity=clarity,
            )
        )
    read = [one for one in gauges if one.found]
    where = ", ".join(f"{one.plan.s_mm:.0f}" for one in read)
    found.append(
        Figure(
            WIRE_POSITIONS,
            len(read),
            "places",
            note=f"of {len(gauges)} declared" + (f", at {where} mm" if where else ""),
            doubt=_unequal([one.plan.s_mm for one in read], turn_mm),
            remedy="lay wire gauges at equal distances round the pipe, and declare each as [[iqi]]",
        )
    )
    return found


def _unequal(places_mm: Sequence[float], turn_mm: float | None) -> str:
    """That gauges lie at unequal distances round a ring, by more than half as much again."""
    if turn_mm is None or len(places_mm) < 2:
        return ""
    ordered = sorted(place % turn_mm for place in places_mm)
    gap_mm = max(
        (after - before) % turn_mm
        for before, after in zip(ordered, [*ordered[1:], ordered[0]], strict=True)
    )
    equal_mm = turn_mm / len(ordered)
    if gap_mm <= _UNEQUAL * equal_mm:
        return ""
    return (
        f"they don't lie at equal distances: none for {gap_mm:.0f} mm, where equal ones would be "
        f"{equal_mm:.0f} mm apart"
    )


def gauge_series(iqis: Sequence[IqiRead]) -> list[Series]:
    """Of every gauge the profile across its wires, and contrast to noise or dip of each."""
    found = []
    for number, one in enumerate(iqis, start=1):
        head = f"iqi.{number}.{one.plan.kind}"
        note = f"gauge at {one.plan.s_mm:g} mm; places are along {one.plan.direction}"
        if one.wire is not None:
            found.append(_profile(f"{head}.depth", one.wire.at_mm, one.wire.profile, note))
            wires = one.wire.wires
            for name, values in (
                ("cnr", [wire.cnr for wire in wires]),
                ("number", [wire.number for wire in wires]),
                ("seen", [float(wire.seen) for wire in wires]),
            ):
                places = [(w.at_mm, value, None) for w, value in zip(wires, values, strict=True)]
                found.append(series(f"{head}.{name}", "", places, note))
        if one.duplex is not None:
            loose = f"{note}, from an arbitrary zero on"
            found.append(
                _profile(f"{head}.gray_value", one.duplex.at_mm, one.duplex.profile, loose)
            )
            found.append(
                series(
                    f"{head}.dip_percent",
                    "%",
                    [(pair.at_mm, pair.dip_percent, None) for pair in one.duplex.pairs],
                    loose,
                )
            )
    return [one for one in found if one.s_mm]


def _profile(series_id: str, at_mm: FloatArray, values: FloatArray, note: str) -> Series:
    """The profile in steps of 0.02 mm or a little more: neighbours closer together are averaged."""
    step_mm = float(at_mm[1] - at_mm[0]) if len(at_mm) > 1 else _LEAST_STEP_MM
    block = max(1, math.ceil(_LEAST_STEP_MM / step_mm - 1e-6))
    whole = len(at_mm) // block * block
    place, value = (array[:whole].reshape(-1, block).mean(axis=1) for array in (at_mm, values))
    rows = [(float(at), float(one), None) for at, one in zip(place, value, strict=True)]
    return series(series_id, "", rows, note)


def _pair(name: str) -> str:
    """``10D`` of the reading as the profile calls it, ``D10``."""
    return f"D{name.removesuffix('D')}"


def _place(one: IqiRead) -> tuple[float, float]:
    """Where it was found, or where it should be."""
    return (
        one.plan.s_mm if one.s_mm is None else one.s_mm,
        one.plan.z_mm if one.z_mm is None else one.z_mm,
    )


def _diameter_mm(profile: Profile, number: int) -> float | None:
    return None if profile.wires is None else profile.wires.diameter_mm(f"W{number}")
