"""A calibration as a folder: ``dark.tif``, ``gain.tif``, ``badpixels.tif``, ``calibration.json``.

``dark.tif`` has a page more for every dark state; ``linearity.tif`` is there where each pixel's
curvature was measured. ``bad_pixels.csv`` lists the bad pixels for people; it isn't read back.

``calibration.json`` is ``{"schema", "identity", "facts"}``; the identity is computed anew from the
content at every reading, so that a changed file can't pass for the original.
"""

from __future__ import annotations

import json
import os
from dataclasses import fields
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
import tifffile
from pydantic import TypeAdapter, ValidationError

from pipeline.calibration.product import (
    CalibrationFacts,
    CalibrationSet,
    DarkConditions,
    NoiseModel,
    content_identity,
    facts_to_json,
)
from pipeline.errors import CalibrationError
from pipeline.io.bad_pixel_list import write_bad_pixel_list
from pipeline.io.folders import new_folder

SCHEMA = "girthstrip.calibration/1"
CALIBRATION_FILES = (
    "calibration.json",
    "dark.tif",
    "gain.tif",
    "badpixels.tif",
    "linearity.tif",
    "bad_pixels.csv",
)
"""All that a calibration's folder holds; a folder with anything else is never replaced."""

_DARK, _GAIN, _CLASSES, _CURVATURE = "dark.tif", "gain.tif", "badpixels.tif", "linearity.tif"
_BAD_PIXEL_LIST = "bad_pixels.csv"
_FOLDER = "a calibration folder made by girthstrip calibrate"
_NAME_IT = "Name the folder that girthstrip calibrate made; if it is this one, copy it again"
_REMEDY = "Copy the calibration again, or make it anew with girthstrip calibrate"


def write_calibration(folder: Path, calibration: CalibrationSet, *, replace: bool = False) -> None:
    """Write the calibration as ``folder``, whole or not at all; see ``new_folder``.

    Raises:
        OutputError: the folder exists (without ``replace``) or can't be written.
        ValueError: the identity is not that of the content, or the facts can't be read back.
    """
    facts = json.loads(facts_to_json(calibration.facts))
    actual = content_identity(
        _parse_facts(facts),
        calibration.dark,
        calibration.gain,
        calibration.classes,
        dark_states=calibration.dark_states,
        curvature=calibration.curvature,
    )
    if actual != calibration.identity:
        raise ValueError("the calibration's identity is not that of its content")
    with new_folder(folder, replace=replace, own_files=CALIBRATION_FILES) as partial:
        _write_arrays(partial / _DARK, calibration.dark, *calibration.dark_states)
        _write_arrays(partial / _GAIN, calibration.gain)
        _write_arrays(partial / _CLASSES, calibration.classes)
        if calibration.curvature is not None:
            _write_arrays(partial / _CURVATURE, calibration.curvature)
        write_bad_pixel_list(
            partial / _BAD_PIXEL_LIST, calibration.classes, calibration.facts.bad_pixel_limits
        )
        record = {"schema": SCHEMA, "identity": calibration.identity, "facts": facts}
        text = json.dumps(record, sort_keys=True, indent=1, allow_nan=False)
        (partial / "calibration.json").write_text(text + "\n", encoding="ascii")


def read_calibration(folder: Path) -> CalibrationSet:
    """The calibration in ``folder``, its arrays read-only.

    Raises:
        CalibrationError: a file is missing, malformed, of another shape or type than the facts
            say, or the content isn't what the identity was computed from.
    """
    _require_folder(folder)
    identity, facts = _read_record(folder / "calibration.json")
    shape = (facts.rows, facts.columns)
    dark, *states = _read_arrays(folder / _DARK, shape, np.float32, 1 + len(facts.dark_states))
    (gain,) = _read_arrays(folder / _GAIN, shape, np.float32)
    (classes,) = _read_arrays(folder / _CLASSES, shape, np.uint8)
    curvature = None
    if (folder / _CURVATURE).exists():
        (curvature,) = _read_arrays(folder / _CURVATURE, shape, np.float32)
    dark_states = tuple(states)
    actual = content_identity(
        facts, dark, gain, classes, dark_states=dark_states, curvature=curvature
    )
    if actual != identity:
        _refuse(
            folder,
            f"has been changed since it was made: its content has identity {actual[:12]}",
            f"identity {identity[:12]}, as calibration.json says",
        )
    return CalibrationSet(facts, dark, gain, classes, identity, dark_states, curvature)


def read_facts(folder: Path) -> tuple[str, CalibrationFacts]:
    """Identity and facts of a calibration as ``calibration.json`` tells them; no array is read.

    So the identity isn't checked against the content: that is for ``read_calibration``.

    Raises:
        CalibrationError: the file is missing or malformed.
    """
    _require_folder(folder)
    return _read_record(folder / "calibration.json")


def _require_folder(folder: Path) -> None:
    if not folder.is_dir():
        what = "is not a folder" if folder.exists() else "doesn't exist"
        _refuse(folder, what, _FOLDER, _NAME_IT)


def _refuse(path: Path, what: str, expected: str = "", remedy: str = _REMEDY) -> NoReturn:
    raise CalibrationError(what, where=str(path), expected=expected, remedy=remedy)


def _refuse_reading(path: Path, error: OSError) -> NoReturn:
    """Raise CalibrationError about a file that is there, but that the system doesn't give."""
    if isinstance(error, IsADirectoryError):
        _refuse(path, "is a folder", "a file")
    raise CalibrationError(
        f"can't be read ({error.strerror or error})",
        where=str(path),
        remedy="Check the rights of the calibration's files and folder, and its disk",
    ) from error


def _write_arrays(path: Path, *arrays: np.ndarray[Any, Any]) -> None:
    """All arrays as pages of one file, float32 or uint8."""
    with tifffile.TiffWriter(path) as tiff:
        for array in arrays:
            tiff.write(
                np.ascontiguousarray(array),
                photometric="minisblack",
                compression="zlib",
                compressionargs={"level": 1},
                predictor=True,
                rowsperstrip=64,
                software="girthstrip",
                metadata=None,
            )


def _read_arrays(path: Path, shape: tuple[int, int], kind: type, pages: int = 1) -> list[Any]:
    """Read-only arrays of exactly this shape and type, one a page; headers are checked first."""
    dtype = np.dtype(kind)
    count = "one page" if pages == 1 else f"{pages} pages"
    expected = f"{count} of {shape[0]} rows × {shape[1]} columns, {dtype.name}"
    arrays: list[Any] | None = None
    try:
        with tifffile.TiffFile(path) as tiff:
            found = [(page.shape, page.dtype) for page in tiff.pages]
            if found == [(shape, dtype)] * pages:
                arrays = [page.asarray(maxworkers=os.cpu_count()) for page in tiff.pages]
    except FileNotFoundError:
        _refuse(path, "is missing", expected)
    except Exception as error:  # malformed files raise a dozen kinds
        if isinstance(error, OSError) and error.errno is not None:
            _refuse_reading(path, error)
        _refuse(path, f"is not a readable TIFF ({error})", expected)
    if arrays is None:
        kinds = ", ".join(f"{size} {kind}" for size, kind in found[:3]) or "no page"
        _refuse(path, f"holds {kinds}", expected)
    for array in arrays:
        if array.shape != shape or array.dtype != dtype:
            _refuse(path, f"holds {array.shape} {array.dtype}", expected)
        if not np.isfinite(array).all():
            _refuse(path, "has values that are not finite", expected)
        array.flags.writeable = False
    return arrays


def _read_record(path: Path) -> tuple[str, CalibrationFacts]:
    """Identity and facts from ``calibration.json``."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        _refuse(path, "is missing", _FOLDER, _NAME_IT)
    except OSError as error:
        _refuse_reading(path, error)
    except ValueError as error:
        _refuse(path, f"can't be read as text ({error})", "a JSON text")
    try:
        record = json.loads(text, parse_constant=_not_finite)
    except (ValueError, RecursionError) as error:
        _refuse(path, f"can't be read as JSON ({error})", "a JSON text")
    if not isinstance(record, dict) or record.get("schema") != SCHEMA:
        schema = record.get("schema") if isinstance(record, dict) else None
        _refuse(path, f"has schema {schema!r}", repr(SCHEMA))
    identity = record.get("identity")
    if set(record) != {"schema", "identity", "facts"} or not isinstance(identity, str):
        _refuse(path, f"has the keys {', '.join(sorted(record))}", "schema, identity, facts")
    try:
        return identity, _parse_facts(record["facts"])
    except ValueError as error:
        _refuse(path, f"has facts that can't be used: {error}", "what girthstrip calibrate wrote")


def _not_finite(text: str) -> NoReturn:
    raise ValueError(f"{text} is not a finite number")


def _parse_facts(raw: Any) -> CalibrationFacts:
    """The facts as they stand in JSON, every number as it was written (1 stays 1, not 1.0).

    Raises:
        ValueError: a key is unknown or missing, or a value has the wrong type.
    """
    known = {field.name for field in fields(CalibrationFacts)}
    if not isinstance(raw, dict) or not set(raw) <= known:
        extra = ", ".join(sorted(set(raw) - known)) if isinstance(raw, dict) else "no table"
        raise ValueError(f"unknown: {extra}")
    try:
        TypeAdapter(CalibrationFacts).validate_python(raw)
    except ValidationError as error:
        faults = (f"{'.'.join(map(str, e['loc']))}: {e['msg']}" for e in error.errors())
        raise ValueError("; ".join(faults)) from error
    if not (isinstance(raw["rows"], int) and isinstance(raw["columns"], int)):
        raise ValueError("rows and columns must be whole numbers")
    if raw["rows"] < 1 or raw["columns"] < 1:
        raise ValueError("rows and columns must be positive")
    extra_noise = set(raw["noise"]) - {field.name for field in fields(NoiseModel)}
    if extra_noise:
        raise ValueError("unknown: " + ", ".join(f"noise.{name}" for name in sorted(extra_noise)))
    values = dict(raw)
    values["noise"] = NoiseModel(**raw["noise"])
    for name in ("lag_fractions", "exposures", "rejected"):
        if name in values:
            values[name] = tuple(values[name])
    for name in ("lag_regions", "lag_shares"):
        if name in values:
            values[name] = tuple(tuple(row) for row in values[name])
    try:
        if "dark_conditions" in values:
            values["dark_conditions"] = DarkConditions(**values["dark_conditions"])
        if "dark_states" in values:
            values["dark_states"] = tuple(DarkConditions(**one) for one in values["dark_states"])
    except TypeError as error:
        raise ValueError(f"dark_conditions, dark_states: {error}") from error
    return CalibrationFacts(**values)
