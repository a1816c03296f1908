"""The commands of the calibration library: release, withdraw, list, find."""

# ruff: noqa: PLC0415 - each command imports what it needs, so that --help doesn't wait for it

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline.commands.options import Debug, Json, Quiet
from pipeline.terminal import show

if TYPE_CHECKING:
    from pipeline.calibration.conditions import Candidate, Wanted
    from pipeline.calibration.library import Entry

Library = Annotated[
    Path, typer.Option("--library", metavar="FOLDER", help="Folder of the calibration library.")
]
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
    config: Annotated[
        Path | None,
        typer.Option(
            "--config", metavar="FILE", help="Calibration config whose table [acceptance] counts."
        ),
    ] = None,
    date: Date = "",
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Copy a calibration into the library and record that it may be used.

    The library is begun if there is none. The folder stays as it is.
    """
    from pipeline.config.calibrate import load_calibrate_config
    from pipeline.release import Decision
    from pipeline.release import release as run

    limits = None if config is None else load_calibrate_config(config).acceptance
    done = run(
        folder,
        library,
        Decision(_moment(date), by, reason),
        supersedes=supersedes,
        despite_fail=despite_fail,
        limits=limits,
    )
    verdict = done.assessed.acceptance.verdict
    superseded = None if done.superseded is None else done.superseded.name
    show(
        as_json,
        {
            "folder": str(done.folder),
            "identity": done.entry.identity,
            "verdict": str(verdict),
            "superseded": superseded,
        },
        f"released    {done.folder}\n"
        f"identity    {done.entry.identity}\n"
        f"acceptance  {verdict}" + (f"\nsuperseded  {superseded}" if superseded else ""),
    )


def withdraw(
    name: Annotated[
        str, typer.Argument(metavar="NAME", help="Folder name, or first digits of its identity.")
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

    entry = run(library, name, Decision(_moment(date), by, reason))
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
    """List a library's calibrations with their conditions and history."""
    from pipeline.io.library_store import read_library

    entries = [
        entry for entry in read_library(library).entries if serial in ("", entry.facts.serial)
    ]
    text = "\n".join(_entry_text(entry) for entry in entries) or "no calibrations"
    show(as_json, {"calibrations": [_entry_record(entry) for entry in entries]}, text)


def find(
    library: Library,
    weld: Annotated[
        Path | None,
        typer.Option("--weld", metavar="CONFIG", help="Take all from a weld's config and frames."),
    ] = None,
    serial: Annotated[
        str, typer.Option("--serial", metavar="SERIAL", help="The panel's serial number.")
    ] = "",
    gain_mode: Annotated[
        str, typer.Option("--gain-mode", metavar="MODE", help="The panel's gain mode.")
    ] = "",
    binning: Annotated[
        str, typer.Option("--binning", metavar="BINNING", help="The panel's binning.")
    ] = "",
    frame_time: Annotated[
        float | None, typer.Option("--frame-time", metavar="S", help="Frame time in seconds.")
    ] = None,
    kv: Annotated[float | None, typer.Option("--kv", metavar="KV", help="Tube voltage.")] = None,
    temperature: Annotated[
        float | None, typer.Option("--temperature", metavar="C", help="Temperature in °C.")
    ] = None,
    date: Annotated[
        str, typer.Option("--date", metavar="DATE", help="When the frames were shot.")
    ] = "",
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Say which calibration of a library stitch would take, and why."""
    from pipeline.calibration.lookup import choose
    from pipeline.io.library_store import read_library

    if weld is not None:
        wanted = _wanted_by_weld(weld)
    elif not serial:
        raise typer.BadParameter("give --serial and what else is known, or --weld")
    else:
        wanted = _wanted(serial, gain_mode, binning, frame_time, kv, temperature, date)
    choice = choose(read_library(library).entries, wanted)
    folder = library / choice.entry.name
    show(
        as_json,
        {
            "folder": str(folder),
            "identity": choice.entry.identity,
            "reason": choice.reason,
            "not_judged": list(choice.unjudged),
            "others": [_candidate_record(one) for one in choice.others],
        },
        f"calibration {folder}\nreason      {choice.reason}",
    )


def _wanted_by_weld(config: Path) -> Wanted:
    from pipeline.choose import wanted_by_panel
    from pipeline.config.weld import load_weld_config
    from pipeline.io.frames import open_scan

    job = load_weld_config(config)
    return wanted_by_panel(job.panel, open_scan(job).rows)


def _wanted(
    serial: str,
    gain_mode: str,
    binning: str,
    frame_time: float | None,
    kv: float | None,
    temperature: float | None,
    date: str,
) -> Wanted:
    from pipeline.calibration.conditions import Wanted
    from pipeline.calibration.library import first_moment, last_moment

    day = _moment(date) if date else ""
    return Wanted(
        serial=serial,
        gain_mode=gain_mode,
        binning=binning or None,
        frame_time_s=None if frame_time is None else (frame_time, frame_time),
        kv=None if kv is None else (kv, kv),
        temperature_c=None if temperature is None else (temperature, temperature),
        dates=(first_moment(date), last_moment(date)) if day else None,
    )


def _moment(text: str) -> str:
    """A moment with its zone, from what was given or the clock."""
    from pipeline.calibration.library import moment

    if not text:
        return datetime.now(UTC).isoformat(timespec="seconds")
    try:
        return moment(text).isoformat()
    except ValueError:
        raise typer.BadParameter(
            f"{text!r} is no date; write 2026-03-31 or 2026-03-31T08:00:00+00:00",
            param_hint="--date",
        ) from None


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


def _entry_text(entry: Entry) -> str:
    facts = entry.facts
    known = [
        f"from {facts.valid_from}" if facts.valid_from else "",
        f"until {facts.valid_until}" if facts.valid_until else "",
        f"{facts.gain_mode} gain" if facts.gain_mode else "",
        _between(facts.kv_min, facts.kv_max, "kV"),
        _between(facts.temperature_min_c, facts.temperature_max_c, "°C"),
        "" if facts.frame_time_s is None else f"{facts.frame_time_s:g} s a frame",
    ]
    lines = [f"{entry.status or 'not released':12}{entry.name}"]
    lines.append(f"{'':12}{', '.join(text for text in known if text)}")
    for record in entry.records:
        why = f": {record.reason}" if record.reason else ""
        to = f" for {record.successor[:12]}" if record.successor else ""
        lines.append(f"{'':12}{record.when[:10]} {record.status} by {record.who}{to}{why}")
    return "\n".join(lines)


def _between(low: float | None, high: float | None, unit: str) -> str:
    if low is None and high is None:
        return ""
    ends = ("" if value is None else f"{value:g}" for value in (low, high))
    return f"{'–'.join(ends)} {unit}"


def _candidate_record(one: Candidate) -> dict[str, Any]:
    return {
        "name": one.entry.name,
        "identity": one.entry.identity,
        "against": {str(misfit.condition): misfit.text for misfit in one.misfits},
        "not_judged": list(one.unjudged),
        "days": one.days,
    }
