"""The commands that a calibration library is kept with: release, withdraw, list."""

# ruff: noqa: PLC0415 - each command imports what it needs, so that --help doesn't wait for it

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline.commands.find import find
from pipeline.commands.options import AcceptanceConfig, Debug, Json, Library, Quiet, moment_text
from pipeline.terminal import show

if TYPE_CHECKING:
    from pipeline.calibration.decisions import Entry

By = Annotated[str, typer.Option("--by", metavar="NAME", help="Who decides.")]
Date = Annotated[
    str,
    typer.Option(
        "--date", metavar="DATE", help="When, as 2026-03-31 or with a time; without it now."
    ),
]


def library_commands(group: typer.Typer) -> None:
    """Put the library's commands into a group."""
    group.command(
        epilog="Example: girthstrip calibrate release march --library panels --by 'C. Example'"
    )(release)
    group.command(
        epilog="Example: girthstrip calibrate withdraw ab12cd34ef56 --library panels "
        "--by 'C. Example' --reason 'light leaked in'"
    )(withdraw)
    group.command("list", epilog="Example: girthstrip calibrate list --library panels")(listed)
    group.command(
        epilog="Example: girthstrip calibrate find --library panels --serial SIM-0001 "
        "--gain-mode normal --kv 160 --date 2026-03-31"
    )(find)


def release(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder of a calibration.")],
    library: Library,
    by: By,
    reason: Annotated[
        str, typer.Option("--reason", metavar="TEXT", help="Why, or under which order.")
    ] = "",
    supersedes: Annotated[
        str,
        typer.Option("--supersedes", metavar="NAME", help="Calibration that it takes over from."),
    ] = "",
    despite_fail: Annotated[
        bool,
        typer.Option("--despite-fail", help="Release it though its figures fail; needs a reason."),
    ] = False,
    first: Annotated[
        Path | None,
        typer.Option(
            "--first",
            metavar="FOLDER",
            help="Calibration to compare with instead of the panel's first in the library.",
        ),
    ] = None,
    config: AcceptanceConfig = None,
    date: Date = "",
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Copy a calibration into the library and record that it may be used.

    The library is begun if there is none. The folder stays as it is.
    """
    from pipeline.config.calibrate import load_calibrate_config
    from pipeline.outputs.calibration.page import reasons_told
    from pipeline.release import Decision
    from pipeline.release import release as run

    limits = None if config is None else load_calibrate_config(config).acceptance
    done = run(
        folder,
        library,
        Decision(_decided_on(date), by, reason),
        supersedes=supersedes,
        despite_fail=despite_fail,
        first=first,
        limits=limits,
    )
    acceptance = done.assessed.acceptance
    reasons = reasons_told(acceptance)
    superseded = None if done.superseded is None else done.superseded.name
    show(
        as_json,
        {
            "folder": str(done.folder),
            "identity": done.entry.identity,
            "verdict": str(acceptance.verdict),
            "checks": [check.id for check in acceptance.reasons],
            "superseded": superseded,
        },
        f"released    {done.folder}\n"
        f"identity    {done.entry.identity}\n"
        f"acceptance  {acceptance.verdict}"
        + "".join(f"\n  {one.mark:9} {one.title}: {one.text}" for one in reasons)
        + (f"\nsuperseded  {superseded}" if superseded else ""),
    )


def withdraw(
    name: Annotated[
        str,
        typer.Argument(metavar="NAME", help="Folder name, or the first 6 digits of its identity."),
    ],
    library: Library,
    by: By,
    reason: Annotated[
        str, typer.Option("--reason", metavar="TEXT", help="Why it must not be used any more.")
    ],
    date: Date = "",
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Record that a calibration must not be used any more. It stays in the library."""
    from pipeline.release import Decision
    from pipeline.release import withdraw as run

    entry = run(library, name, Decision(_decided_on(date), by, reason))
    show(as_json, _entry_record(entry), f"withdrawn   {entry.name}: {reason}")


def listed(
    library: Library,
    serial: Annotated[
        str, typer.Option("--serial", metavar="SERIAL", help="Only of this panel.")
    ] = "",
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """List a library's calibrations with their conditions and history.

    Each is read in full; one that isn't what it was when released is named.
    """
    from pipeline.io.calibration_library import read_library

    known = read_library(library)
    entries = [entry for entry in known.entries if serial in ("", entry.facts.serial)]
    faults = {entry.identity: _fault(known.path(entry)) for entry in entries}
    lines = [_entry_text(entry, faults[entry.identity]) for entry in entries] or ["no calibrations"]
    lines += [f"note        {name} is no calibration and doesn't belong" for name in known.foreign]
    show(
        as_json,
        {
            "calibrations": [
                _entry_record(entry) | {"fault": faults[entry.identity] or None}
                for entry in entries
            ],
            "foreign": list(known.foreign),
        },
        "\n".join(lines),
    )


def _fault(folder: Path) -> str:
    """Why a calibration can't be used, as ``stitch`` would say it; "" if it can."""
    from pipeline.errors import CalibrationError
    from pipeline.io.calibration_store import read_calibration

    try:
        read_calibration(folder)
    except CalibrationError as error:
        return str(error)
    return ""


def _decided_on(text: str) -> str:
    """When a decision is made: as given, or now; what is yet to come can't have been decided."""
    now = _now()
    if not text:
        return now.isoformat(timespec="seconds")
    found = moment_text(text)
    if datetime.fromisoformat(found) > now + timedelta(days=1):  # elsewhere it is tomorrow already
        raise typer.BadParameter(f"{text} lies in the future", param_hint="--date")
    return found


def _now() -> datetime:
    return datetime.now(UTC)


def _entry_record(entry: Entry) -> dict[str, Any]:
    from dataclasses import asdict

    facts = entry.facts
    names = (
        *("serial", "gain_mode", "binning", "rows", "columns", "frame_time_s", "kv_min", "kv_max"),
        *("temperature_min_c", "temperature_max_c", "valid_from", "valid_until"),
    )
    return {
        "name": entry.name,
        "identity": entry.identity,
        "status": None if entry.status is None else str(entry.status),
        "history": [asdict(record) for record in entry.records],
        **{name: getattr(facts, name) for name in names},
    }


def _entry_text(entry: Entry, fault: str) -> str:
    from pipeline.calibration.conditions import frame_times_s, held_temperature

    facts = entry.facts
    known = [
        f"from {facts.valid_from}" if facts.valid_from else "",
        f"until {facts.valid_until}" if facts.valid_until else "",
        f"{facts.gain_mode} gain" if facts.gain_mode else "",
        _between(facts.kv_min, facts.kv_max, "kV"),
        _between(*held_temperature(facts), "°C"),
        _between(*frame_times_s(facts), "s a frame"),
    ]
    lines = [f"{entry.status or 'not released':14}{entry.name}"]
    lines.append(f"{'':14}{', '.join(text for text in known if text)}")
    for record in entry.records:
        why = f": {record.reason}" if record.reason else ""
        to = f" for {record.successor[:12]}" if record.successor else ""
        lines.append(f"{'':14}{record.when[:10]} {record.status} by {record.who}{to}{why}")
    if fault:
        lines.append(f"{'':14}damaged: {fault}")
    return "\n".join(lines)


def _between(low: float | None, high: float | None, unit: str) -> str:
    if low is None and high is None:
        return ""
    ends = ["" if value is None else f"{value:g}" for value in (low, high)]
    return f"{'–'.join(ends[: 1 if low == high else 2])} {unit}"
