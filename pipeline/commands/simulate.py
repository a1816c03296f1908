"""``girthstrip simulate``: a scan of an invented weld, or a panel's calibration exposures."""

# ruff: noqa: PLC0415 - what takes long to import is imported where it is used

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Annotated

import typer

from pipeline.commands.options import Debug, Json, Quiet
from pipeline.terminal import ProgressLines, show


def simulate(
    preset: Annotated[
        str,
        typer.Argument(
            metavar="PRESET",
            help="Ready scan: small, two_wall, arc, ring24, hard24, tilted24 or continuous24; or "
            "panel: every kind of calibration exposure of one panel, without a scan.",
        ),
    ],
    out: Annotated[Path, typer.Argument(metavar="OUT", help="New folder for the scan.")],
    seed: Annotated[
        int, typer.Option("--seed", metavar="N", min=0, help="Other seeds, other scans.")
    ] = 1,
    fault: Annotated[
        list[str] | None,
        typer.Option(
            "--fault",
            metavar="FAULT",
            help="Something that goes wrong with the panel's exposures: dust, object, light_leak, "
            "afterglow or roll_off; may be repeated.",
        ),
    ] = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Make a scan of an invented weld, and its truth."""
    from pipeline.simulation.panel_plan import PANEL, PanelPlan, get_faults
    from pipeline.simulation.presets import get_preset
    from pipeline.simulation.write import write_scan

    faults = get_faults(fault or [], preset)
    if preset == PANEL:
        from pipeline.simulation.panel_write import write_panel

        with ProgressLines(quiet) as progress:
            folder = write_panel(PanelPlan(), out, seed=seed, faults=faults, progress=progress)
        config = folder / "calibrate.toml"
        show(
            as_json,
            {
                "folder": str(folder),
                "preset": PANEL,
                "seed": seed,
                "faults": list(faults),
                "calibrate_config": str(config),
            },
            f"exposures   {folder}"
            + "".join(f"\nfault       {one}: {one.about}" for one in faults)
            + f"\nnext        girthstrip calibrate {shlex.quote(str(config))}",
        )
        return
    chosen = get_preset(preset)
    with ProgressLines(quiet) as progress:
        folder = write_scan(chosen, out, seed=seed, progress=progress)
    calibrate_config, stitch_config = folder / "calibrate.toml", folder / "stitch.toml"
    show(
        as_json,
        {
            "folder": str(folder),
            "preset": chosen.name,
            "seed": seed,
            "calibrate_config": str(calibrate_config),
            "stitch_config": str(stitch_config),
        },
        f"scan        {folder} ({chosen.about})\n"
        f"next        girthstrip calibrate {shlex.quote(str(calibrate_config))}\n"
        f"then        girthstrip stitch {shlex.quote(str(stitch_config))}",
    )
