"""Image quality of the invented weld in ``weld.py``, as its log tells it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.quality.gauges.duplex_iqi import DuplexReading, PairReading
from pipeline.quality.gauges.iqi_plans import IqiPlan
from pipeline.quality.gauges.iqis import IqiRead
from pipeline.quality.gauges.wire_iqi import Wire, WireReading
from pipeline.quality.image.gauge_figures import gauge_series
from pipeline.quality.log import QualityLog, QualityMeasure, Series
from tests.outputs.weld import make_log

BASIS = "a standard, table 1 (from memory; compare)"
WIRES_S_MM, PAIRS_S_MM = 60.0, 120.0


def measure(value: float | None, **others: object) -> QualityMeasure:
    """An SR_b of at most 0.1 mm, ± 0.002 mm; its margin follows."""
    told = {"id": "sharpness.sr_b_mm", "unit": "mm", "sigma": 0.002, "required": 0.1,
            "bound": "most", "basis": BASIS,
            "margin": None if value is None else 0.1 - value}  # fmt: skip
    return QualityMeasure(value=value, **(told | others))


def wire_gauge(s_mm: float = WIRES_S_MM) -> IqiRead:
    """Three wires, 4 mm apart: W10 and W11 are seen, W12 isn't."""
    at = s_mm + np.arange(-10, 10, 0.5)
    wires = tuple(
        Wire(10 + k, 0.4 - 0.1 * k, s_mm + 4 * (k - 1), 0.04 - 0.015 * k, 0.004, 2.0 - 0.7 * k,
             k < 2)
        for k in range(3)
    )  # fmt: skip
    profile = 0.04 * np.exp(-((at - wires[0].at_mm) ** 2))
    reading = WireReading(11, "", wires=wires, at_mm=at, profile=profile)
    return IqiRead(IqiPlan("wire", s_mm, 0.0), "", (0, 1), (0, 1), s_mm, 0.0, wire=reading)


def duplex_gauge(s_mm: float = PAIRS_S_MM) -> IqiRead:
    """Three pairs, 5 mm apart, whose dips are 90 %, 15 % and not seen."""
    pairs = tuple(
        PairReading(f"{k + 1}D", 0.8, 5.0 + 5 * k, dip) for k, dip in enumerate((90.0, 15.0, None))
    )
    at = np.arange(0, 20, 0.25)
    reading = DuplexReading(
        0.12, "", first_unresolved="2D", pairs=pairs, at_mm=at, profile=np.full(80, 9_000.0)
    )
    return IqiRead(IqiPlan("duplex", s_mm, -4.0), "", (0, 1), (0, 1), s_mm, -4.0, duplex=reading)


def gauge_log(*gauges: IqiRead) -> QualityLog:
    """The weld's log with these gauges' series, and a measure for each."""
    measures = tuple(
        measure(0.3, id="iqi.wire_mm", name="W11", sigma=None, s_mm=one.s_mm, z_mm=one.z_mm,
                required=0.4, margin=0.1)
        if one.plan.kind == "wire"
        else measure(0.12, name="D2", s_mm=one.s_mm, z_mm=one.z_mm)
        for one in gauges
    )  # fmt: skip
    return replace(make_log(), measures=measures, series=tuple(gauge_series(gauges)))


def along(series_id: str, *values: float | None) -> Series:
    """A series with a value every 50 mm, each ± 2."""
    places = tuple(50.0 * k for k in range(len(values)))
    return Series(series_id, "", places, values, (2.0,) * len(values))
