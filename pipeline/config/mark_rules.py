"""Rules between the keys of a weld config that describe lead marks: its tape and its datum."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.config.faults import Fault
from pipeline.config.toml_lines import KeyPath
from pipeline.quality.marks.mark_plans import DatumPlan, TapePlan

_WIDTHS = 4.0  # from tick to tick at least: between them their surroundings must show


def tape_faults(tape: TapePlan | None) -> Iterator[Fault]:
    """Bands go from … to …; ticks must stand apart; long ticks need both their keys."""
    if tape is None:
        return
    yield from _band_faults(("tape", "z_mm"), tape.z_mm)
    yield from _band_faults(("tape", "long_z_mm"), tape.long_z_mm)
    if tape.spacing_mm < _WIDTHS * tape.width_mm:
        yield Fault(
            ("tape", "spacing_mm"),
            f"must be at least {_WIDTHS:g} times tape.width_mm, {tape.width_mm:g}: ticks so close "
            "can't be told apart",
            tape.spacing_mm,
        )


def datum_faults(datum: DatumPlan | None) -> Iterator[Fault]:
    """The band goes from … to …."""
    if datum is not None:
        yield from _band_faults(("datum", "z_mm"), datum.z_mm)


def _band_faults(key: KeyPath, band: tuple[float, float] | None) -> Iterator[Fault]:
    if band is not None and band[0] >= band[1]:
        yield Fault(key, "must be [from, to] with from less than to", band)
