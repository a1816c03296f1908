"""What was found out about one result: what made it, what is different now, what it took."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime

from pipeline.calibration.wanted import Wanted


@dataclass(frozen=True, slots=True)
class Facts:
    """``reasons`` say what of frames, config and profile isn't what the strip was made from;
    ``question`` what only a person can tell; ``fault`` why nothing can be said at all.

    ``wanted`` and ``told`` are what the frames ask of a calibration and what the config says about
    it, as JSON. ``seconds`` are those of ``threads`` threads.
    """

    weld: str = ""
    shot: str = ""
    verdict: str = ""
    log_sha256: str = ""
    software: Mapping[str, str] = field(default_factory=dict)
    calibration: str = ""
    serial: str = ""
    wanted: str = ""
    told: str = ""
    reasons: tuple[str, ...] = ()
    question: str = ""
    fault: str = ""
    raw_pixels: int = 0
    seconds: float = 0.0
    threads: int = 1
    peak_bytes: int = 0

    @property
    def name(self) -> str:
        """Weld and shot as people name them."""
        return f"{self.weld} {self.shot}".strip()

    def text(self) -> str:
        """As JSON, for the index."""
        return json.dumps(asdict(self), separators=(",", ":"))


def facts_of(text: str) -> Facts:
    """What ``Facts.text`` wrote."""
    values = json.loads(text)
    values["reasons"] = tuple(values["reasons"])
    return Facts(**values)


def wanted_text(wanted: Wanted) -> str:
    """What frames ask of a calibration, as JSON. Which files tell it is left out."""
    values = {name: getattr(wanted, name) for name in Wanted.__dataclass_fields__}
    values["dates"] = wanted.dates and [one.isoformat() for one in wanted.dates]
    del values["files"]
    return json.dumps(values, sort_keys=True, separators=(",", ":"))


def wanted_of(text: str) -> Wanted:
    """What ``wanted_text`` wrote."""
    values = json.loads(text)
    for name in ("frame_time_s", "kv", "temperature_c"):
        values[name] = values[name] and tuple(values[name])
    dates = values["dates"]
    values["dates"] = dates and tuple(datetime.fromisoformat(one) for one in dates)
    return Wanted(**values)
