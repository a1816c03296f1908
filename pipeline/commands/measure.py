"""``girthstrip measure``: image quality before the exposure (``--plan``), and of strips."""

# ruff: noqa: PLC0415 - each command imports what it needs, so that --help doesn't wait for it

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.commands.logged import logged
from pipeline.commands.options import FAILED_VERDICT, Debug, Json, Quiet
from pipeline.terminal import CAUTION, show


def measure(
    strips: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="STRIP",
            help="Result folders, or pictures: TIFFs of 16-bit gray values linear in dose.",
        ),
    ] = None,
    config: Annotated[
        Path | None,
        typer.Option(
            "--config",
            metavar="CONFIG",
            help="Weld config whose [quality] and [[iqi]] count; without it a folder's own.",
        ),
    ] = None,
    pitch_mm: Annotated[
        float | None,
        typer.Option(
            "--pitch-mm",
            metavar="MM",
            help="A picture's pixel pitch; without it its resolution tags count.",
        ),
    ] = None,
    plan: Annotated[
        Path | None,
        typer.Option(
            "--plan",
            metavar="CONFIG",
            help="Instead: say before the exposure whether the config's [quality] can be met.",
        ),
    ] = None,
    indications: Annotated[
        Path | None,
        typer.Option(
            "--indications",
            metavar="CSV",
            help="A reviewer's table of indications: measure them too, in one result folder.",
        ),
    ] = None,
    suggest: Annotated[
        bool,
        typer.Option("--suggest", help="Also suggest where to look, by local contrast alone."),
    ] = False,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Measure image quality and hold it against what a standard's profile asks."""
    if (plan is None) == (not strips):
        raise typer.BadParameter(
            "give the strips to measure, or --plan CONFIG before the exposure, not both",
            param_hint="STRIP",
        )
    if plan is not None:
        if config is not None or pitch_mm is not None or indications is not None or suggest:
            raise typer.BadParameter("--plan takes its config alone", param_hint="--plan")
        lacking = _plan(plan, as_json)
    else:
        if (indications is not None or suggest) and len(strips or []) != 1:
            raise typer.BadParameter(
                "indications are those of one strip; name that one",
                param_hint="--indications" if indications is not None else "--suggest",
            )
        lacking = _measure(strips or [], config, pitch_mm, indications, suggest, as_json)
    if lacking:
        raise typer.Exit(FAILED_VERDICT)


def _plan(config: Path, as_json: bool) -> bool:
    """Whether something that is asked can't be met."""
    from pipeline.config.weld import load_weld_config
    from pipeline.exposure_plan import SCHEMA, plan_exposure
    from pipeline.quality.asked.intended import Reach
    from pipeline.record import software

    found = plan_exposure(load_weld_config(config), config)
    record = {"schema": SCHEMA, "software": dict(software()), **found.as_dict()}
    show(as_json, record, f"{found.text()}\n{CAUTION}")
    return any(one.reach is Reach.NOT_MET for one in found.findings)


def _measure(
    strips: list[Path],
    config: Path | None,
    pitch_mm: float | None,
    indications: Path | None,
    suggest: bool,
    as_json: bool,
) -> bool:
    """Whether one of the strips doesn't meet what is asked, or doesn't show that it does."""
    from dataclasses import asdict

    from pipeline.measure import SCHEMA, measure_strip
    from pipeline.noted import measure_noted
    from pipeline.outputs.report.told.indications import indications_text
    from pipeline.record import software

    found = [measure_strip(path, config=config, pitch_mm=pitch_mm) for path in strips]
    told = [one.as_dict() for one in found]
    texts = [one.text() for one in found]
    if indications is not None or suggest:
        listed = measure_noted(strips[0], indications, suggest=suggest)
        told[0]["indications"] = asdict(listed)
        texts.append("\n".join([indications_text(listed), *listed.remarks()]))
    for path in strips:
        logged(path, "measure" if indications is None else "mark indications")
    record = {"schema": SCHEMA, "software": dict(software()), "strips": told}
    show(as_json, record, "\n\n".join([*texts, CAUTION]))
    return not all(one.met for one in found)
