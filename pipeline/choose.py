"""Which calibration a weld gets: the folder that its config names, or the nearest of a library."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median

from pipeline.calibration.conditions import foreign
from pipeline.calibration.decisions import Entry
from pipeline.calibration.for_scan import for_scan
from pipeline.calibration.lookup import Choice, accept_named, choose
from pipeline.calibration.product import CalibrationFacts, CalibrationSet
from pipeline.calibration.wanted import Condition, Wanted, wanted_by_frames
from pipeline.config.panel import Panel
from pipeline.config.weld import WeldJob
from pipeline.config.weld_sections import CalibrationFolder
from pipeline.errors import CalibrationError
from pipeline.io.calibration_library import Library, is_library, read_library
from pipeline.io.calibration_store import read_calibration, read_facts
from pipeline.model import FrameRow
from pipeline.plan import scan_geometry

_DARK_CONDITIONS = frozenset({Condition.TEMPERATURE, Condition.FRAME_TIME})


@dataclass(frozen=True, slots=True)
class ChosenCalibration:
    """The folder to read the calibration from, and why that one."""

    folder: Path
    choice: Choice


def choose_calibration(job: WeldJob, rows: Sequence[FrameRow]) -> ChosenCalibration:
    """The calibration for a weld's frames; ``rows`` is its frame table.

    A folder that is named must suit the frames as well, as far as frames and calibration tell.
    Where a library is named too, or the folder lies in one, what was decided there about the
    calibration counts, wherever this copy of it lies. Whether panel, mode and size fit is for
    ``CalibrationSet.require_fit``, and whether the content is sound for ``read_calibration``.

    Raises:
        CalibrationError: none suits, or what is against it isn't allowed in the config.
    """
    return choose_wanted(job.calibration, wanted_by_panel(job.panel, rows))


def choose_wanted(
    told: CalibrationFolder,
    wanted: Wanted,
    *,
    library_of: Callable[[Path], Library] = read_library,
    facts_of: Callable[[Path], tuple[str, CalibrationFacts]] = read_facts,
) -> ChosenCalibration:
    """The calibration for frames that ask for this; see ``choose_calibration``.

    ``library_of`` and ``facts_of`` read a library and a calibration's facts: who asks for many
    welds gives readers that remember.

    Raises:
        CalibrationError: none suits, or what is against it isn't allowed in the config.
    """
    allow = frozenset(map(Condition, told.allow))
    if told.folder is None:
        if told.from_library is None:  # the config's own rule gives one of the two
            raise ValueError("the job names neither a calibration nor a library")
        library = library_of(told.from_library)
        try:
            choice = choose(library.entries, wanted, allow=allow)
        except CalibrationError as error:
            raise CalibrationError(
                error.what,
                where=str(told.from_library),
                expected=error.expected,
                remedy=error.remedy,
            ) from error
        return ChosenCalibration(library.path(choice.entry), choice)
    readers = library_of, facts_of
    return ChosenCalibration(
        told.folder, _named(told.folder, told.from_library, wanted, allow, readers)
    )


def calibration_for(
    job: WeldJob, rows: Sequence[FrameRow]
) -> tuple[ChosenCalibration, CalibrationSet]:
    """The chosen calibration as these frames need it: read, fitting, at the scan's conditions.

    Raises:
        CalibrationError: see ``choose_calibration``; or it can't be read, doesn't fit the panel, or
            its darks don't reach the scan's temperature or frame time.
    """
    chosen, panel = choose_calibration(job, rows), job.panel
    stored = read_calibration(chosen.folder)
    stored.require_fit(
        rows=panel.rows,
        columns=panel.columns,
        serial=panel.serial,
        gain_mode=panel.gain_mode,
        binning=panel.binning,
    )
    return chosen, for_scan(
        stored,
        *scan_geometry(job),
        temperature_c=_middle([row.temperature_c for row in rows]),
        frame_time_s=_middle([row.exposure_s for row in rows]),
        beyond=not _DARK_CONDITIONS.isdisjoint(job.calibration.allow),
    )


def _middle(values: Sequence[float | None]) -> float | None:
    """The median of what is told; None where nothing is."""
    told = [value for value in values if value is not None]
    return median(told) if told else None


def wanted_by_panel(panel: Panel, rows: Sequence[FrameRow]) -> Wanted:
    """What the frames of a table ask of a calibration of this panel."""
    return wanted_by_frames(
        rows,
        serial=panel.serial,
        gain_mode=panel.gain_mode,
        panel_rows=panel.rows,
        panel_columns=panel.columns,
        binning=panel.binning,
    )


def _named(
    folder: Path,
    library: Path | None,
    wanted: Wanted,
    allow: AbstractSet[Condition],
    readers: tuple[Callable[[Path], Library], Callable[[Path], tuple[str, CalibrationFacts]]],
) -> Choice:
    """A calibration that was named, judged by the records of every library that it is in."""
    library_of, facts_of = readers
    identity, facts = facts_of(folder)
    unknown = Entry(str(folder), identity, facts)
    home = folder.resolve().parent
    libraries = [] if library is None else [library]
    if is_library(home) and (library is None or library.resolve() != home):
        libraries.append(home)
    choices = []
    for place in libraries:
        entries = library_of(place).entries
        entry = next((one for one in entries if one.identity == identity), unknown)
        choice = accept_named(entry, wanted, in_library=True, allow=allow)
        if place == library and entry is not unknown and not foreign(facts, wanted):
            # A resolved config names both, and its log must come out as when this was chosen.
            again = choose(entries, wanted, allow=allow)
            choice = replace(choice, undecided=again.undecided)
        choices.append(choice)
    # The worst of them stands in the log.
    return max(
        choices or [accept_named(unknown, wanted, in_library=False, allow=allow)],
        key=lambda choice: len(choice.permitted),
    )
