"""What a calibration is: arrays, facts, identity, and whether it fits the frames at hand."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from enum import StrEnum

import numpy as np

from pipeline.errors import CalibrationError
from pipeline.model import FlagImage, FloatImage


class CalibrationKind(StrEnum):
    """The parts of a calibration that a stage can ask for."""

    DARK = "dark"
    GAIN = "gain"
    BAD_PIXELS = "bad_pixels"
    NOISE = "noise"
    LAG = "lag"


@dataclass(frozen=True, slots=True)
class NoiseModel:
    """Variance of one raw frame's pixel in GV², as ``offset + slope * (raw - dark)``.

    ``offset`` is read noise (GV²), ``slope`` the gray values a detected quantum's worth of noise
    brings (GV). ``gain_relative`` is the relative standard deviation that the gain map itself
    carries because it was made from finitely many flats; it is fixed to the panel.
    """

    offset: float
    slope: float
    gain_relative: float = 0.0


@dataclass(frozen=True, slots=True)
class DarkConditions:
    """Under which a mean dark was shot; None where it wasn't told."""

    temperature_c: float | None = None
    frame_time_s: float | None = None

    def describe(self) -> str:
        """What is told of them in words: ``at 38 °C and 2 s``."""
        told = [
            f"{value:g} {unit}"
            for value, unit in ((self.temperature_c, "°C"), (self.frame_time_s, "s"))
            if value is not None
        ]
        return f"at {' and '.join(told)}" if told else "at conditions that aren't told"


@dataclass(frozen=True, slots=True)
class CalibrationFacts:
    """Everything about a calibration that is not an array; stored as ``calibration.json``."""

    serial: str
    gain_mode: str
    rows: int
    columns: int
    noise: NoiseModel
    binning: str | None = None  # as the user names it; None where it isn't told
    frame_time_s: float | None = None
    kv_min: float | None = None
    kv_max: float | None = None
    temperature_min_c: float | None = None
    temperature_max_c: float | None = None
    valid_from: str | None = None  # ISO 8601
    valid_until: str | None = None
    source_distance_mm: float | None = None  # focal spot to panel in the flats
    lag_fractions: tuple[float, ...] = ()
    linearity: Mapping[str, float] | None = None  # see dose_line.py, linearity.py
    bad_pixels: Mapping[str, int] = field(default_factory=dict)  # count per class and in total
    bad_groups: Mapping[str, int] = field(default_factory=dict)  # see grouping.py
    bad_pixel_limits: Mapping[str, float] = field(default_factory=dict)  # that were asked for
    beam: Mapping[str, float] | None = None  # shape of the flats' beam, if not in the gain
    panel_geometry: Mapping[str, float] | None = None  # see dot_grid.py
    acceptance: Mapping[str, float] = field(default_factory=dict)  # measured figures
    exposures: tuple[Mapping[str, object], ...] = ()  # kind, files, sha256 of each
    rejected: tuple[Mapping[str, str], ...] = ()  # file and reason of exposures left out
    dark_conditions: DarkConditions = DarkConditions()  # of the set's dark
    dark_states: tuple[DarkConditions, ...] = ()  # of the set's dark_states, in order
    lag_regions: tuple[tuple[float, ...], ...] = ()  # first-frame lag by part of the panel, rows
    lag_shares: tuple[tuple[float, ...], ...] = ()  # of lag_fractions, likewise; see lag_shares.py


@dataclass(frozen=True, slots=True)
class CalibrationSet:
    """A calibration in memory.

    ``dark`` (float32, GV) and ``gain`` (float32, relative response, median 1 over good pixels) and
    ``classes`` (uint8 bits of ``PixelClass``; 0 is a good pixel), all (rows, columns).

    ``dark_states`` are mean darks (float32, GV) at other temperatures or frame times, one for each
    entry of ``facts.dark_states`` (see ``dark_states.py``); ``dark`` is the one that belongs to the
    flats. ``curvature`` (float32, 1/GV) is each pixel's departure from a straight response, where
    it was measured (see ``linearity.py``). Where ``facts.beam`` is given, the gain holds nothing
    of the flats' beam (see ``beam.py``).
    """

    facts: CalibrationFacts
    dark: FloatImage
    gain: FloatImage
    classes: FlagImage
    identity: str
    dark_states: tuple[FloatImage, ...] = ()
    curvature: FloatImage | None = None

    def require_fit(
        self,
        *,
        rows: int,
        columns: int,
        serial: str,
        gain_mode: str,
        binning: str | None = None,
    ) -> None:
        """Refuse, with every reason in one message, a calibration made for another panel or mode.

        Binning counts where both the calibration and the frames tell it.

        Raises:
            CalibrationError: size, detector serial, gain mode or binning differ from the frames'.
        """
        facts = self.facts
        wrong = [
            f"{name} is {ours} in the calibration but {theirs} in the frames"
            for name, ours, theirs in (
                ("panel size", f"{facts.rows}×{facts.columns}", f"{rows}×{columns}"),
                ("detector serial", facts.serial, serial),
                ("gain mode", facts.gain_mode, gain_mode),
                ("binning", facts.binning, binning),
            )
            if ours != theirs and None not in (ours, theirs)
        ]
        if wrong:
            raise CalibrationError(
                "this calibration doesn't fit the frames: " + "; ".join(wrong),
                where=f"calibration {self.identity[:12]}",
                remedy="Name the calibration that was made with this panel in this mode, "
                "or correct the panel's entry in the config",
            )


def facts_to_json(facts: CalibrationFacts) -> str:
    """The facts as canonical JSON: sorted keys, so that equal facts are equal text.

    Facts that say nothing are left out, so that a calibration keeps its identity when later
    versions can tell more.
    """
    nothing: tuple[object, ...] = (None, {}, (), asdict(DarkConditions()))
    told = {key: value for key, value in asdict(facts).items() if value not in nothing}
    return json.dumps(told, sort_keys=True, indent=1, allow_nan=False)


def content_identity(
    facts: CalibrationFacts,
    dark: FloatImage,
    gain: FloatImage,
    classes: FlagImage,
    *,
    dark_states: Sequence[FloatImage] = (),
    curvature: FloatImage | None = None,
) -> str:
    """The SHA-256 (hex) of what a calibration says: its facts and its arrays.

    Independent of file names, folder and TIFF encoding.
    """
    digest = hashlib.sha256(facts_to_json(facts).encode())
    arrays: list[tuple[np.ndarray, str]] = [(dark, "<f4"), (gain, "<f4"), (classes, "u1")]
    arrays += [(state, "<f4") for state in dark_states]
    if curvature is not None:
        arrays.append((curvature, "<f4"))
    for array, kind in arrays:
        digest.update(repr(array.shape).encode())
        digest.update(np.ascontiguousarray(array, dtype=kind).tobytes())
    return digest.hexdigest()
