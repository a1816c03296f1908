"""Measures where the reviewer chose, by the same functions as the log's measures."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import Any

import numpy as np

from pipeline.model import Origin
from pipeline.outputs.drawing.words import clock_position
from pipeline.quality.noise.resampled_noise import resampled_correlation
from pipeline.quality.noise.snr import REFERENCE_MM, measure_snrs, snr_n
from pipeline.review.answers import BAD, RequestError
from pipeline.review.gauges import Ends, read_duplex_across, read_wires_across
from pipeline.review.known import known_of_weld
from pipeline.review.mark_rules import number
from pipeline.review.weld import OpenWeld, Part

_MOST_SAMPLES = 4000
_MOST_WIDTH_MM = 20.0
_LEAST_GROUP = 20  # pixels of a group, where the profile doesn't tell


def measure(weld: OpenWeld, told: Mapping[str, Any]) -> dict[str, Any]:
    """What ``told["kind"]`` asks for, between the places (s0, z0) and (s1, z1).

    Raises:
        RequestError: the request is at fault.
    """
    kind = told.get("kind")
    if not isinstance(kind, str) or kind not in _KINDS:
        raise RequestError(BAD, f"kind is {str(kind)[:40]!r}", expected=", ".join(_KINDS))
    s0, z0, s1, z1 = (number(told, name) for name in ("s0", "z0", "s1", "z1"))
    return {"kind": kind, **_KINDS[kind](weld, (s0, z0, s1, z1), told)}


def _box_of(weld: OpenWeld, ends: Ends) -> Part:
    """The part of the strip with these corners."""
    s0, z0, s1, z1 = ends
    return weld.part((min(s0, s1), max(s0, s1)), (min(z0, z1), max(z0, z1)))


def _distance(weld: OpenWeld, ends: Ends, _: Mapping[str, Any]) -> dict[str, Any]:
    """Between two points on the outer surface, with the ruler's deviation."""
    s0, z0, s1, z1 = ends
    away_mm = math.hypot(s1 - s0, z1 - z0)
    along = weld.places.length(abs(s1 - s0))
    # Along the pipe only the ends' pixels are uncertain; each counts by its part of the way.
    across_sigma = math.sqrt(2) * weld.places.edge_sigma_mm
    parts = ((s1 - s0) * along.sigma, (z1 - z0) * across_sigma)
    told = weld.log.strip
    clock = [
        clock_position(s, told.circumference_mm, clockwise=told.direction == "clockwise")
        for s in (s0, s1)
    ]
    return {
        "length_mm": away_mm,
        "sigma_mm": math.hypot(*parts) / away_mm if away_mm else across_sigma,
        "along_mm": s1 - s0,
        "across_mm": z1 - z0,
        "clock_from": clock[0],
        "clock_to": clock[1],
        "basis": "on the pipe's outer surface",
    }


def _profile(weld: OpenWeld, ends: Ends, told: Mapping[str, Any]) -> dict[str, Any]:
    """Gray values along a straight line, a sample a pixel, the mean over its width."""
    from scipy.ndimage import map_coordinates  # noqa: PLC0415 - slow to import

    width_mm = number(told, "width_mm") if "width_mm" in told else 0.0
    if not 0 <= width_mm <= _MOST_WIDTH_MM:
        raise RequestError(BAD, "width_mm is out of range", expected=f"0 to {_MOST_WIDTH_MM:g}")
    s0, z0, s1, z1 = ends
    length_mm, pitch = math.hypot(s1 - s0, z1 - z0), weld.grid.pitch_mm
    if length_mm < pitch:
        raise RequestError(BAD, "the line has no length", expected="at least a pixel")
    count = min(_MOST_SAMPLES, math.ceil(length_mm / pitch) + 1)
    across = max(1, round(width_mm / pitch))
    unit_s, unit_z = (s1 - s0) / length_mm, (z1 - z0) / length_mm
    at_mm = np.linspace(0.0, length_mm, count)
    aside = (np.arange(across) - (across - 1) / 2)[:, np.newaxis] * pitch
    s = s0 + at_mm * unit_s - aside * unit_z
    z = z0 + at_mm * unit_z + aside * unit_s
    part = weld.part(
        (float(s.min()) - pitch, float(s.max()) + pitch),
        (float(z.min()) - pitch, float(z.max()) + pitch),
    )
    turns = _turns(weld, float(s.min()) - pitch, part)
    columns = (s - turns - part.grid.s_first_mm) / pitch
    rows = (z - part.grid.z_first_mm) / pitch
    known = (part.origin != Origin.NOT_COVERED).astype(np.float32)
    values = part.values.astype(np.float32)
    gray, shown, square = (
        map_coordinates(image, [rows, columns], order=1, mode="constant", cval=0.0)
        for image in (values, known, np.square(part.sigma.astype(np.float32)))
    )
    whole = (shown > 1 - 1e-3).all(axis=0)
    # Neighbours share noise after resampling, so this is the mean's noise only roughly.
    sigma = weld.log.strip.sigma_scale * np.sqrt(square.mean(axis=0) / across)
    return {
        "along_mm": np.round(at_mm, 4).tolist(),
        "gray": _or_none(gray.mean(axis=0), whole),
        "sigma_gv": _or_none(sigma, whole),
        "length_mm": length_mm,
        "averaged_over_mm": across * pitch,
    }


def _turns(weld: OpenWeld, low_mm: float, part: Part) -> float:
    """By how much the part's places are less than those asked for: whole turns of a ring."""
    if not weld.grid.ring:
        return 0.0
    around = weld.grid.columns * weld.grid.pitch_mm
    return around * round((low_mm - part.grid.s_first_mm) / around)


def _or_none(values: Any, known: Any) -> list[float | None]:
    rounded = np.round(values, 2).tolist()
    return [value if there else None for value, there in zip(rounded, known.tolist(), strict=True)]


def _snr(weld: OpenWeld, ends: Ends, _: Mapping[str, Any]) -> dict[str, Any]:
    """SNR line by line in a window, as the log's windows beside the weld are measured."""
    part, known = _box_of(weld, ends), known_of_weld(weld)
    asked = known.profile.snr_window
    group = asked.group if asked else _LEAST_GROUP
    covariance = resampled_correlation()
    correlation = tuple(one / covariance[0] for one in covariance)
    good = part.origin == Origin.MEASURED
    (found,) = measure_snrs(
        part.values[np.newaxis], group=group, good=good[np.newaxis], correlation=correlation
    )
    if found is None:
        raise RequestError(
            BAD,
            f"the window holds no group of {group} measured pixels side by side with any noise",
            expected=f"a window at least {group * weld.grid.pitch_mm:.1f} mm long along the scan",
        )
    white, mean = covariance[0], float(part.values[good].mean())
    predicted = weld.log.strip.sigma_scale * float(
        np.sqrt(np.square(part.sigma[good], dtype=np.float64).mean())
    )
    sr_b_mm = known.detector_sr_b_mm if not known.magnified else None
    aperture_mm = asked.aperture_mm if asked else REFERENCE_MM
    fewest = asked.rows * asked.columns // group if asked else 0
    remarks = [] if found.groups >= fewest else [f"{fewest} groups or more are usual"]
    if sr_b_mm is None:
        remarks.append("SNR_N needs SR_b: it isn't measured for this image")
    return {
        "snr": found.value,
        "sigma": found.sigma,
        "snr_panel": found.value * white,
        "snr_n": None if sr_b_mm is None else snr_n(found.value * white, sr_b_mm, aperture_mm),
        "sr_b_mm": sr_b_mm,
        "predicted_snr": mean / predicted if predicted else None,
        "mean_gv": mean,
        "groups": found.groups,
        "frames": float(np.median(part.count)),
        "rows": part.grid.rows,
        "columns": part.grid.columns,
        "remarks": remarks,
    }


def _duplex(weld: OpenWeld, ends: Ends, told: Mapping[str, Any]) -> dict[str, Any]:
    reading = read_duplex_across(weld, ends, known_of_weld(weld), told)
    return {
        "sr_b_mm": reading.sr_b_mm,
        "sigma_mm": reading.sigma_mm,
        "unsharpness_mm": reading.unsharpness_mm,
        "first_unresolved": reading.first_unresolved,
        "why_not": reading.why_not,
        "lean_deg": reading.lean_deg,
        "lines": reading.lines,
        "pairs": [asdict(pair) for pair in reading.pairs],
        "remarks": list(reading.remarks),
        "at_mm": np.round(reading.at_mm, 4).tolist(),
        "gray": np.round(reading.profile, 2).tolist(),
    }


def _wires(weld: OpenWeld, ends: Ends, told: Mapping[str, Any]) -> dict[str, Any]:
    read = read_wires_across(weld, ends, known_of_weld(weld), told)
    reading = read.wire
    if reading is None:
        return {"thinnest": None, "why_not": read.why_not}
    return {
        "thinnest": reading.thinnest,
        "surest": reading.surest,
        "why_not": reading.why_not,
        "lean_deg": reading.lean_deg,
        "assumed": {
            name: getattr(read.plan, name)
            for name in ("set", "spacing_mm", "length_mm", "direction", "side")
        },
        "wires": [{**asdict(one), "significance": one.significance} for one in reading.wires],
        "remarks": [*reading.remarks, "seen by criterion, not by a person"],
        "at_mm": np.round(reading.at_mm, 4).tolist(),
        "depth": np.round(reading.profile, 6).tolist(),
    }


_KINDS: Mapping[str, Callable[[OpenWeld, Ends, Mapping[str, Any]], dict[str, Any]]] = {
    "distance": _distance,
    "profile": _profile,
    "snr": _snr,
    "duplex": _duplex,
    "wires": _wires,
}
