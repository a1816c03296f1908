"""The image quality indicators as a page shows them: a close-up of each beside its profile."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.model import FlagImage, RawImage
from pipeline.outputs.drawing.svg import BLUE, INK, QUIET, RULE, VERMILION, svg_drawing
from pipeline.outputs.drawing.words import number, unbroken
from pipeline.outputs.report.plots.along_strip import LIMIT_LINE
from pipeline.outputs.report.plots.gauge_series import Gauge, gauges_of
from pipeline.outputs.report.told.quality_rows import (
    asked_text,
    mark_of,
    place_text,
    value_with_sigma,
)
from pipeline.outputs.report.views.close_up import CloseUp, close_up
from pipeline.quality.log import QualityLog

_SIZE_IN = {"wire": (6.4, 2.5), "duplex": (6.4, 3.5)}
_DIP_PERCENT = 20.0  # ISO 19232-5 and ASTM E2002, from memory
_FLAT = {"wire": 0.5, "duplex": 0.25}  # height over width of a close-up
_TITLES = {"wire": "Wires", "duplex": "Pairs of wires"}
_WHAT_TO_SEE = {
    "wire": "The plot shows by how much less radiation came through than beside the wires, "
    "averaged along them. Each wire is a peak at its place; above it stand its number and its "
    "contrast to a single pixel’s noise. The thinnest counts that is seen with all thicker ones, "
    "by a criterion that stands for a person’s eye, which decides.",
    "duplex": "The upper plot shows the gray values across the pairs, from an arbitrary zero on, "
    "the lower one the dip between the two wires of each. The first pair from the left whose dip "
    "is below the dashed line counts as one, and between it and the one before lies the "
    "resolution. Filled marks are dips of that much or more, open ones of less.",
}
_SEEN = " Filled marks are wires that are seen, open ones those that aren’t."


@dataclass(frozen=True, slots=True)
class GaugeView:
    """An indicator: what it is, what it says, its close-up (None: the strip doesn't show it).

    ``kind`` begins the titles of all that ``what_to_see`` holds for.
    """

    kind: str
    title: str
    mark: str
    found: str
    what_to_see: str
    picture: CloseUp | None
    svg: str


def gauge_views(log: QualityLog, strip: RawImage, origin: FlagImage) -> tuple[GaugeView, ...]:
    """Every indicator that was read, in the order of the config."""
    return tuple(_view(log, one, strip, origin) for one in gauges_of(log))


def gauge_sentences(views: Sequence[GaugeView]) -> tuple[tuple[str, str], ...]:
    """The kinds of gauges there are, and what to see in their plots, each once."""
    return tuple(dict.fromkeys((view.kind, view.what_to_see) for view in views))


def _view(log: QualityLog, gauge: Gauge, strip: RawImage, origin: FlagImage) -> GaugeView:
    draw = _draw_wires if gauge.kind == "wire" else _draw_pairs
    return GaugeView(
        _TITLES[gauge.kind],
        f"{_TITLES[gauge.kind]} {place_text(log, gauge.measure).partition(' o’clock')[0]}",
        mark_of(log, gauge.measure),
        unbroken(_found(gauge)),
        _WHAT_TO_SEE[gauge.kind] + (_SEEN if gauge.seen else ""),
        _picture(log, gauge, strip, origin),
        svg_drawing(f"iqi-{gauge.number}", _SIZE_IN[gauge.kind], lambda f: draw(f, gauge)),
    )


def _found(gauge: Gauge) -> str:
    measure = gauge.measure
    what = {
        "wire": "Thinnest wire seen",
        "duplex": "Basic spatial resolution",
    }[gauge.kind]
    if measure.value is None:
        return f"{what}: none. {measure.note}"
    value = value_with_sigma(measure.value, measure.sigma, measure.unit)
    if gauge.kind == "wire":
        value = f"{measure.name}, {value}"
    elif measure.name:
        value += f", first pair that counts as one {measure.name}"
    asked = asked_text(measure)
    return f"{what}: {value}." + (f" Asked: {asked}." if asked else "")


def _picture(log: QualityLog, gauge: Gauge, strip: RawImage, origin: FlagImage) -> CloseUp | None:
    measure = gauge.measure
    if measure.s_mm is None or len(gauge.marks_at) < 2:
        return None
    across = 0.5 * float(np.ptp(gauge.marks_at)) + _beyond_mm(gauge)
    along = _FLAT[gauge.kind] * across
    half_s, half_z = (across, along) if gauge.direction == "s" else (along, across)
    return close_up(
        log,
        strip,
        origin,
        s_mm=measure.s_mm,
        z_mm=measure.z_mm or 0.0,
        half_s_mm=half_s,
        half_z_mm=half_z,
    )


def _beyond_mm(gauge: Gauge) -> float:
    """How far beyond the outermost elements is shown: one and a half of their distances."""
    return 1.5 * float(np.ptp(gauge.marks_at)) / max(1, len(gauge.marks_at) - 1)


def _axis_label(gauge: Gauge) -> str:
    if gauge.kind == "duplex":
        return "across the pairs / mm"
    return "distance from the datum / mm" if gauge.direction == "s" else "along the pipe / mm"


def _draw_wires(figure: Any, gauge: Gauge) -> None:
    axes = figure.add_axes((0.085, 0.18, 0.905, 0.7))
    percent = 100 * gauge.profile
    axes.axhline(0, color=QUIET, lw=0.8)
    axes.plot(gauge.across, percent, color=BLUE, lw=0.9)
    top = float(np.nanmax(percent))
    reach = max(top, 0.05)
    heights = np.interp(gauge.marks_at, gauge.across, percent) + 0.1 * reach
    for k, (at, height, cnr) in enumerate(zip(gauge.marks_at, heights, gauge.marks, strict=True)):
        seen = gauge.seen[k] if gauge.seen else True
        if gauge.seen:
            axes.plot(at, height, "v", ms=6, color=INK if seen else VERMILION,
                      mfc=INK if seen else "none")  # fmt: skip
        name = f"W{gauge.numbers[k]}\n" if gauge.numbers else ""
        axes.text(at, height + 0.09 * reach, f"{name}{number(float(cnr), 1)}", ha="center",
                  va="bottom", color=INK, fontsize=8, linespacing=1.05)  # fmt: skip
    axes.set_ylim(min(float(np.nanmin(percent)), 0.0) - 0.1 * reach, 1.55 * reach)
    axes.set_xlim(gauge.across[0], gauge.across[-1])
    _label(axes, gauge, "less radiation than beside the wires / %")


def _draw_pairs(figure: Any, gauge: Gauge) -> None:
    upper = figure.add_axes((0.085, 0.56, 0.905, 0.35))
    lower = figure.add_axes((0.085, 0.13, 0.905, 0.28), sharex=upper)
    upper.plot(gauge.across, gauge.profile / 1000, color=BLUE, lw=0.8)
    upper.tick_params(labelbottom=False)
    upper.text(0, 1.2, "gray value / 1000", color=INK, transform=upper.transAxes)
    lower.axhline(_DIP_PERCENT, **LIMIT_LINE)
    above = gauge.marks >= _DIP_PERCENT
    known = np.isfinite(gauge.marks)
    lower.vlines(gauge.marks_at, 0, np.nan_to_num(gauge.marks), color=BLUE, lw=1.4)
    for chosen, color, fill in ((above, BLUE, BLUE), (known & ~above, VERMILION, "none")):
        lower.plot(gauge.marks_at[chosen], gauge.marks[chosen], "o", ms=5, color=color, mfc=fill)
    top = max(100.0, float(np.nanmax(gauge.marks, initial=0.0)))
    lower.set_ylim(-0.08 * top, 1.12 * top)
    for k, at in enumerate(gauge.marks_at, start=1):
        upper.annotate(f"D{k}", (at, 1.0), xycoords=("data", "axes fraction"), ha="center",
                       va="bottom", fontsize=7.5, color=INK)  # fmt: skip
    if gauge.marks_at.size:  # else the profile is shown by which no pair could be told
        beyond = _beyond_mm(gauge)
        upper.set_xlim(gauge.marks_at[0] - beyond, gauge.marks_at[-1] + beyond)
    _label(lower, gauge, "dip / %; dashed: 20 %")


def _label(axes: Any, gauge: Gauge, what: str) -> None:
    axes.set_xlabel(_axis_label(gauge), color=INK, labelpad=3)
    axes.text(0, 1.05, what, color=INK, transform=axes.transAxes)
    axes.ticklabel_format(useOffset=False)
    axes.grid(axis="x", color=RULE, lw=0.6)
