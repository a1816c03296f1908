"""What the figures of a finding are called for people; programs read their short names."""

from __future__ import annotations

from collections.abc import Mapping

_WORDS: Mapping[str, str] = {
    "frames_in_common": "raw frames in common",
    "frames_of_each": "raw frames of each",
    "sha256": "SHA-256 of one of them",
    "places": "places compared",
    "places_alike": "places alike",
    "usual_correlation": "correlation of the two strips, place by place (1: the same)",
    "strangers_correlation": "correlation that strangers rarely reach there",
    "likeness": "likeness as a whole (1: the same)",
    "expected_by_chance_in_archive": "pairs of strangers here that would do as well by chance",
    "shift_mm": "the second moved on by, mm",
    "reversed_along": "the second reversed along the weld",
    "reversed_across": "the second reversed across the weld",
    "from_mm": "compared from, mm",
    "to_mm": "compared to, mm",
    "correlation": "correlation with the panel's pattern",
    "standard_errors": "the same in standard errors",
    "frame": "raw frame",
    "other_panel": "panel whose pattern it shows",
    "other_correlation": "correlation with that",
    "sha256_of_pixels": "SHA-256 of the strip's pixels",
    "sha256_in_log": "SHA-256 that the quality log tells of them",
    "log": "SHA-256 of quality.json now",
    "strip": "SHA-256 of strip.tif now",
    "end": "last frame",
    "took_s": "first to last frame, s",
    "exposure_s": "all exposures together, s",
    "apart_m": "apart, m",
    "frames": "frames",
    "first": "first frame",
    "overlap_s": "at the same time for, s",
    "gap_s": "between them, s",
    "between_s": "between their beginnings, s",
    "welds": "welds",
    "panel": "panel",
    "operator": "operator",
}
"""Short name of a figure, as ``audit.json`` has it → words, with the unit."""


def figure_words(figures: Mapping[str, object]) -> Mapping[str, str]:
    """The figures of a finding for people: words → value.

    Raises:
        KeyError: a figure without words.
    """
    return {_WORDS[name]: _shown(value) for name, value in figures.items()}


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.3g}" if isinstance(value, float) else str(value)
