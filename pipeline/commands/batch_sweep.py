"""``girthstrip batch sweep CONFIG … --vary key=v1,v2``: settings tried, side by side."""

# ruff: noqa: PLC0415 - imported where it is needed, so that --help doesn't wait for it

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from pipeline.commands.options import Debug, Json, Quiet
from pipeline.terminal import ProgressLines, show

_PAGE, _RECORD = "sweep.html", "sweep.json"


def sweep(
    configs: Annotated[
        list[Path], typer.Argument(metavar="CONFIG", help="Configs of the welds to try it on.")
    ],
    vary: Annotated[
        list[str],
        typer.Option(
            "--vary",
            metavar="KEY=V1,V2",
            help="Key of the config and its values; of several keys every combination is tried.",
        ),
    ],
    out: Annotated[
        Path,
        typer.Option(
            "--out", metavar="FOLDER", help="Folder for strips and page; a sweep in it goes on."
        ),
    ] = Path("sweep"),
    calibration: Annotated[
        Path | None,
        typer.Option("--calibration", metavar="FOLDER", help="Folder of the calibration."),
    ] = None,
    threads: Annotated[
        int | None,
        typer.Option("--threads", metavar="N", min=1, help="Threads; without it all cores."),
    ] = None,
    rounds: Annotated[
        int,
        typer.Option(
            "--rounds", metavar="N", min=1, help="How often each is timed; the least time counts."
        ),
    ] = 2,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Try settings on chosen welds: results side by side, quality and speed, and which to take.

    The config as it is comes first, to compare with. Nothing is changed but the folder given.
    """
    import json

    from pipeline.batch.sweep import load_all
    from pipeline.batch.sweep import sweep as try_all
    from pipeline.batch.vary import settings_of
    from pipeline.commands.options import given
    from pipeline.io.folders import require_outside
    from pipeline.outputs.batch.sweep_page import render_sweep, sweep_record
    from pipeline.outputs.batch.trial import recommend

    settings = settings_of(vary)
    require_outside(out)
    jobs = load_all(configs, settings, given({"calibration.folder": calibration}))
    cores = threads or len(os.sched_getaffinity(0))
    with ProgressLines(quiet) as progress:
        trials = try_all(jobs, settings, out.absolute(), cores, rounds, progress)
    chosen, why = recommend(trials)
    record = sweep_record(trials, chosen, why, cores, rounds)
    varied = ", ".join(text.partition("=")[0].strip() for text in vary)
    out.mkdir(parents=True, exist_ok=True)
    for name, text in (
        (_PAGE, render_sweep(varied, trials, chosen, why, cores, rounds)),
        (_RECORD, json.dumps(record, indent=1, sort_keys=True) + "\n"),
    ):
        partial = out / f".{name}.partial"
        partial.write_text(text, encoding="utf-8")
        partial.rename(out / name)
    lines = [f"{'fail':>4} {'att.':>4} {'of limits':>9} {'s/weld':>7}  setting"]
    for one in trials:
        if one.fault:
            lines.append(f"{'–':>4} {'–':>4} {'–':>9} {'–':>7}  {one.setting}: {one.fault}")
        else:
            fails, attention = one.verdicts
            lines.append(
                f"{fails:4} {attention:4} {100 * one.of_limits:8.2f}% {one.seconds:7.3g}  "
                f"{one.setting}"
            )
    lines += [f"recommended {chosen.setting}", f"because     {why}", f"page        {out / _PAGE}"]
    show(as_json, record, "\n".join(lines))
