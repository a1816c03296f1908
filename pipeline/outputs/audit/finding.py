"""What an audit found, as questions for a person; never an accusation."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from pipeline.outputs.audit.figure_words import figure_words

QUESTIONS: Mapping[str, tuple[str, str]] = {
    "same_frames": (
        "The same raw frames under two names",
        "Was a folder copied by mistake, or one scan handed in for several welds?",
    ),
    "same_weld": (
        "The same weld under two names",
        "Is it one weld that was named anew or shot again, or was its strip handed in for another?",
    ),
    "two_scans": (
        "Two scans under one name",
        'Was the weld shot again without saying so (shot = "RS1"), or is one of another weld?',
    ),
    "foreign_panel": (
        "Frames that don't show their panel's own pattern",
        "Which panel took them, and how did they come into this scan?",
    ),
    "other_name_inside": (
        "A strip that names another weld than its record",
        "Was a file exchanged or copied between folders?",
    ),
    "other_strip": (
        "A strip that isn't the picture its record describes",
        "Was strip.tif changed or exchanged?",
    ),
    "changed_since": (
        "Results that aren't what the audit log knows",
        "Who changed them after they were made, and why?",
    ),
    "broken_log": (
        "An audit log that isn't as it was written",
        "Who changed or removed records? Compare with a copy.",
    ),
    "not_in_log": (
        "Results that no audit log beside them knows of",
        "Was the log removed or begun anew, or was the folder brought from elsewhere without it?",
    ),
    "in_the_future": ("Times to come", "Was a clock wrong?"),
    "faster_than_its_exposures": (
        "Less time than the exposures take",
        "Are the times typed in or copied, or was a clock set in between?",
    ),
    "in_two_places": (
        "One weld in two places",
        "Do all frames belong to this weld, and was the position receiver right?",
    ),
    "same_times": (
        "The same times for several welds",
        "Was one frame table copied for another weld?",
    ),
    "at_once": (
        "Two places or two welds at once",
        "Is the panel's or the person's name right, and were the clocks?",
    ),
    "too_far_too_soon": (
        "Too far apart for the time between",
        "Are times, places and names right?",
    ),
    "too_many_in_a_shift": (
        "More welds than a shift makes",
        "Were they all shot then, with this panel, and by how many crews?",
    ),
    "sooner_than_exposed": (
        "A weld begun before the one before could be exposed",
        "Are the times and the panel's name right?",
    ),
    "unreadable": ("Records that can't be read", "Was a copy cut short? Compare with another."),
}
"""Kinds of findings: what they are, and what there is to ask."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that needs a question: ``welds`` as people name them, ``folders`` below the root,
    ``what`` in words, ``figures`` the evidence in numbers. ``pictures`` are data URIs, each with
    its title."""

    kind: str
    welds: tuple[str, ...]
    folders: tuple[str, ...]
    what: str
    figures: Mapping[str, Any] = field(default_factory=dict)
    pictures: tuple[tuple[str, str], ...] = ()

    @property
    def title(self) -> str:
        """What kind of thing it is."""
        return QUESTIONS[self.kind][0]

    @property
    def question(self) -> str:
        """What there is to ask."""
        return QUESTIONS[self.kind][1]

    @property
    def words(self) -> Mapping[str, str]:
        """The evidence for people."""
        return figure_words(self.figures)

    def as_dict(self) -> Mapping[str, Any]:
        """For programs, without pictures."""
        record = asdict(self)
        del record["pictures"]
        return record | {"title": self.title, "question": self.question}

    def text(self) -> str:
        """For people."""
        figures = "; ".join(f"{name}: {value}" for name, value in self.words.items())
        lines = [f"{', '.join(self.welds)}: {self.what}"]
        lines += [f"  evidence  {figures}"] if figures else []
        lines += [f"  folders   {', '.join(self.folders)}", f"  question  {self.question}"]
        return "\n".join(lines)
