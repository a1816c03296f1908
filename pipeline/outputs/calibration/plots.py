"""Plots of one calibration, as SVG text that stands inside its page."""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.calibration.compare import Comparison
from pipeline.calibration.product import CalibrationFacts, NoiseModel
from pipeline.model import FloatArray, PixelClass
from pipeline.outputs.calibration.panel_pictures import CLASS_COLOURS
from pipeline.outputs.drawing.plot import Plot
from pipeline.outputs.drawing.svg import BLUE, INK, QUIET, RULE, VERMILION, svg_drawing
from pipeline.outputs.drawing.words import number

_SIZE_IN = (9.0, 2.6)
_AXES = (0.085, 0.2, 0.905, 0.76)
_LEGEND: dict[str, Any] = {"frameon": False, "fontsize": 8.5, "borderaxespad": 0.2}


def draw_calibration_plots(
    facts: CalibrationFacts, first: CalibrationFacts | None, since_first: Comparison | None
) -> tuple[Plot, ...]:
    """All plots that the facts have something for, in reading order."""
    plots = [_classes(facts, first), _snr(facts, first)]
    if len(_levels(facts, "dose", "gv", "off_line")) > 1:
        plots.append(_linearity(facts))
    if facts.lag_fractions:
        plots.append(_lag(facts, first))
    if since_first is not None:
        plots.append(_profile(since_first))
    return tuple(plots)


def snr(noise: NoiseModel, signal_gv: FloatArray) -> FloatArray:
    """Signal-to-noise ratio of a pixel of one frame at signals above the dark (GV)."""
    variance = np.maximum(noise.offset + noise.slope * signal_gv, 1e-12)
    ratio: FloatArray = signal_gv / np.sqrt(variance)
    return ratio


def _classes(facts: CalibrationFacts, first: CalibrationFacts | None) -> Plot:
    kinds = list(PixelClass)
    names = [str(kind.name).lower() for kind in kinds]
    now = [facts.bad_pixels.get(name, 0) for name in names]
    before = None if first is None else [first.bad_pixels.get(name, 0) for name in names]
    top = max(*now, *(before or [0]), 1)

    def draw(figure: Any) -> None:
        axes = figure.add_axes((0.17, 0.04, 0.82, 0.92))
        at = np.arange(len(kinds))
        if before is not None:
            axes.barh(at, before, height=0.78, color="none", edgecolor=QUIET, lw=0.8)
        axes.barh(at, now, height=0.5, color=[CLASS_COLOURS[kind] for kind in kinds])
        for place, count in enumerate(now):
            end = max(count, before[place] if before else 0)
            text = f"{count}"
            if before is not None and count != before[place]:
                text += f"  ({number(count - before[place], 0, sign=True)})"
            axes.text(end + 0.012 * top, place, text, va="center", color=INK, fontsize=8.5)
        axes.set_yticks(at, [name.replace("_", " ") for name in names])
        axes.set_xlim(0, 1.15 * top)
        axes.set_ylim(len(kinds) - 0.45, -0.55)
        axes.set_xticks([])
        axes.spines["bottom"].set_visible(False)
        axes.tick_params(axis="y", length=0)

    total = facts.bad_pixels.get("total", 0)
    share = 100 * total / (facts.rows * facts.columns)
    since = "" if first is None else "; outlined: the first calibration, in brackets the difference"
    return Plot(
        "Bad pixels by class",
        "A pixel may be in several classes; bad neighbourhood is a good one with only bad ones "
        "about it. One class that grows alone tells what is failing: "
        f"noisy is leakage or radiation damage, dead is contact{since}.",
        f"{total} bad pixels, {number(share)} % of the panel.",
        svg_drawing("classes", _SIZE_IN, draw),
    )


def _snr(facts: CalibrationFacts, first: CalibrationFacts | None) -> Plot:
    noise = facts.noise
    brightest = facts.acceptance.get("flat_signal_gv", 40_000.0)
    signal: FloatArray = np.geomspace(max(brightest / 3000, 1.0), 1.4 * brightest, 120)
    onset = noise.offset / noise.slope if noise.slope > 0 else 0.0
    points = _measured_snr(facts)

    def draw(figure: Any) -> None:
        axes = figure.add_axes(_AXES)
        if noise.slope > 0:
            axes.plot(signal, np.sqrt(signal / noise.slope), color=QUIET, lw=0.8, ls=":",
                      label="quantum noise alone")  # fmt: skip
        if first is not None:
            axes.plot(signal, snr(first.noise, signal), color=VERMILION, lw=1.1, ls="--",
                      label="first calibration")  # fmt: skip
            axes.plot(*_measured_snr(first).T, "o", ms=6.5, mfc="none", color=VERMILION)
        axes.plot(signal, snr(noise, signal), color=BLUE, lw=1.5, label="this calibration")
        axes.plot(*points.T, "o", ms=4.5, color=BLUE)
        if signal[0] < onset < signal[-1]:
            axes.axvline(onset, color=INK, lw=0.8, ls=(0, (5, 3)))
            axes.annotate("quantum noise leads from here", (onset, 0.06), (4, 0),
                          xycoords=("data", "axes fraction"), textcoords="offset points",
                          fontsize=8.5, color=INK)  # fmt: skip
        axes.set_xscale("log")
        axes.set_yscale("log")
        axes.grid(which="major", color=RULE, lw=0.6)
        axes.set_xlabel("signal above the dark / GV", color=INK)
        axes.set_ylabel("SNR of one frame", color=INK)
        axes.yaxis.set_label_coords(-0.062, 0.5)
        axes.legend(loc="upper left", **_LEGEND)

    electrons = facts.acceptance.get("electrons_per_gv")
    told = (
        f"{number(electrons)} electrons a gray value"
        if electrons
        else f"noise variance grows by {number(noise.slope)} GV a gray value"
    )
    off = np.abs(points[:, 1] / snr(noise, points[:, 0]) - 1) if len(points) else None
    beside = "" if off is None else f"; points within {number(100 * float(off.max()))} % of it"
    return Plot(
        "Signal-to-noise ratio (photon transfer)",
        "How noise falls behind as the dose grows, from pairs of frames shot alike: points are the "
        "levels as measured, curves the noise model through them and the darks. A curve below "
        "the first one's at the left is read noise, at the right fewer quanta or electrons.",
        f"Read noise {number(max(noise.offset, 0.0) ** 0.5)} GV; {told}; SNR "
        f"{number(float(snr(noise, np.array([brightest]))[0]))} at {number(brightest)} GV{beside}.",
        svg_drawing("snr", _SIZE_IN, draw),
    )


def _levels(facts: CalibrationFacts, *names: str) -> FloatArray:
    """Those figures of each level of flats that has them all, dimmest first; (levels, names)."""
    figures = facts.acceptance
    numbers = range(1, int(figures.get("flat_levels", 0)) + 1)
    rows = [[figures.get(f"flat_{k}_{name}") for name in names] for k in numbers]
    told = [row for row in rows if None not in row]
    return np.array(told, dtype=np.float64).reshape(-1, len(names))


def _measured_snr(facts: CalibrationFacts) -> FloatArray:
    """Signal above the dark (GV) and SNR of each level as its pairs show it; (levels, 2)."""
    points = _levels(facts, "noise_gv", "variance_gv2")
    points = points[(points > 0).all(axis=1)]
    points[:, 1] = points[:, 0] / np.sqrt(points[:, 1])
    return points


def _linearity(facts: CalibrationFacts) -> Plot:
    dose, signal, off = _levels(facts, "dose", "gv", "off_line").T
    off = 100 * off
    reach = max(0.5, 1.3 * float(np.abs(off).max()))
    several = len(np.unique(_levels(facts, "distance_mm"))) > 1
    dose_label = "dose at the greatest distance / mA·s" if several else "dose / mA·s"

    def draw(figure: Any) -> None:
        axes = figure.add_axes(_AXES)
        axes.axhline(0, color=QUIET, lw=0.8)
        axes.plot(dose, off, "o", ms=4.5, color=BLUE)
        for place, gray, value in zip(dose, signal, off, strict=True):
            axes.annotate(f"{number(float(gray), 0)} GV", (place, value),
                          (0, 7 if value >= 0 else -14), textcoords="offset points",
                          ha="center", fontsize=8.5, color=INK)  # fmt: skip
        axes.set_ylim(-reach, reach)
        axes.margins(x=0.08)
        axes.set_xlabel(dose_label, color=INK)
        axes.set_ylabel("off the line / %", color=INK)
        axes.yaxis.set_label_coords(-0.062, 0.5)

    two = " Two levels always lie on a line: a third would tell." if len(dose) == 2 else ""
    alone = int(facts.acceptance["flat_levels"]) - len(dose)
    left = f" Not drawn: {alone} shot at a distance of its own." if alone else ""
    return Plot(
        "Linearity",
        "The panel's median signal against a straight line, among levels from the same distance: "
        "from another, the beam over the panel has another shape. A bend at the bright end is "
        "saturation, at the dark end an offset that isn't the flats' own." + two + left,
        f"Largest {number(float(np.abs(off).max()))} % of the signal.",
        svg_drawing("linearity", _SIZE_IN, draw),
    )


def _lag(facts: CalibrationFacts, first: CalibrationFacts | None) -> Plot:
    now = [100 * value for value in facts.lag_fractions]
    before = [] if first is None else [100 * value for value in first.lag_fractions]
    count = max(len(now), len(before))

    def draw(figure: Any) -> None:
        axes = figure.add_axes(_AXES)
        width = 0.32 if before else 0.5
        shift = width / 2 if before else 0.0
        at = np.arange(1, len(now) + 1) - shift
        axes.bar(at, now, width, color=BLUE, label="this calibration")
        for place, value in zip(at, now, strict=True):
            axes.annotate(f"{number(value)} %", (place, value), (0, 2), ha="center",
                          textcoords="offset points", fontsize=8.5, color=INK)  # fmt: skip
        if before:
            axes.bar(np.arange(1, len(before) + 1) + shift, before, width, color="none",
                     edgecolor=QUIET, lw=0.9, label="first calibration")  # fmt: skip
            axes.legend(loc="upper right", **_LEGEND)
        axes.set_xticks(range(1, count + 1), [f"frame {k}" for k in range(1, count + 1)])
        axes.set_xlim(0.4, max(count, 2) + 0.6)
        axes.set_ylim(0, 1.25 * max(*now, *(before or [0.0]), 0.1))
        axes.set_xlabel("after the beam went off", color=INK)
        axes.set_ylabel("left of the signal / %", color=INK)
        axes.yaxis.set_label_coords(-0.062, 0.5)

    return Plot(
        "Lag",
        "What later frames still show of an earlier one. It ghosts the place before into the "
        "place after, more so the faster the scan.",
        f"Of one frame the next shows {number(now[0])} %" + _after_long(facts) + _regions(facts),
        svg_drawing("lag", _SIZE_IN, draw),
    )


def _after_long(facts: CalibrationFacts) -> str:
    first = facts.acceptance.get("lag_first_frame")
    if first is None:
        return "."
    return f"; after many alike, the first without radiation {number(100 * first)} %."


def _regions(facts: CalibrationFacts) -> str:
    values = [value for row in facts.lag_regions for value in row]
    if not values:
        return ""
    low, high = number(100 * min(values)), number(100 * max(values))
    told = f" In parts of the panel that is {low} to {high} %"
    if facts.lag_shares:
        return f"{told}: more apart than they are uncertain, so each place is corrected by its own."
    return f"{told}; all of it is corrected by the panel’s."


def _profile(since_first: Comparison) -> Plot:
    profile = 100 * since_first.column_profile
    middle = float(np.median(profile))
    reach = max(0.2, 1.1 * float(np.percentile(np.abs(profile - middle), 99.5)))

    def draw(figure: Any) -> None:
        axes = figure.add_axes(_AXES)
        axes.axhline(0, color=QUIET, lw=0.8)
        axes.plot(profile - middle, color=BLUE, lw=0.9)
        axes.set_xlim(0, len(profile) - 1)
        axes.set_ylim(-reach, reach)
        axes.set_xlabel("panel column", color=INK)
        axes.set_ylabel("change / %", color=INK)
        axes.yaxis.set_label_coords(-0.062, 0.5)

    strip = since_first.strip
    return Plot(
        "What it changes in frames",
        "Gray values corrected with this calibration against the same corrected with the first, "
        "column by column over the middle half of the rows. A slope or a wave comes back in the "
        "strip at every seam. Frames take both changes, the gain's and, by its part of the "
        "signal, the dark's: so these figures differ from those of the gain alone.",
        f"At {number(strip.signal_gv, 0)} GV: shading {number(100 * strip.shading)} %, gray step "
        f"at a seam up to {number(100 * strip.seam_step)} %, pixel by "
        f"pixel {number(100 * strip.pixel_rms)} % rms beside "
        f"{number(100 * strip.frame_noise)} % noise of one frame.",
        svg_drawing("profile", _SIZE_IN, draw),
    )
