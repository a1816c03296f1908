"""``girthstrip calibrate find``: which calibration of a library frames would get, and why."""

# ruff: noqa: PLC0415 - each command imports what it needs, so that --help doesn't wait for it

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline.commands.options import Debug, Json, Library, Quiet, moment_text
from pipeline.terminal import show

if TYPE_CHECKING:
    from pipeline.calibration.conditions import Candidate
    from pipeline.calibration.lookup import Choice
    from pipeline.calibration.wanted import Wanted

_COLDEST_C = -273.15


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
    """Say which calibration of a library stitch would take, and why.

    Refused where stitch would refuse: none fits, or the one chosen is damaged.
    """
    told = {
        "--serial": serial,
        "--gain-mode": gain_mode,
        "--binning": binning,
        "--frame-time": frame_time,
        "--kv": kv,
        "--temperature": temperature,
        "--date": date,
    }
    given = [name for name, value in told.items() if value not in ("", None)]
    if weld is not None and given:
        raise typer.BadParameter(
            f"--weld takes all from the weld's config and frames, so {', '.join(given)} would "
            "not count; give one or the other"
        )
    _require_possible("--frame-time", frame_time, least=0.0)
    _require_possible("--kv", kv, least=0.0)
    _require_possible("--temperature", temperature, least=_COLDEST_C)
    if weld is not None:
        choice = _choice_of_weld(weld, library)
    elif not serial:
        raise typer.BadParameter("give --serial and what else is known, or --weld")
    else:
        wanted = _wanted(serial, gain_mode, binning, frame_time, kv, temperature, date)
        choice = _choice(library, wanted)
    folder = library / choice.entry.name
    show(
        as_json,
        {
            "folder": str(folder),
            "identity": choice.entry.identity,
            "reason": choice.reason,
            "not_judged": list(choice.unjudged),
            "undecided": list(choice.undecided),
            "others": [_candidate_record(one) for one in choice.others],
        },
        f"calibration {folder}\nreason      {choice.reason}",
    )


def _choice_of_weld(config: Path, library: Path) -> Choice:
    """As ``stitch CONFIG --library LIBRARY`` chooses, with all that it checks about it."""
    from pipeline.choose import calibration_for
    from pipeline.config.weld import load_weld_config
    from pipeline.io.frames import open_scan

    job = load_weld_config(
        config, {"calibration.folder": None, "calibration.from_library": library}
    )
    chosen, _ = calibration_for(job, open_scan(job).rows)
    return chosen.choice


def _choice(library: Path, wanted: Wanted) -> Choice:
    """The choice for conditions told one by one."""
    from pipeline.calibration.lookup import choose
    from pipeline.io.calibration_library import read_library
    from pipeline.io.calibration_store import read_calibration

    known = read_library(library)
    modes = {
        entry.facts.gain_mode for entry in known.entries if entry.facts.serial == wanted.serial
    }
    if not wanted.gain_mode and modes and "" not in modes:
        raise typer.BadParameter(
            f"say in which gain mode the frames were shot; panel {wanted.serial} has "
            f"calibrations in {', '.join(sorted(modes))}",
            param_hint="--gain-mode",
        )
    choice = choose(known.entries, wanted)
    read_calibration(known.path(choice.entry))  # refused if it isn't what was released
    return choice


def _require_possible(option: str, value: float | None, *, least: float) -> None:
    if value is not None and not (math.isfinite(value) and value > least):
        raise typer.BadParameter(f"{value} must be a number above {least:g}", param_hint=option)


def _wanted(
    serial: str,
    gain_mode: str,
    binning: str,
    frame_time: float | None,
    kv: float | None,
    temperature: float | None,
    date: str,
) -> Wanted:
    from pipeline.calibration.decisions import first_moment, last_moment
    from pipeline.calibration.wanted import Wanted

    day = moment_text(date) if date else ""
    return Wanted(
        serial=serial,
        gain_mode=gain_mode,
        binning=binning or None,
        frame_time_s=None if frame_time is None else (frame_time, frame_time),
        kv=None if kv is None else (kv, kv),
        temperature_c=None if temperature is None else (temperature, temperature),
        dates=(first_moment(date), last_moment(date)) if day else None,
    )


def _candidate_record(one: Candidate) -> dict[str, Any]:
    return {
        "name": one.entry.name,
        "identity": one.entry.identity,
        "against": {str(misfit.condition): misfit.text for misfit in one.misfits},
        "not_judged": list(one.unjudged),
        "days": one.days,
    }
