"""A drawing by matplotlib as SVG text that stands inside a page, with the page's look."""

from __future__ import annotations

import io
import re
import threading
from collections.abc import Callable
from typing import Any

INK, QUIET, RULE = "#23282d", "#8a8f94", "#dcd8cf"
BLUE, VERMILION = "#0072b2", "#d55e00"  # told apart by colour-blind readers too

# matplotlib's settings belong to the whole process: one drawing at a time sees ours.
SETTINGS_LOCK = threading.Lock()
SETTINGS = {
    "svg.fonttype": "none",
    "svg.hashsalt": "girthstrip",
    "font.size": 9,
    "axes.unicode_minus": True,
    "path.simplify": True,
    # Axes in the page's colours: two thin spines, short ticks, no background. Told beforehand,
    # as every tick that is changed afterwards takes longer than to make it.
    "axes.facecolor": "none",
    "axes.edgecolor": QUIET,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    **{f"{axis}tick.{part}": INK for axis in "xy" for part in ("color", "labelcolor")},
    **{f"{axis}tick.{kind}.size": 3 for axis in "xy" for kind in ("major", "minor")},
    **{f"{axis}tick.{kind}.width": 0.7 for axis in "xy" for kind in ("major", "minor")},
    "grid.color": RULE,
    "grid.linewidth": 0.6,
}


def svg_drawing(name: str, size_in: tuple[float, float], draw: Callable[[Any], None]) -> str:
    """What ``draw`` makes of a figure of this size, as an ``<svg>`` element.

    Without namespaces, metadata or a clock. Ids are made the drawing's own by ``name``, as several
    drawings stand in one page.
    """
    import matplotlib  # noqa: PLC0415  heavy: only a report needs it
    from matplotlib.backends.backend_svg import FigureCanvasSVG  # noqa: PLC0415
    from matplotlib.figure import Figure  # noqa: PLC0415

    text = io.StringIO()
    with SETTINGS_LOCK, matplotlib.rc_context(SETTINGS):
        figure = Figure(figsize=size_in)
        FigureCanvasSVG(figure)
        figure.patch.set_visible(False)
        draw(figure)
        figure.savefig(text, format="svg", metadata={"Date": None, "Creator": None})
    svg = text.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<style.*?</style>", "", svg, flags=re.DOTALL)  # it would rule the whole page
    svg = svg.replace("xlink:href", "href")
    svg = re.sub(r'\sxmlns(:\w+)?="[^"]*"', "", svg)
    svg = re.sub(r'(\bid="|url\(#|href="#)', rf"\g<1>{name}-", svg)
    # The drawing takes the page's width and the page's typeface.
    svg = re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", svg, count=1)
    svg = re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", svg, count=1)
    svg = re.sub(r"(font(?:-family)?: *(?:[\d.]+px )?)'DejaVu Sans'[^;\"]*", r"\1sans-serif", svg)
    return svg.strip()
