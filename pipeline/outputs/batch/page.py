"""What reprocessing changed, as one self-contained page for people."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from pipeline.model import Verdict
from pipeline.outputs.batch.change import Change
from pipeline.outputs.batch.plots import histograms
from pipeline.outputs.batch.tables import verdicts
from pipeline.outputs.drawing.templates import page_template
from pipeline.outputs.drawing.words import VERDICT_WORDS, number
from pipeline.quality.outcome_words import ABOUT

IN_DETAIL = 40
"""So many welds are shown one by one; all stand in the tables."""
_ORDER = tuple(str(one) for one in Verdict)


def render_changes(
    root: str, changes: Sequence[Change], pictures: Mapping[str, tuple[str, float]]
) -> str:
    """The page's text; ``pictures`` are, by the new result's folder, where the strip differs, as a
    file's name or a data URI, and the σ of the full colour. It needs no network."""
    ordered = sorted(changes, key=lambda one: one.order)
    look = [one for one in ordered if one.look]
    detailed = (look + [one for one in ordered if not one.look and not one.identical])[:IN_DETAIL]
    counted = verdicts(changes)
    return page_template("batch/batch.html", {"number": number, "name": _name}).render(
        root=root,
        changes=ordered,
        look=look,
        detailed=detailed,
        anchors={one.new: f"weld-{k}" for k, one in enumerate(detailed)},
        pictures=pictures,
        identical=sum(one.identical for one in changes),
        same_strip=sum(one.same_strip and not one.identical for one in changes),
        worse=[one for one in look if one.old_verdict != one.new_verdict and not one.fault],
        matrix=[
            (VERDICT_WORDS[Verdict(old)], [counted.get((old, new), 0) for new in _ORDER])
            for old in _ORDER
        ],
        words=[VERDICT_WORDS[Verdict(one)] for one in _ORDER],
        plots=histograms(changes),
        about=ABOUT,
        caution=_CAUTION,
        figures=_FIGURES,
    )


_CAUTION = (
    "This page compares pictures. It accepts or rejects no weld, and no result by itself: "
    "qualified persons, the written procedure and local rules do. Until girthstrip batch accept "
    "is called the old results hold."
)
_FIGURES = (
    ("noise.snr_n", "SNR_N"),
    ("noise.predicted_snr", "predicted SNR"),
    ("sharpness.sr_b_mm", "SR_b / mm"),
    ("registration.closure_mm", "closure / mm"),
    ("pixels.filled_fraction", "filled in"),
)
"""Of the table of all welds: check or measure, and what its column is called."""


def _name(path: str) -> str:
    return "/".join(Path(path).parts[-2:])
