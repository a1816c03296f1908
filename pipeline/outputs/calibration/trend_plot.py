"""How a panel's figures ran over all its calibrations, as one drawing of small plots."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from pipeline.calibration.decisions import Entry, Status
from pipeline.calibration.product import CalibrationFacts
from pipeline.outputs.drawing.plot import Plot
from pipeline.outputs.drawing.svg import BLUE, INK, QUIET, VERMILION, svg_drawing
from pipeline.quality.acceptance_limits import AcceptanceLimits
from pipeline.quality.panel_figures import sensitivity, snr_at_dose

_COLUMNS = 3
_ROW_IN, _WIDTH_IN = 1.55, 9.0
_BAND = "#e4efe9"  # the page's colour of a pass, faint


@dataclass(frozen=True, slots=True)
class _Small:
    """One small plot: its title, the value, and where it is still good, given the first value."""

    title: str
    value: Callable[[CalibrationFacts], float | None]
    band: Callable[[AcceptanceLimits, float], tuple[float | None, float | None]]
    factor: float = 1.0


def _of(name: str) -> Callable[[CalibrationFacts], float | None]:
    return lambda facts: facts.acceptance.get(name)


_SMALL = (
    _Small(
        "dark level / GV",
        _of("dark_level_gv"),
        lambda limits, first: (
            first * (1 - limits.offset_change),
            first * (1 + limits.offset_change),
        ),
    ),
    _Small(
        "read noise / GV",
        _of("dark_std_gv"),
        lambda limits, first: (None, first * (1 + limits.read_noise_change)),
    ),
    _Small(
        "GV for 1 mA·s at 1 m",
        sensitivity,
        lambda limits, first: (
            first * (1 - limits.sensitivity_change),
            first * (1 + limits.sensitivity_change),
        ),
    ),
    _Small(
        "SNR for 1 mA·s at 1 m",
        snr_at_dose,
        lambda limits, first: (first * (1 - limits.snr_change), None),
    ),
    _Small("uniformity / %", _of("uniformity"), lambda limits, _: (None, limits.uniformity), 100),
    _Small("bad pixels / %", _of("bad_fraction"), lambda limits, _: (None, limits.bad_fraction),
           100),
    _Small("lag, first frame / %", _of("lag_first_frame"),
           lambda limits, _: (None, limits.lag_first_frame), 100),
    _Small(
        "SR_b / mm",
        _of("sr_b_mm"),
        lambda limits, first: (None, first * (1 + limits.sr_b_change)),
    ),
    _Small(
        "contrast sensitivity / %",
        _of("contrast_sensitivity"),
        lambda limits, first: (None, first * (1 + limits.contrast_sensitivity_change)),
        100,
    ),
)  # fmt: skip


def draw_trend(
    history: Sequence[Entry], this: str, first: str, limits: AcceptanceLimits
) -> Plot | None:
    """The figures of all calibrations in ``history`` (in the order made) that have a date.

    ``this`` and ``first`` are identities; the shaded band is where a figure passes, counted from
    the first. None where fewer than two calibrations have a date.
    """
    dated = [(entry, entry.made) for entry in history if entry.made is not None]
    if len(dated) < 2:
        return None
    shown = [small for small in _SMALL if any(small.value(e.facts) is not None for e, _ in dated)]
    rows = -(-len(shown) // _COLUMNS)
    height_in = rows * _ROW_IN

    def draw(figure: Any) -> None:
        for k, small in enumerate(shown):
            row, column = divmod(k, _COLUMNS)
            left = 0.055 + column / _COLUMNS
            bottom = 1 - ((row + 1) * _ROW_IN - 0.3) / height_in
            axes = figure.add_axes(
                (left, bottom, 1 / _COLUMNS - 0.075, (_ROW_IN - 0.6) / height_in)
            )
            _draw_small(axes, small, dated, this, first, limits)

    withdrawn = sum(entry.status is Status.WITHDRAWN for entry, _ in dated)
    found = f"{len(dated)} calibrations from {dated[0][1]:%Y-%m-%d} to {dated[-1][1]:%Y-%m-%d}"
    return Plot(
        "Over all calibrations of the panel",
        "Shaded: where a figure passes, counted from the panel's first calibration. Ringed: this "
        "calibration. Diamonds: out of the band. Crosses: withdrawn. A steady drift says when the "
        "panel will leave the band; a single jump is rather the exposures than the panel.",
        found + (f", {withdrawn} of them withdrawn." if withdrawn else "."),
        svg_drawing("trend", (_WIDTH_IN, height_in), draw),
    )


def _draw_small(
    axes: Any,
    small: _Small,
    dated: Sequence[tuple[Entry, datetime]],
    this: str,
    first: str,
    limits: AcceptanceLimits,
) -> None:
    points = [
        (entry, made, small.factor * value)
        for entry, made in dated
        if (value := small.value(entry.facts)) is not None
    ]
    least = most = None
    baseline = next((value for entry, _, value in points if entry.identity == first), None)
    values = [value for *_, value in points]
    low, high = min(values), max(values)
    if baseline is not None:
        bounds = small.band(limits, baseline / small.factor)
        least, most = (None if b is None else small.factor * b for b in bounds)
        low = min(low, low if least is None else least)
        high = max(high, high if most is None else most)
        margin = 0.12 * (high - low or abs(high) or 1.0)
        axes.axhspan(
            low - margin if least is None else least,
            high + margin if most is None else most,
            color=_BAND,
            lw=0,
        )
    margin = 0.12 * (high - low or abs(high) or 1.0)
    good = [point for point in points if point[0].status is not Status.WITHDRAWN]
    axes.plot([made for _, made, _ in good], [v for *_, v in good], color=BLUE, lw=0.7, alpha=0.6)
    for entry, made, value in points:
        gone = entry.status is Status.WITHDRAWN
        out = (least is not None and value < least) or (most is not None and value > most)
        axes.plot(made, value, "x" if gone else "D" if out else "o", ms=5 if gone or out else 3.4,
                  color=VERMILION if out else QUIET if gone else BLUE)  # fmt: skip
        if entry.identity == this:
            axes.plot(made, value, "o", ms=9, mfc="none", mec=INK, mew=1.1)
    axes.set_ylim(low - margin, high + margin)
    axes.margins(x=0.08)
    axes.set_title(small.title, fontsize=9, color=INK, loc="left", pad=4)
    # Of several on one day the first is labelled, and they stand in their order.
    days = {made.date(): made for _, made in (dated[-1], dated[0])}
    axes.set_xticks(list(days.values()), [f"{day:%Y-%m-%d}" for day in days])
    axes.tick_params(labelsize=8)
    axes.locator_params(axis="y", nbins=3)
    axes.spines["left"].set_color(QUIET)
