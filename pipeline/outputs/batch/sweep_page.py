"""Settings side by side, quality and speed, as a page and as a record."""

from __future__ import annotations

import platform
from collections.abc import Sequence
from typing import Any

from pipeline.outputs.batch.trial import OF_LIMIT, Trial
from pipeline.outputs.drawing.svg import BLUE, INK, VERMILION, svg_drawing
from pipeline.outputs.drawing.templates import page_template
from pipeline.outputs.drawing.words import number
from pipeline.quality.log import QualityLog

_SHOWN = (
    "registration.closure_mm",
    "registration.residual_px",
    "seam.doubling",
    "seam.disagreement",
    "pixels.filled_fraction",
)
_SIZE_IN = (7.4, 2.8)


def render_sweep(
    varied: str, trials: Sequence[Trial], chosen: Trial, why: str, threads: int, rounds: int
) -> str:
    """The page's text; it needs no network."""
    return page_template("batch/sweep.html", {"number": number}).render(
        varied=varied,
        trials=trials,
        chosen=chosen,
        why=why,
        threads=threads,
        rounds=rounds,
        host=platform.node(),
        of_limit=OF_LIMIT,
        shown=_SHOWN,
        value=_value,
        plot=_plot(trials, chosen),
    )


def sweep_record(
    trials: Sequence[Trial], chosen: Trial, why: str, threads: int, rounds: int
) -> dict[str, Any]:
    """The same as plain values."""
    return {
        "schema": "girthstrip.batch_sweep/1",
        "recommended": chosen.setting,
        "why": why,
        "threads": threads,
        "rounds": rounds,
        "trials": [
            {
                "setting": trial.setting,
                "fault": trial.fault or None,
                "as_own": trial.as_own,
                "checks_fail": trial.verdicts[0],
                "checks_attention": trial.verdicts[1],
                "of_limits": None if trial.fault else trial.of_limits,
                "seconds": None if trial.fault else trial.seconds,
                "welds": [
                    {
                        "weld": one.weld,
                        "verdict": str(one.log.verdict),
                        "of_limits": one.of_limits,
                        "snr": one.snr,
                        "seconds": one.seconds,
                        **{name: _value(one.log, name) for name in OF_LIMIT},
                    }
                    for one in trial.tried
                ],
            }
            for trial in trials
        ],
    }


def _value(log: QualityLog, name: str) -> float | None:
    return next((one.value for one in log.checks if one.id == name), None)


def _plot(trials: Sequence[Trial], chosen: Trial) -> str:
    """Quality against speed, a point a setting, numbered as in the table."""
    whole = [(k, one) for k, one in enumerate(trials) if not one.fault]

    def draw(figure: Any) -> None:
        axes = figure.add_axes((0.08, 0.19, 0.90, 0.78))
        for k, one in whole:
            colour = VERMILION if one is chosen else BLUE
            axes.plot(one.seconds, 100 * one.of_limits, "o", ms=6, color=colour)
            axes.annotate(
                str(k), (one.seconds, 100 * one.of_limits), (6, 4), textcoords="offset points",
                fontsize=8.5, color=INK,
            )  # fmt: skip
        axes.set_xlabel("seconds a weld", color=INK)
        axes.set_ylabel("of limits / %", color=INK)
        axes.margins(0.08, 0.15)
        axes.grid(True)

    return f'<div class="drawn">{svg_drawing("sweep", _SIZE_IN, draw)}</div>'
