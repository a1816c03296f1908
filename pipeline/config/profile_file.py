"""A profile of a standard as a TOML file, and what must hold between its rows."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import ClassVar

from pipeline.config.faults import Fault, Rule
from pipeline.config.records import Job
from pipeline.quality.asked.profile import Profile
from pipeline.quality.asked.profile_rows import (
    Area,
    CalibrationDose,
    Compensation,
    Distance,
    DuplexRows,
    GaugeTable,
    Materials,
    Reading,
    RingIqis,
    SnrRows,
    SnrWindow,
    Standard,
    UnsharpnessRows,
    WireRow,
    WireRows,
)
from pipeline.quality.asked.row_ranges import Ranged, uneven

_BEGINS = "must begin where the row before it ends (the first at 0), and end above that"


def snr_faults(
    snr_n: SnrRows | None, window: SnrWindow | None, materials: Materials
) -> Iterator[Fault]:
    """Rows of known groups, with sound ranges, of which no two hold for the same."""
    if snr_n is None:
        return
    if window is None:
        yield Fault(("snr_n",), "needs the table [snr_window]: how SNR is measured and normalised")
    groups = {row.group for row in materials.rows}
    for number, row in enumerate(snr_n.rows):
        key = ("snr_n", "rows", number)
        if row.group not in groups:
            told = ", ".join(sorted(groups))
            yield Fault((*key, "group"), f"is no group of [materials]: {told}", row.group)
        for low, high, name in (
            (row.over_kv, row.up_to_kv, "up_to_kv"),
            (row.over_mm, row.up_to_mm, "up_to_mm"),
        ):
            if high is not None and high <= low:
                yield Fault((*key, name), f"must be greater than {low:g}", high)
        for before, other in enumerate(snr_n.rows[:number]):
            if (
                row.group == other.group
                and set(row.sources) & set(other.sources)
                and _overlap(row.over_kv, row.up_to_kv, other.over_kv, other.up_to_kv)
                and _overlap(row.over_mm, row.up_to_mm, other.over_mm, other.up_to_mm)
            ):
                yield Fault(key, f"holds for something that row {before} (from 0) holds for too")


def gauge_faults(wires: GaugeTable | None, pairs: GaugeTable | None) -> Iterator[Fault]:
    """Elements with names of their own, each thinner than the one before."""
    for part, table in (("wires", wires), ("pairs", pairs)):
        rows = table.rows if table else ()
        for number, row in enumerate(rows):
            key = (part, "rows", number)
            if row.name in {other.name for other in rows[:number]}:
                yield Fault((*key, "name"), "is there twice", row.name)
            if number and row.diameter_mm >= rows[number - 1].diameter_mm:
                yield Fault(
                    (*key, "diameter_mm"), "must be less than the row's before it", row.diameter_mm
                )


def wire_faults(wire: WireRows | None, wires: GaugeTable | None) -> Iterator[Fault]:
    """Ranges without gaps for each class, view and side; wires that there are."""
    if wire is None:
        return
    numbered = list(enumerate(wire.rows))
    for number, row in numbered:
        if wires is None or wires.diameter_mm(row.wire) is None:
            yield Fault(("wire", "rows", number, "wire"), "is no wire of [wires]", row.wire)
    kind = sorted(numbered, key=lambda one: _kind_of_wire(one[1]))
    for _, same in groupby(kind, key=lambda one: _kind_of_wire(one[1])):
        yield from _range_faults("wire", list(same))


def duplex_faults(duplex: DuplexRows | None, pairs: GaugeTable | None) -> Iterator[Fault]:
    """Ranges without gaps for each class; pairs that there are, as wide as their rows say."""
    if duplex is None:
        return
    numbered = list(enumerate(duplex.rows))
    for number, row in numbered:
        diameter_mm = pairs.diameter_mm(row.pair) if pairs else None
        key = ("duplex", "rows", number)
        if diameter_mm is None:
            yield Fault((*key, "pair"), "is no pair of [pairs]", row.pair)
        elif diameter_mm != row.sr_b_mm:
            yield Fault(
                (*key, "sr_b_mm"),
                f"must be the diameter of {row.pair}, {diameter_mm:g}",
                row.sr_b_mm,
            )
    for letter in ("A", "B"):
        yield from _range_faults(
            "duplex", [one for one in numbered if one[1].testing_class == letter]
        )


def unsharpness_faults(unsharpness: UnsharpnessRows | None) -> Iterator[Fault]:
    """Ranges without gaps."""
    if unsharpness is not None:
        yield from _range_faults("unsharpness", list(enumerate(unsharpness.rows)))


def class_faults(distance: Distance | None, area: Area | None) -> Iterator[Fault]:
    """One row a class."""
    for part, table in (("distance", distance), ("area", area)):
        letters = [row.testing_class for row in table.rows] if table else []
        for number, letter in enumerate(letters):
            if letter in letters[:number]:
                yield Fault((part, "rows", number, "testing_class"), "is there twice", letter)


def _kind_of_wire(row: WireRow) -> tuple[str, ...]:
    return row.view, row.side, row.testing_class or ""


def _range_faults(part: str, numbered: Sequence[tuple[int, Ranged]]) -> Iterator[Fault]:
    wrong = uneven([row for _, row in numbered])
    if wrong is not None:
        number, row = numbered[wrong]
        yield Fault((part, "rows", number, "over_mm"), _BEGINS, row.over_mm)


def _overlap(low: float, high: float | None, other_low: float, other_high: float | None) -> bool:
    infinite = float("inf")
    return low < (other_high or infinite) and other_low < (high or infinite)


class ProfileFile(Job):
    """A profile as its file tells it."""

    rules: ClassVar[tuple[Rule, ...]] = (
        Rule(("snr_n", "snr_window", "materials"), snr_faults),
        Rule(("wires", "pairs"), gauge_faults),
        Rule(("wire", "wires"), wire_faults),
        Rule(("duplex", "pairs"), duplex_faults),
        Rule(("unsharpness",), unsharpness_faults),
        Rule(("distance", "area"), class_faults),
    )

    standard: Standard
    materials: Materials
    snr_n: SnrRows | None = None
    snr_window: SnrWindow | None = None
    wires: GaugeTable | None = None
    pairs: GaugeTable | None = None
    wire: WireRows | None = None
    duplex: DuplexRows | None = None
    distance: Distance | None = None
    area: Area | None = None
    unsharpness: UnsharpnessRows | None = None
    ring: RingIqis | None = None
    reading: Reading | None = None
    calibration: CalibrationDose | None = None
    compensation: Compensation | None = None

    def profile(self, identity: str) -> Profile:
        """The profile; ``identity`` names the file and its content."""
        parts = {name: getattr(self, name) for name in self.section_names()}
        return Profile(**parts, identity=identity)
