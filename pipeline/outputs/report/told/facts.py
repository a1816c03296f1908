"""A log's facts as a report lists them: pairs of a label and what it says."""

from __future__ import annotations

import numpy as np

from pipeline.geometry import lift_waves
from pipeline.outputs.drawing.words import (
    PIXEL_CLASS_WORDS,
    SOLVED_NAMES,
    limit,
    number,
    period,
    span,
)
from pipeline.quality.log import QualityLog

Facts = list[tuple[str, str]]
_NOT_TOLD = "not told in the frame table"


def weld_facts(log: QualityLog) -> Facts:
    """Who, what, where, when and how; people and places that nobody told are passed over."""
    weld, strip = log.weld, log.strip
    used = sum(frame.used for frame in log.frames)
    facts = [
        ("Shot", _shot(weld.shot)),
        ("Line", weld.line),
        ("Station", weld.station),
        ("Procedure", weld.procedure),
        ("Material", weld.material),
        ("Pipe", f"Ø {number(weld.diameter_mm, 1)} × {number(weld.wall_mm, 1)} mm"),
        ("Operator", weld.operator),
        ("Evaluator", weld.evaluator),
        ("Exposed", period(log.exposure.first_time, log.exposure.last_time) or _NOT_TOLD),
        ("Exposure", _exposure(log) or _NOT_TOLD),
        (
            "Scan",
            f"{'whole ring' if strip.ring else 'part of the ring'}, counted {strip.direction} "
            "from the datum",
        ),
        (
            "Arrangement",
            "panoramic, source inside"
            if log.geometry.arrangement == "panoramic"
            else "through two walls, one image",
        ),
        ("Frames", f"{used} used of {len(log.frames)}"),
    ]
    return [(label, text) for label, text in facts if text]


def _shot(number: str) -> str:
    """``R1RS2`` in words; nothing the first time."""
    repair, _, again = number.partition("RS")
    told = [f"after repair {repair[1:]}"] * bool(repair)
    told += [f"shot again, {again}"] * bool(again)
    return f"{number}: {', '.join(told)}" if told else ""


def geometry_facts(log: QualityLog) -> Facts:
    """What the strip's scale rests on."""
    geometry, strip = log.geometry, log.strip
    facts = [("Stand-off", _standoff(log))]
    if geometry.arrangement == "panoramic":
        quarter = "3" if strip.direction == "clockwise" else "9"
        x, y = (
            f"{number(value, 2, sign=True)} ± {number(sigma, 2)} mm"
            for value, sigma in (
                (geometry.source_x_mm, geometry.source_x_sigma_mm),
                (geometry.source_y_mm, geometry.source_y_sigma_mm),
            )
        )
        facts.append(
            (
                "Source off the pipe’s axis",
                f"{x} towards the datum (12 o’clock), {y} towards {quarter} o’clock",
            )
        )
    solved = dict.fromkeys(SOLVED_NAMES.get(name, name) for name in geometry.refined)
    vague = dict.fromkeys(SOLVED_NAMES.get(name, name) for name in geometry.undetermined)
    return [
        *facts,
        (
            "Panel roll",
            f"{number(geometry.roll_deg, 3, sign=True)} ± {number(geometry.roll_sigma_deg, 3)}°; "
            "plus: leading end towards the strip’s lower edge",
        ),
        (
            "Panel yaw",
            f"{number(geometry.yaw_deg, 3, sign=True)} ± {number(geometry.yaw_sigma_deg, 3)}°; "
            "plus: leading end further from the pipe",
        ),
        (
            "Panel pitch",
            f"{number(geometry.pitch_deg, 3, sign=True)} ± {number(geometry.pitch_sigma_deg, 3)}°; "
            "plus: the end at the strip’s lower edge further from the pipe",
        ),
        (
            "Encoder’s scale",
            f"1 mm counted is {number(geometry.encoder_scale, 5)} mm travelled",
        ),
        ("Solved from the frames", ", ".join(solved) or "nothing: all from the config"),
        *([("Hardly told by the frames", ", ".join(vague))] if vague else []),
        ("Pixel pitch of the strip", f"{number(strip.pitch_mm, 5)} mm on the outer surface"),
        ("Size of the strip", f"{strip.columns} × {strip.rows} pixels, along × across"),
        ("Gray values", _gray_values(log)),
    ]


def calibration_facts(log: QualityLog) -> Facts:
    """Which panel, and when the calibration holds."""
    used = log.calibration
    valid = [
        f"{word} {time}"
        for word, time in (("from", used.valid_from), ("until", used.valid_until))
        if time
    ]
    return [
        ("Detector serial", used.serial or "not told"),
        ("Gain mode", used.gain_mode or "not told"),
        ("Valid", " ".join(valid) or "no dates told"),
    ]


def bad_pixel_rows(log: QualityLog) -> list[tuple[str, str, int]]:
    """Name, meaning and count of each class of bad pixels, as the classes are numbered."""
    counts = log.calibration.bad_pixels
    known = {kind.name.lower(): words for kind, words in PIXEL_CLASS_WORDS.items() if kind.name}
    names = [name for name in known if name in counts]
    names += sorted(set(counts) - set(known) - {"total"})
    return [(name.replace("_", " "), known.get(name, ""), counts[name]) for name in names]


def software_parts(log: QualityLog) -> list[str]:
    """The program with its version, then the libraries with theirs."""
    rest = dict(log.software)
    program = f"{rest.pop('name', '')} {rest.pop('version', '')}".strip()
    parts = [f"{name} {version}" for name, version in sorted(rest.items())]
    return [program, *parts] if program else parts


def _standoff(log: QualityLog) -> str:
    geometry = log.geometry
    if "standoff_mm" not in geometry.refined:
        text = f"{number(geometry.standoff_mm, 2)} mm"
    else:
        text = (
            f"{number(geometry.standoff_mm, 2)} ± {number(geometry.standoff_sigma_mm, 2)} mm "
            f"({number(geometry.standoff_told_mm, 2)} mm told)"
        )
    text += ", outer surface to panel"
    if not geometry.lift_off_mm:
        return text
    angles = np.linspace(0, 2 * np.pi, 361)
    lift = lift_waves(angles, len(geometry.lift_off_mm) // 2) @ np.array(geometry.lift_off_mm)
    return text + (
        f"; round the ring between {number(float(lift.min()), 2, sign=True)} and "
        f"{number(float(lift.max()), 2, sign=True)} mm of that"
    )


def _exposure(log: QualityLog) -> str:
    facts = log.exposure
    parts = (
        span(facts.kv_min, facts.kv_max, "kV"),
        span(facts.ma_min, facts.ma_max, "mA"),
        span(facts.exposure_s_min, facts.exposure_s_max, "s a frame"),
    )
    return ", ".join(part for part in parts if part)


def _gray_values(log: QualityLog) -> str:
    scale, offset = log.strip.scale, log.strip.offset
    if scale == 1 and offset == 0:
        return "proportional to dose; relative, no absolute unit"
    sign = "−" if offset < 0 else "+"
    return (
        f"linear in dose: relative dose = gray value × {limit(scale)} {sign} "
        f"{limit(abs(offset))}, no absolute unit"
    )
