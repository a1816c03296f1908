"""What the exposures of a calibration make one doubt: copies, lone frames, shapes, conditions."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from itertools import permutations

from pipeline.calibration.product import CalibrationFacts, DarkConditions
from pipeline.calibration.set_shape import LIMIT

DARKER_PART = 0.03
"""By so much of its level a warmer or longer dark may be darker: an electronic offset drifts too;
common practice, no published source."""

_SAME_TIME = 0.01
_SAME_C = 0.5
_WARMER_C = 2.0
_MOST_NAMED = 4


def exposure_remarks(facts: CalibrationFacts) -> tuple[str, ...]:
    """A sentence for each doubt; none for exposures that are what they are said to be."""
    doubts = (_copies, _lone, _flat_shape, _dark_shape, _order)
    return tuple(sentence for doubt in doubts for sentence in doubt(facts))


def _copies(facts: CalibrationFacts) -> Iterator[str]:
    """Files of the same content: noise never repeats itself."""
    names: dict[str, list[str]] = defaultdict(list)
    for one in facts.exposures:
        for file in _files(one):
            if "sha256" in file:
                names[str(file["sha256"])].append(f"{one.get('folder')}/{file.get('name')}")
    copied = [same for same in names.values() if len(same) > 1]
    if copied:
        told = ", ".join(f"{same[0]} ({len(same)} times)" for same in copied[:_MOST_NAMED])
        more = f" and {len(copied) - _MOST_NAMED} more" if len(copied) > _MOST_NAMED else ""
        yield (
            f"Exposures that are copies of each other: {told}{more}. No two frames have the same "
            "noise; what is told from copies is wrong."
        )
    elif facts.acceptance.get("dark_std_gv") == 0:
        yield "The darks don't differ from each other at all: copies of one frame, or no noise."


def _files(one: Mapping[str, object]) -> list[Mapping[str, object]]:
    files = one.get("files")
    return list(files) if isinstance(files, list | tuple) else []


def _lone(facts: CalibrationFacts) -> Iterator[str]:
    figures = facts.acceptance
    for k in range(1, int(figures.get("flat_levels", 0)) + 1):
        if figures.get(f"flat_{k}_frames") == 1:
            dose = figures.get(f"flat_{k}_dose")
            which = "" if dose is None else f" at dose {dose:g}"
            yield (
                f"One flat only counts{which}: a particle in it can't be told from the panel, and "
                "its noise wasn't measured."
            )


def _flat_shape(facts: CalibrationFacts) -> Iterator[str]:
    for name, who in (
        ("flat_shape_between", "Sets of flats contradict each other"),
        ("flat_shape_within", "Flats of one set contradict each other"),
    ):
        found = facts.acceptance.get(name, 0.0)
        if found > LIMIT:
            yield (
                f"{who} by a smooth shape of {100 * found:.1f} % across the panel (more than "
                f"{100 * LIMIT:g} %): source, filter or panel moved while they were shot, or the "
                "panel isn't linear."
            )


def _dark_shape(facts: CalibrationFacts) -> Iterator[str]:
    found, allowed = (
        facts.acceptance.get(name, 0.0) for name in ("dark_shape_gv", "dark_shape_allowed_gv")
    )
    if found > allowed:
        yield (
            f"The darks rise by {found:.0f} GV over the panel, smoothly (its modules explain "
            f"{allowed:.0f} GV): does light leak in, or was the panel lit before?"
        )


def _order(facts: CalibrationFacts) -> Iterator[str]:
    """Dark signal grows with temperature and with frame time; the pair that contradicts it most."""
    names = ["dark_level_gv", *(f"dark_{k}_level_gv" for k, _ in enumerate(facts.dark_states, 1))]
    told = [facts.dark_conditions, *facts.dark_states]
    known = [
        (one, level)
        for one, name in zip(told, names, strict=True)
        if (level := facts.acceptance.get(name)) is not None
    ]
    noise = facts.acceptance.get("dark_std_gv", 0.0)
    wrong = [
        (low_gv - high_gv, low, low_gv, high, high_gv)
        for (low, low_gv), (high, high_gv) in permutations(known, 2)
        if _stronger(low, high) and low_gv - high_gv > max(DARKER_PART * low_gv, noise)
    ]
    if wrong:
        _, low, low_gv, high, high_gv = max(wrong, key=lambda one: one[0])
        yield (
            f"The darks {high.describe()} ({high_gv:.0f} GV) are darker than those "
            f"{low.describe()} ({low_gv:.0f} GV), though a dark grows with temperature and frame "
            "time: are their folders exchanged?"
        )


def _stronger(low: DarkConditions, high: DarkConditions) -> bool:
    """Whether ``high`` is warmer at one frame time, or longer at one temperature."""
    times = low.frame_time_s, high.frame_time_s
    warmths = low.temperature_c, high.temperature_c
    same_time = times[0] == times[1] or (
        times[0] is not None
        and times[1] is not None
        and abs(times[1] - times[0]) <= _SAME_TIME * times[0]
    )
    if same_time:
        return warmths[0] is not None and warmths[1] is not None and (
            warmths[1] - warmths[0] > _WARMER_C
        )  # fmt: skip
    same_warmth = warmths[0] == warmths[1] or (
        warmths[0] is not None
        and warmths[1] is not None
        and abs(warmths[1] - warmths[0]) <= _SAME_C
    )
    return same_warmth and times[0] is not None and times[1] is not None and times[1] > times[0]
