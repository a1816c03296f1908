"""``girthstrip export``: a finished strip as DICONDE files."""

# ruff: noqa: PLC0415 - what takes long to import is imported where it is used

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from pipeline.commands.logged import logged
from pipeline.commands.options import Debug, Json, Quiet, Replace, moment_text
from pipeline.terminal import CAUTION, show


class For(StrEnum):
    """What the images are for."""

    PROCESSING = "processing"
    PRESENTATION = "presentation"
    BOTH = "both"


class Compress(StrEnum):
    """How pixels are stored; all are lossless."""

    NONE = "none"
    JPEG_LS = "jpeg-ls"
    JPEG_2000 = "jpeg-2000"


class Polarity(StrEnum):
    """How the image for presentation is shown."""

    NEGATIVE = "negative"
    POSITIVE = "positive"


def export(
    result: Annotated[
        Path, typer.Argument(metavar="RESULT", help="A weld's result folder, as stitch wrote it.")
    ],
    out: Annotated[Path, typer.Argument(metavar="OUT", help="New folder for the DICOM files.")],
    wanted: Annotated[
        For,
        typer.Option(
            "--for",
            help="For processing: gray values as they are; for presentation: with a gray window.",
        ),
    ] = For.BOTH,
    compress: Annotated[
        Compress, typer.Option("--compress", help="Lossless compression of the pixels.")
    ] = Compress.NONE,
    window: Annotated[
        str | None,
        typer.Option(
            "--window",
            metavar="LOW,HIGH",
            help="Gray values at which the display begins and ends; without it the report's.",
        ),
    ] = None,
    polarity: Annotated[
        Polarity,
        typer.Option(
            "--polarity",
            help="Negative, as on film: more radiation is shown darker; positive: lighter.",
        ),
    ] = Polarity.NEGATIVE,
    indications: Annotated[
        Path | None,
        typer.Option(
            "--indications",
            metavar="CSV",
            help="A reviewer's table of indications, instead of what the quality log has.",
        ),
    ] = None,
    reviewed: Annotated[
        str | None,
        typer.Option(
            "--reviewed",
            metavar="MOMENT",
            help="When the marks were made; without it when the last frame was shot.",
        ),
    ] = None,
    previous: Annotated[
        Path | None,
        typer.Option(
            "--previous",
            metavar="PATH",
            help="Export of an earlier processing of the same frames, to refer to.",
        ),
    ] = None,
    replace: Replace = False,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Write a finished strip as DICONDE files, for other programs and archives."""
    from pipeline.outputs.dicom.export import SCHEMA, Wishes, export_strip
    from pipeline.record import software

    told = None if reviewed is None else datetime.fromisoformat(moment_text(reviewed, "--reviewed"))
    if told is not None and told > datetime.now(UTC):
        raise typer.BadParameter(
            f"{reviewed!r} is still to come; marks can only have been made by now",
            param_hint="--reviewed",
        )
    wishes = Wishes(
        wanted=wanted.value,
        compression=compress.value,
        window=None if window is None else _window(window),
        polarity=polarity.value,
        indications=indications,
        reviewed=told,
        previous=previous,
    )
    done = export_strip(result, out, wishes, replace=replace)
    logged(
        result,
        "export",
        to=str(done.folder),
        files={str(one["file"]): str(one.get("sha256", "")) for one in done.files},
    )
    record = {
        "schema": SCHEMA,
        "software": dict(software()),
        "folder": str(done.folder),
        "weld": done.weld,
        "files": list(done.files),
        "remarks": list(done.remarks),
    }
    lines = [
        f"weld        {done.weld}",
        *(f"file        {done.folder / one['file']} ({_size(one)})" for one in done.files),
        *(f"note        {remark}" for remark in done.remarks),
        CAUTION,
    ]
    show(as_json, record, "\n".join(lines))


def _size(one: Mapping[str, Any]) -> str:
    """A file's size, with its unit."""
    count = one["bytes"]
    return f"{count / 1e6:.1f} MB" if count >= 1e6 else f"{count / 1e3:.1f} kB"


def _window(text: str) -> tuple[float, float]:
    """Two gray values, the lower first."""
    try:
        low, high = (float(part) for part in text.split(","))
    except ValueError:
        low = high = float("nan")
    if not 0 <= low < high <= 65535:
        raise typer.BadParameter(
            f"{text!r} is no window; write two gray values from 0 to 65535, the lower first: "
            "8000,21000",
            param_hint="--window",
        )
    return low, high
