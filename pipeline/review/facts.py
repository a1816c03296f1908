"""What the page is told of a weld before it shows anything: places, scale, checks, seams, words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from pipeline.model import Verdict
from pipeline.review.finding import Found
from pipeline.review.levels import level_windows
from pipeline.review.spot import frames_available
from pipeline.review.weld import OpenWeld
from pipeline.terminal import CAUTION

DEFAULT_WORDS = (
    "crack",
    "lack of fusion",
    "lack of penetration",
    "pore",
    "cluster of pores",
    "slag line",
    "inclusion",
    "undercut",
    "burn-through",
    "root concavity",
    "artefact",
    "other",
)
"""Type words where the reviewer brings no list: common practice, no published source."""

_POLARITY = (
    "gray values rise with dose: more radiation is dark in a film-like negative and light in a "
    "positive picture"
)


def weld_facts(weld: OpenWeld, mine: Found, all_found: Mapping[str, Found]) -> dict[str, Any]:
    """The facts as JSON values."""
    log, told = weld.log, weld.log.strip
    return {
        "weld": log.weld.id,
        "shot": log.weld.shot,
        "label": mine.label,
        "columns": told.columns,
        "rows": told.rows,
        "pitch_mm": told.pitch_mm,
        "s_first_mm": told.s_first_mm,
        "z_first_mm": told.z_first_mm,
        "circumference_mm": told.circumference_mm,
        "ring": told.ring,
        "overrun_mm": told.overrun_mm,
        "direction": told.direction,
        "clock": True,
        "windows": level_windows(weld),
        "sigma_scale": told.sigma_scale,
        "polarity": _POLARITY,
        "verdict": str(log.verdict),
        "checks": [
            {
                "id": check.id,
                "value": check.value,
                "unit": check.unit,
                "limit": check.limit,
                "verdict": str(check.verdict),
                "note": check.note,
            }
            for check in log.checks
        ],
        "seams": seams(weld),
        "gaps": [asdict(gap) for gap in log.gaps],
        "job": {
            "line": log.weld.line,
            "station": log.weld.station,
            "procedure": log.weld.procedure,
            "material": log.weld.material,
            "diameter_mm": log.weld.diameter_mm,
            "wall_mm": log.weld.wall_mm,
            "operator": log.weld.operator,
            "evaluator": log.weld.evaluator,
        },
        "strip_sha256": told.pixels_sha256,
        "cautions": cautions(weld),
        "frames_available": frames_available(weld),
        "others": [
            {"key": one.key, "label": one.label}
            for one in all_found.values()
            if one.weld == log.weld.id and one.key != mine.key and not one.fault
        ],
    }


def cautions(weld: OpenWeld) -> list[str]:
    """What must stand on the page: what the strip's own log asks to mind, and the usual caution."""
    judged = [check.id for check in weld.log.checks if check.verdict is not Verdict.PASS]
    told = [f"the quality log's verdict is {weld.log.verdict}: {', '.join(judged)}"]
    return [*(told if judged else []), *weld.log.remarks, CAUTION]


def seams(weld: OpenWeld) -> list[dict[str, Any]]:
    """The seams, numbered from 1 in the order of the scan, with the files of both frames."""
    frames = weld.log.frames
    return [
        {
            "number": number,
            "from": frames[seam.left].file,
            "to": frames[seam.right].file,
            **{name: value for name, value in asdict(seam).items() if name not in _SIDES},
        }
        for number, seam in enumerate(weld.log.seams, start=1)
    ]


_SIDES = ("left", "right")


def list_row(found: Found, marks: int, seen_percent: float) -> dict[str, Any]:
    """One weld of the list."""
    return {
        "key": found.key,
        "label": found.label,
        "weld": found.weld,
        "shot": found.shot,
        "verdict": found.verdict,
        "s_from_mm": found.s_from_mm,
        "s_to_mm": found.s_to_mm,
        "marks": marks,
        "seen_percent": seen_percent,
        "fault": found.fault or None,
    }


def words_of(own: Sequence[str]) -> list[str]:
    """The type words: the reviewer's own list, or the usual ones."""
    return list(dict.fromkeys(own or DEFAULT_WORDS))
