"""The figures that tell how a panel is doing: where each stands, and which way is worse.

Named after the tests of ASTM E2737 and the metrics of E2597 (offset level, signal level, SNR, lag,
spatial resolution, contrast sensitivity, bad pixels; names *from memory*, clauses not checked).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from pipeline.calibration.product import CalibrationFacts


@dataclass(frozen=True, slots=True)
class Spec:
    """A figure: where it is, its limits (keys of ``AcceptanceLimits``), and which way is worse.

    ``needs`` is what has to be shot for it; ``same_beam``, that it compares only at equal kV.
    """

    id: str
    value: Callable[[CalibrationFacts], float | None]
    unit: str = ""
    limit: str = ""
    change_limit: str = ""
    worse: str = "up"  # or "down" or "both"
    needs: str = ""
    same_beam: bool = False  # comparable only at the same tube voltage


def _figure(name: str) -> Callable[[CalibrationFacts], float | None]:
    return lambda facts: facts.acceptance.get(name)


def sensitivity(facts: CalibrationFacts) -> float | None:
    """Gray values for 1 mA·s at 1 m from the source, where flats of several doses tell.

    The facts' line is over doses as they reach the panel from the greatest of the flats'
    distances; where no distance is told, over doses as they are.
    """
    slope = (facts.linearity or {}).get("slope")
    if slope is None:
        return None
    told = [one.get("source_distance_mm") for one in facts.exposures if one.get("kind") == "flat"]
    distances = [float(one) for one in told if isinstance(one, int | float)]
    if len(distances) < len(told) or not told:
        distances.append(facts.source_distance_mm or 0.0)
    far_m = max(distances) / 1000 or 1.0
    return slope * far_m**2


def snr_at_dose(facts: CalibrationFacts) -> float | None:
    """SNR of quantum noise alone for 1 mA·s at 1 m: the root of the quanta detected."""
    gray = sensitivity(facts)
    return None if gray is None or facts.noise.slope <= 0 else math.sqrt(gray / facts.noise.slope)


def dark_drift(facts: CalibrationFacts) -> float | None:
    """Drift of the dark from the first to the last frames, in read noises of one pixel."""
    drift, std = (facts.acceptance.get(name) for name in ("dark_drift_gv", "dark_std_gv"))
    return None if drift is None or not std else abs(drift) / std


def linearity_deviation(facts: CalibrationFacts) -> float | None:
    """How far the response lies off a straight line, as a part of the signal."""
    found = facts.acceptance.get("linearity_deviation")
    return (facts.linearity or {}).get("max_deviation") if found is None else found


def flat_shape(facts: CalibrationFacts) -> float | None:
    """The greatest smooth shape by which flats differ, within a set or between sets."""
    told = [facts.acceptance.get(f"flat_shape_{name}") for name in ("within", "between")]
    return max((one for one in told if one is not None), default=None)


def _groups(kind: str) -> Callable[[CalibrationFacts], float | None]:
    return lambda facts: facts.bad_groups.get(kind)


_LAG, _DUPLEX = "a set of kind step_off", "a set of kind duplex_wire"
SPECS = (
    Spec(
        "offset.level_gv",
        _figure("dark_level_gv"),
        "GV",
        change_limit="offset_change",
        worse="both",
    ),
    Spec("offset.drift", dark_drift, "σ", limit="offset_drift", needs="two or more darks"),
    Spec(
        "noise.read_gv",
        _figure("dark_std_gv"),
        "GV",
        change_limit="read_noise_change",
        needs="two or more darks",
    ),
    Spec(
        "signal.sensitivity",
        sensitivity,
        "GV/(mA·s)",
        change_limit="sensitivity_change",
        worse="both",
        needs="flats of several doses",
        same_beam=True,
    ),
    Spec(
        "snr.at_dose",
        snr_at_dose,
        change_limit="snr_change",
        worse="down",
        needs="flats of several doses",
        same_beam=True,
    ),
    Spec("snr.snr_n", _figure("snr_n"), limit="snr_n", worse="down", needs=_DUPLEX),
    Spec("uniformity.spread", _figure("uniformity"), limit="uniformity"),
    Spec(
        "uniformity.flat_shape",
        flat_shape,
        limit="flat_shape",
        needs="a calibration made anew",
    ),
    Spec(
        "linearity.deviation",
        linearity_deviation,
        limit="linearity",
        needs="flats of three or more doses from one distance",
    ),
    Spec(
        "lag.first_frame",
        _figure("lag_first_frame"),
        limit="lag_first_frame",
        change_limit="lag_change",
        needs=_LAG,
    ),
    Spec("lag.second_frame", _figure("lag_second_frame"), needs=_LAG),
    Spec(
        "sharpness.sr_b_mm",
        _figure("sr_b_mm"),
        "mm",
        limit="sr_b_mm",
        change_limit="sr_b_change",
        needs=_DUPLEX,
    ),
    Spec(
        "contrast.sensitivity",
        _figure("contrast_sensitivity"),
        change_limit="contrast_sensitivity_change",
        needs="a set of kind step_wedge",
        same_beam=True,
    ),
    Spec("pixels.bad_fraction", _figure("bad_fraction"), limit="bad_fraction"),
    Spec(
        "pixels.relevant_clusters",
        _groups("relevant_cluster"),
        limit="relevant_clusters",
        needs="a calibration made anew",
    ),
)
