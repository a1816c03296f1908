"""Plots of image quality along the strip, on the axis that all others have."""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.model import FloatArray
from pipeline.outputs.drawing.plot import Plot
from pipeline.outputs.drawing.svg import BLUE, INK, VERMILION
from pipeline.outputs.drawing.words import limit, number
from pipeline.outputs.report.plots.along_strip import LIMIT_LINE, along_strip
from pipeline.quality.log import QualityLog, Series

_SNR_N = "noise.snr_n"
_ZONES = (
    ("base", "beside the weld", BLUE, "o"),
    ("heat_affected", "heat-affected zone", VERMILION, "^"),
)
_FRAMES = f"{_SNR_N}_frame"


def quality_plots(log: QualityLog) -> list[Plot]:
    """SNR_N, the weld's centre line and its width; only those that were measured."""
    found = {one.id: one for one in log.series if any(v is not None for v in one.value)}
    plots = []
    if _SNR_N in found:
        plots.append(_snr_n(log, found))
    if "weld.centre_z_mm" in found:
        plots.append(_centre(log, found["weld.centre_z_mm"]))
    if "weld.width_mm" in found:
        plots.append(_width(log, found["weld.width_mm"]))
    return plots


def _snr_n(log: QualityLog, found: dict[str, Series]) -> Plot:
    at, value, sigma = _columns(found[_SNR_N])
    zones = [
        (name, color, marker, columns)
        for zone, name, color, marker in _ZONES
        if (columns := _zone(found, zone)) is not None
    ]
    asked = next(
        (one.required for one in log.measures if one.id == _SNR_N and one.required is not None),
        None,
    )

    def draw(axes: Any) -> None:
        for name, color, marker, (s, v) in zones:
            axes.plot(s, v, marker, ms=3, color=color, alpha=0.55, mew=0, label=name)
        axes.errorbar(at, value, yerr=sigma, fmt="s-", ms=3.6, lw=1.1, color=INK, label="stretches")
        if _FRAMES in found:
            s, v, _ = _columns(found[_FRAMES])
            axes.plot(s, v, "D", ms=4, mfc="none", color=INK, mew=0.9, label="one frame alone")
        if asked is not None:
            axes.axhline(asked, **LIMIT_LINE)
        axes.margins(y=0.15)
        _legend(axes)

    least = int(np.nanargmin(value))
    return Plot(
        "Normalised signal-to-noise ratio",
        "Small marks are single windows on both sides of the weld, which scatter by chance; the "
        "squares, their stretches taken together, are what is judged. A dip is less dose or fewer "
        "frames; where a zone lies apart from the other, its metal is thicker.",
        f"Least {number(value[least], 0)} ± {number(sigma[least], 1)} at {number(at[least], 0)} mm."
        + ("" if asked is None else f" Asked: at least {limit(asked)}, dashed."),
        along_strip("snr_n", log, "SNR_N", draw),
    )


def _zone(found: dict[str, Series], zone: str) -> tuple[FloatArray, FloatArray] | None:
    """Places and values of a zone's windows, both sides of the weld together."""
    sides = [found[key] for key in (f"{_SNR_N}.{zone}.low_z", f"{_SNR_N}.{zone}.high_z")
             if key in found]  # fmt: skip
    if not sides:
        return None
    columns = [_columns(one) for one in sides]
    return np.concatenate([c[0] for c in columns]), np.concatenate([c[1] for c in columns])


def _centre(log: QualityLog, centre: Series) -> Plot:
    at, value, sigma = _columns(centre)
    low, high = int(np.nanargmin(value)), int(np.nanargmax(value))
    return Plot(
        "Centre line of the weld",
        "Where the middle of the cap lies along the pipe, ± one σ. A slow wave is a band that sits "
        "askew or a seam that was not cut square; short jumps are the cap’s own shape.",
        f"From {number(value[low], 2, sign=True)} mm at {number(at[low], 0)} mm to "
        f"{number(value[high], 2, sign=True)} mm at {number(at[high], 0)} mm; " + _untold(value),
        along_strip("weld-centre", log, "centre line, z / mm", _band(at, value, sigma)),
    )


def _width(log: QualityLog, width: Series) -> Plot:
    at, value, sigma = _columns(width)
    low, high = int(np.nanargmin(value)), int(np.nanargmax(value))
    return Plot(
        "Width of the weld",
        "From toe to toe of the cap, ± one σ. A long change is the welder’s; a single step may "
        "be where one pass ends and another begins.",
        f"From {number(value[low], 1)} mm at {number(at[low], 0)} mm to "
        f"{number(value[high], 1)} mm at {number(at[high], 0)} mm, median "
        f"{number(float(np.nanmedian(value)), 1)} mm; " + _untold(value),
        along_strip("weld-width", log, "width of the cap / mm", _band(at, value, sigma)),
    )


def _untold(value: FloatArray) -> str:
    lost = int(np.count_nonzero(np.isnan(value)))
    return f"not told at {lost} of {len(value)} places." if lost else "told all along."


def _band(at: FloatArray, value: FloatArray, sigma: FloatArray) -> Any:
    def draw(axes: Any) -> None:
        axes.fill_between(at, value - sigma, value + sigma, color=BLUE, alpha=0.22, lw=0)
        axes.plot(at, value, color=BLUE, lw=1, marker=".", ms=2.5)
        axes.margins(y=0.15)

    return draw


def _columns(series: Series) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Places, values and standard deviations, NaN where they aren't known."""
    at = np.array(series.s_mm, dtype=np.float64)
    value = np.array(series.value, dtype=np.float64)  # None becomes NaN
    sigma = np.array(series.sigma, dtype=np.float64) if series.sigma else np.zeros(len(at))
    return at, value, np.nan_to_num(sigma)


def _legend(axes: Any) -> None:
    axes.legend(
        loc="lower right", bbox_to_anchor=(1.0, 1.0), ncol=4, frameon=False, fontsize=8,
        handletextpad=0.2, columnspacing=1.2, borderaxespad=0.1,
    )  # fmt: skip
