"""A profile: all that one edition of a standard asks of an image, and what holds for a weld.

No figure of a standard stands in code: all are read from a profile, which a user's own copy may
replace. What a requirement rests on repeats the mark of its row.
"""

from __future__ import annotations

import math
from dataclasses import field

from pydantic.dataclasses import dataclass

from pipeline.quality.asked.profile_rows import (
    RECORD,
    Area,
    AreaRow,
    CalibrationDose,
    Compensation,
    Distance,
    DistanceRow,
    DuplexRow,
    DuplexRows,
    GaugeTable,
    Materials,
    Reading,
    RingIqis,
    Side,
    SnrRow,
    SnrRows,
    SnrWindow,
    Standard,
    TestingClass,
    UnsharpnessRow,
    UnsharpnessRows,
    View,
    WireRow,
    WireRows,
)
from pipeline.quality.asked.row_ranges import in_range, within


@dataclass(frozen=True, slots=True, config=RECORD)
class Profile:
    """All that one edition of a standard asks; a part that it doesn't ask for is None."""

    standard: Standard
    materials: Materials
    wires: GaugeTable | None = None
    pairs: GaugeTable | None = None
    snr_n: SnrRows | None = None
    snr_window: SnrWindow | None = None
    wire: WireRows | None = None
    duplex: DuplexRows | None = None
    distance: Distance | None = None
    area: Area | None = None
    unsharpness: UnsharpnessRows | None = None
    ring: RingIqis | None = None
    reading: Reading | None = None
    calibration: CalibrationDose | None = None
    compensation: Compensation | None = None
    identity: str = field(default="", kw_only=True)
    """Name of the file, and the SHA-256 of its content."""

    def basis(self, what: str, mark: str) -> str:
        """What a requirement rests on, in words: standard, table, mark, caution."""
        table = f", {what}" if what else ""
        return f"{self.standard.title}{table} ({mark}; {self.standard.caution})"

    def group_of(self, material: str) -> str | None:
        """The group of a material told in words; None if no group has it."""
        told = material.lower()
        for row in self.materials.rows:
            if any(word.lower() in told for word in row.words):
                return row.group
        return None

    def snr_row(
        self, group: str, source: str, kv: float | None, thickness_mm: float
    ) -> SnrRow | None:
        """The row of least SNR_N; ``kv`` counts for rows that have a range of it."""
        for row in self.snr_n.rows if self.snr_n else ():
            if row.group != group or source not in row.sources:
                continue
            bounded = row.over_kv > 0 or row.up_to_kv is not None
            if bounded and (kv is None or not within(kv, row.over_kv, row.up_to_kv)):
                continue
            if within(thickness_mm, row.over_mm, row.up_to_mm):
                return row
        return None

    def wire_row(
        self, testing_class: TestingClass, view: View, side: Side, thickness_mm: float
    ) -> WireRow | None:
        """The row of the wire that must be seen."""
        rows = [
            row
            for row in (self.wire.rows if self.wire else ())
            if row.testing_class in (testing_class, None) and (row.view, row.side) == (view, side)
        ]
        return in_range(rows, thickness_mm)

    def duplex_row(self, testing_class: TestingClass, thickness_mm: float) -> DuplexRow | None:
        """The row of the greatest SR_b."""
        return in_range(
            [row for row in self._duplex_rows if row.testing_class == testing_class], thickness_mm
        )

    def thickness_from_mm(self, testing_class: TestingClass, sr_b_mm: float) -> float | None:
        """The thickness above which SR_b is fine enough for the class; None: at no thickness."""
        fit = [
            row.over_mm
            for row in self._duplex_rows
            if row.testing_class == testing_class and row.sr_b_mm >= sr_b_mm
        ]
        return min(fit, default=None)

    def distance_row(self, testing_class: TestingClass) -> DistanceRow | None:
        """The factor of the least source distance."""
        rows = self.distance.rows if self.distance else ()
        return next((row for row in rows if row.testing_class == testing_class), None)

    def area_row(self, testing_class: TestingClass) -> AreaRow | None:
        """The greatest ratio of thicknesses."""
        rows = self.area.rows if self.area else ()
        return next((row for row in rows if row.testing_class == testing_class), None)

    def unsharpness_row(self, thickness_mm: float) -> UnsharpnessRow | None:
        """The row of the greatest geometric unsharpness."""
        return in_range(self.unsharpness.rows if self.unsharpness else (), thickness_mm)

    def odd_classes(self) -> tuple[str, ...]:
        """Rows by which class A asks for more than class B, in words: likely a mistake."""
        said = [
            f"{row.table}, {row.group}: SNR_N {row.class_a:g} for class A, {row.class_b:g} for B"
            for row in (self.snr_n.rows if self.snr_n else ())
            if row.class_a > row.class_b
        ]
        said += [
            f"{one.table}, over {max(one.over_mm, other.over_mm):g} mm: SR_b {one.sr_b_mm:g} mm "
            f"for class A, {other.sr_b_mm:g} mm for B"
            for one in self._duplex_rows
            for other in self._duplex_rows
            if (one.testing_class, other.testing_class) == ("A", "B")
            and one.over_mm < (other.up_to_mm or math.inf)
            and other.over_mm < (one.up_to_mm or math.inf)
            and one.sr_b_mm < other.sr_b_mm
        ]
        distance = {
            row.testing_class: row.factor for row in (self.distance.rows if self.distance else ())
        }
        if distance.get("A", 0.0) > distance.get("B", math.inf):
            said.append(f"source distance: {distance['A']:g} for class A, {distance['B']:g} for B")
        area = {
            row.testing_class: row.thickness_ratio for row in (self.area.rows if self.area else ())
        }
        if area.get("A", math.inf) < area.get("B", 0.0):
            said.append(f"evaluated area: {area['A']:g} for class A, {area['B']:g} for B")
        return tuple(f"class A asks for more than class B, is that so? {one}" for one in said)

    @property
    def _duplex_rows(self) -> tuple[DuplexRow, ...]:
        return self.duplex.rows if self.duplex else ()
