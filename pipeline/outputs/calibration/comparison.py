"""Two calibrations compared, for people and programs: a sentence or two, a record, a picture."""

from __future__ import annotations

import io
import textwrap
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.compare import Change, Comparison
from pipeline.calibration.product import CalibrationSet
from pipeline.model import FlagImage, FloatImage, PixelClass
from pipeline.outputs.calibration.panel_pictures import (
    COME_COLOUR,
    GONE_COLOUR,
    KEPT_COLOUR,
    NOISE_REACH,
    block_means,
)
from pipeline.outputs.drawing.svg import BLUE, INK, QUIET, RULE, SETTINGS, SETTINGS_LOCK
from pipeline.outputs.drawing.words import number

SCHEMA = "girthstrip.comparison/1"
LISTED_PIXELS = 1000
"""So many pixels come or gone are listed by place; the counts are of all."""
_DPI = 110
_HEAD_WIDTH, _HEAD_LINES = 165, 4
_CAPTION_WIDTH = 54
"""Characters of a line: of the widest that a font of that size has on average, as wide as the
picture or a map."""


def summary(found: Comparison) -> str:
    """What the change would do to strips, in sentences."""
    strip = found.strip
    seen = strip.pixel_rms / strip.frame_noise if strip.frame_noise else 0.0
    text = (
        f"At {number(strip.signal_gv, 0)} GV, gray values would differ by "
        f"{number(100 * strip.pixel_rms)} % rms from pixel to pixel, {number(seen, 2)} times the "
        f"noise of one frame; by {number(100 * strip.shading)} % across the panel; and by up to "
        f"{number(100 * strip.seam_step)} % where frames that overlap by half meet. These hold "
        f"both changes, the dark's at that signal and the gain's; the gain alone changed by "
        f"{number(100 * found.gain.pixel_rms)} % rms and {number(100 * found.gain.shading)} %."
    )
    come, gone = found.pixels.come, found.pixels.gone
    turned = "1 pixel" if come == 1 else f"{come} pixels"
    text += f" {turned} turned bad and {gone} are good again."
    if strip.filled_before or strip.filled_after:
        text += (
            f" At that overlap {number(100 * strip.filled_after)} % of a strip would be filled in "
            f"from neighbours, before {number(100 * strip.filled_before)} %."
        )
    return text


def comparison_record(
    first: CalibrationSet, second: CalibrationSet, found: Comparison
) -> dict[str, Any]:
    """The comparison for programs: finite numbers and plain types only."""
    strip = found.strip
    return {
        "schema": SCHEMA,
        "first": _named(first),
        "second": _named(second),
        "remarks": list(found.remarks),
        "summary": summary(found),
        "dark_gv": _change_record(found.dark),
        "gain": _change_record(found.gain),
        "bad_pixels": {
            "before": int(np.count_nonzero(first.classes)),
            "after": int(np.count_nonzero(second.classes)),
            "come": found.pixels.come,
            "gone": found.pixels.gone,
            "come_by_class": dict(found.pixels.come_by_class),
            "gone_by_class": dict(found.pixels.gone_by_class),
            "come_at": _places(found.pixels.come_map, second.classes),
            "gone_at": _places(found.pixels.gone_map, first.classes),
        },
        "strips": {
            "signal_gv": strip.signal_gv,
            "pixel_rms": strip.pixel_rms,
            "frame_noise": strip.frame_noise,
            "shading": strip.shading,
            "seam_step": strip.seam_step,
            "filled_fraction_before": strip.filled_before,
            "filled_fraction_after": strip.filled_after,
        },
    }


def comparison_picture(first: CalibrationSet, second: CalibrationSet, found: Comparison) -> bytes:
    """The comparison as one PNG: the three maps, the column profile, what changed by class."""
    import matplotlib  # noqa: PLC0415  heavy: only a picture needs it
    from matplotlib.backends.backend_agg import FigureCanvasAgg  # noqa: PLC0415
    from matplotlib.figure import Figure  # noqa: PLC0415

    out = io.BytesIO()
    with SETTINGS_LOCK, matplotlib.rc_context(SETTINGS):
        figure = Figure(figsize=(13.0, 8.6), dpi=_DPI, facecolor="#fffefb")
        FigureCanvasAgg(figure)
        _head(figure, first, second, found)
        grid = {"bottom": 0.415, "height": 0.34, "width": 0.285}
        _pixel_map(_map_axes(figure, 0, grid), first, second, found)
        gain = 100 * _blocks(found.gain_change, found.both_good)
        _signed_map(
            figure,
            _map_axes(figure, 1, grid),
            gain,
            f"Change of the gain / %: {number(100 * found.gain.shading)} % shading, "
            f"{number(100 * found.gain.pixel_rms)} % rms pixel by pixel"
            + _noise_text(found.gain, 100, " %"),
            100 * (found.gain.expected or 0.0),
        )
        dark = _blocks(found.dark_change - np.float32(found.dark.median), found.both_good)
        _signed_map(
            figure,
            _map_axes(figure, 2, grid),
            dark,
            f"Change of the dark / GV: median {number(found.dark.median, 1, sign=True)} GV, "
            f"taken off; {number(found.dark.pixel_rms)} GV rms pixel by pixel"
            + _noise_text(found.dark, 1, " GV"),
            found.dark.expected or 0.0,
        )
        _profile(figure.add_axes((0.055, 0.07, 0.52, 0.22)), found)
        _classes(figure.add_axes((0.715, 0.07, 0.265, 0.22)), found)
        figure.savefig(out, format="png", metadata={"Software": None})
    return out.getvalue()


def _named(calibration: CalibrationSet) -> Mapping[str, Any]:
    facts = calibration.facts
    return {
        "identity": calibration.identity,
        "serial": facts.serial,
        "gain_mode": facts.gain_mode,
        "valid_from": facts.valid_from,
    }


def _change_record(change: Change) -> dict[str, float | None]:
    return {
        "median": change.median,
        "rms": change.rms,
        "shading": change.shading,
        "pixel_rms": change.pixel_rms,
        "expected_noise": change.expected,
    }


def _places(mask: NDArray[np.bool_], classes: FlagImage) -> list[dict[str, Any]]:
    rows, columns = np.nonzero(mask)
    return [
        {"row": int(row), "column": int(column), "classes": _class_names(int(classes[row, column]))}
        for row, column in zip(rows[:LISTED_PIXELS], columns[:LISTED_PIXELS], strict=True)
    ]


def _class_names(bits: int) -> list[str]:
    return [str(kind.name).lower() for kind in PixelClass if bits & kind]


def _noise_text(change: Change, factor: float, unit: str) -> str:
    if change.expected is None:
        return ""
    return f" ({number(factor * change.expected)}{unit} is noise)"


def _head(figure: Any, first: CalibrationSet, second: CalibrationSet, found: Comparison) -> None:
    figure.text(0.02, 0.965, f"Panel {second.facts.serial}: what changed", fontsize=17,
                fontfamily="serif", weight="bold", color=INK, va="top")  # fmt: skip
    names = [f"{one.identity[:12]}{f' of {one.facts.valid_from}' if one.facts.valid_from else ''}"
             for one in (first, second)]  # fmt: skip
    figure.text(0.98, 0.962, f"from {names[0]}   to {names[1]}", fontsize=9.5, color=QUIET,
                va="top", ha="right")  # fmt: skip
    text = " ".join((summary(found), *found.remarks))
    figure.text(0.02, 0.915, _wrapped(text, _HEAD_WIDTH, _HEAD_LINES), fontsize=9.5, color=INK,
                va="top", linespacing=1.5)  # fmt: skip


def _wrapped(text: str, width: int, most: int) -> str:
    """In lines of at most ``width`` characters; what takes more than ``most`` is in the record."""
    lines = textwrap.wrap(text, width)
    if len(lines) > most:
        more = " … (more in comparison.json)"
        lines = [*lines[: most - 1], lines[most - 1][: width - len(more)] + more]
    return "\n".join(lines)


def _map_axes(figure: Any, place: int, grid: Mapping[str, float]) -> Any:
    axes = figure.add_axes((0.02 + place * 0.3315, grid["bottom"], grid["width"], grid["height"]))
    axes.set_xticks([])
    axes.set_yticks([])
    axes.spines[:].set(color=RULE, linewidth=0.8)
    return axes


def _title(axes: Any, text: str) -> None:
    axes.set_title(text, fontsize=9.5, color=INK, loc="left", pad=6, wrap=False)


def _pixel_map(axes: Any, first: CalibrationSet, second: CalibrationSet, found: Comparison) -> None:
    rows, columns = first.classes.shape
    kept = (first.classes != 0) & (second.classes != 0)
    for mask, colour, size, label in (
        (kept, KEPT_COLOUR, 2.0, f"{np.count_nonzero(kept)} as before"),
        (found.pixels.gone_map, GONE_COLOUR, 5.0, f"{found.pixels.gone} good again"),
        (found.pixels.come_map, COME_COLOUR, 5.0, f"{found.pixels.come} new"),
    ):
        y, x = np.nonzero(mask)
        axes.scatter(x, y, s=size, color=colour, lw=0, label=label, rasterized=True)
    axes.set_xlim(-0.5, columns - 0.5)
    axes.set_ylim(rows - 0.5, -0.5)
    axes.set_aspect("equal", anchor="NW")
    _title(axes, "Bad pixels")
    axes.legend(loc="upper left", bbox_to_anchor=(0.0, -0.01), ncols=3, frameon=False,
                fontsize=9, handletextpad=0.1, columnspacing=1.2, markerscale=2.5,
                borderaxespad=0.1)  # fmt: skip


def _signed_map(
    figure: Any, axes: Any, values: NDArray[np.float64], title: str, noise: float
) -> None:
    """A map whose scale reaches at least to three times the ``noise`` of a pixel."""
    from matplotlib.colors import LinearSegmentedColormap  # noqa: PLC0415 - heavy

    ends = [GONE_COLOUR, "#fffefb", COME_COLOUR]
    colours = LinearSegmentedColormap.from_list("change", ends).with_extremes(bad=KEPT_COLOUR)
    known = np.abs(values[np.isfinite(values)])
    reach = max(float(np.percentile(known, 99.5)) if known.size else 0.0, NOISE_REACH * noise, 1e-9)
    shown = axes.imshow(np.ma.masked_invalid(values), cmap=colours, vmin=-reach, vmax=reach,
                        interpolation="nearest")  # fmt: skip
    axes.set_aspect("equal", anchor="NW")
    head, _, rest = title.partition(": ")
    _title(axes, head)
    bar = axes.inset_axes((0.0, -0.055, 1.0, 0.026))
    # Below the numbers of the bar, in points, however high the panel is shown.
    bar.annotate(_wrapped(rest, _CAPTION_WIDTH, 3), (0, 0), (0, -17), xycoords="axes fraction",
                 textcoords="offset points", fontsize=8.5, color=INK, va="top",
                 linespacing=1.35)  # fmt: skip
    scale = figure.colorbar(shown, cax=bar, orientation="horizontal")
    scale.outline.set(edgecolor=RULE, linewidth=0.6)
    scale.ax.tick_params(labelsize=8.5, colors=INK, length=2, width=0.6)
    scale.ax.locator_params(nbins=5)


def _profile(axes: Any, found: Comparison) -> None:
    profile = 100 * (found.column_profile - np.median(found.column_profile))
    reach = max(0.2, 1.15 * float(np.percentile(np.abs(profile), 99.5)))
    axes.axhline(0, color=QUIET, lw=0.8)
    axes.plot(profile, color=BLUE, lw=0.9)
    axes.set_xlim(0, len(profile) - 1)
    axes.set_ylim(-reach, reach)
    axes.set_xlabel("panel column", color=INK)
    axes.set_ylabel("change / %", color=INK)
    _title(axes, "Gray values of frames, column by column (middle half of the rows)")


def _classes(axes: Any, found: Comparison) -> None:
    names = [str(kind.name).lower() for kind in PixelClass]
    come = np.array([found.pixels.come_by_class[name] for name in names])
    gone = np.array([found.pixels.gone_by_class[name] for name in names])
    at = np.arange(len(names))
    axes.barh(at, come, height=0.62, color=COME_COLOUR)
    axes.barh(at, -gone, height=0.62, color=GONE_COLOUR)
    reach = max(int(come.max()), int(gone.max()), 1)
    for place in at:
        if come[place]:
            axes.text(come[place] + 0.03 * reach, place, f"+{come[place]}", va="center",
                      fontsize=8.5, color=INK)  # fmt: skip
        if gone[place]:
            axes.text(-gone[place] - 0.03 * reach, place, f"−{gone[place]}", va="center",
                      ha="right", fontsize=8.5, color=INK)  # fmt: skip
    axes.axvline(0, color=QUIET, lw=0.8)
    axes.set_xlim(-1.35 * reach, 1.35 * reach)
    axes.set_ylim(len(names) - 0.4, -0.6)
    axes.set_yticks(at, [name.replace("_", " ") for name in names])
    axes.tick_params(axis="y", length=0)
    axes.set_xticks([])
    axes.spines[["left", "bottom"]].set_visible(False)
    _title(axes, "By class (a pixel may be in several)")


def _blocks(image: FloatImage, good: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Means over the good pixels of squares, not a number where a square has none: for display."""
    means, seen = block_means(image, good)
    return np.where(seen, means, np.nan)
