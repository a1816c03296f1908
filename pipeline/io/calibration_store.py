"""A calibration as a folder: ``dark.tif``, ``gain.tif``, ``badpixels.tif``, ``calibration.json``.

``calibration.json`` is ``{"schema", "identity", "facts"}``; the identity is computed anew from the
content at every reading, so that a changed file can't pass for the original.
"""

from __future__ import annotations

import json
from dataclasses import fields
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
import tifffile
from pydantic import TypeAdapter, ValidationError

from pipeline.calibration.product import (
    CalibrationFacts,
    CalibrationSet,
    NoiseModel,
    content_identity,
    facts_to_json,
)
from pipeline.errors import CalibrationError
from pipeline.io.folders import new_folder

SCHEMA = "girthstrip.calibration/1"
_ARRAYS = {"dark.tif": np.float32, "gain.tif": np.float32, "badpixels.tif": np.uint8}
_REMEDY = "Copy the calibration again, or make it anew with girthstrip calibrate"


def write_calibration(folder: Path, calibration: CalibrationSet, *, replace: bool = False) -> None:
    """Write the calibration as ``folder``, whole or not at all; see ``new_folder``.

    Raises:
        OutputError: the folder exists (without ``replace``) or can't be written.
        ValueError: the identity is not that of the content, or the facts can't be read back.
    """
    facts = json.loads(facts_to_json(calibration.facts))
    arrays = (calibration.dark, calibration.gain, calibration.classes)
    if content_identity(_parse_facts(facts), *arrays) != calibration.identity:
        raise ValueError("the calibration's identity is not that of its content")
    with new_folder(folder, replace=replace) as partial:
        for (name, kind), array in zip(_ARRAYS.items(), arrays, strict=True):
            _write_array(partial / name, np.ascontiguousarray(array, dtype=kind))
        record = {"schema": SCHEMA, "identity": calibration.identity, "facts": facts}
        text = json.dumps(record, sort_keys=True, indent=1, allow_nan=False)
        (partial / "calibration.json").write_text(text + "\n", encoding="ascii")


def read_calibration(folder: Path) -> CalibrationSet:
    """The calibration in ``folder``, its arrays read-only.

    Raises:
        CalibrationError: a file is missing, malformed, of another shape or type than the facts
            say, or the content isn't what the identity was computed from.
    """
    if not folder.is_dir():
        _refuse(folder, "is not a folder", "a calibration folder made by girthstrip calibrate")
    identity, facts = _read_record(folder / "calibration.json")
    shape = (facts.rows, facts.columns)
    dark, gain, classes = (
        _read_array(folder / name, shape, np.dtype(kind)) for name, kind in _ARRAYS.items()
    )
    actual = content_identity(facts, dark, gain, classes)
    if actual != identity:
        _refuse(
            folder,
            f"has been changed since it was made: its content has identity {actual[:12]}",
            f"identity {identity[:12]}, as calibration.json says",
        )
    return CalibrationSet(facts=facts, dark=dark, gain=gain, classes=classes, identity=identity)


def _refuse(path: Path, what: str, expected: str = "") -> NoReturn:
    raise CalibrationError(what, where=str(path), expected=expected, remedy=_REMEDY)


def _write_array(path: Path, array: np.ndarray[Any, Any]) -> None:
    tifffile.imwrite(
        path,
        array,
        photometric="minisblack",
        compression="zlib",
        compressionargs={"level": 1},
        predictor=True,
        rowsperstrip=64,
        software="girthstrip",
        metadata=None,
    )


def _read_array(path: Path, shape: tuple[int, int], dtype: np.dtype[Any]) -> Any:
    """A read-only array of exactly this shape and type; the header is checked before the pixels."""
    expected = f"one page of {shape[0]} rows × {shape[1]} columns, {dtype.name}"
    if not path.is_file():
        _refuse(path, "is missing", expected)
    try:
        with tifffile.TiffFile(path) as tiff:
            found = [(page.shape, page.dtype) for page in tiff.pages]
            array = tiff.pages[0].asarray() if found == [(shape, dtype)] else None
    except Exception as error:  # malformed files raise a dozen kinds
        _refuse(path, f"is not a readable TIFF ({error})", expected)
    if array is None:
        kinds = ", ".join(f"{size} {kind}" for size, kind in found[:3]) or "no page"
        _refuse(path, f"holds {kinds}", expected)
    if array.shape != shape or array.dtype != dtype:
        _refuse(path, f"holds {array.shape} {array.dtype}", expected)
    if not np.isfinite(array).all():
        _refuse(path, "has values that are not finite", expected)
    array.flags.writeable = False
    return array


def _read_record(path: Path) -> tuple[str, CalibrationFacts]:
    """Identity and facts from ``calibration.json``."""
    try:
        record = json.loads(path.read_text(encoding="utf-8"), parse_constant=_not_finite)
    except FileNotFoundError:
        _refuse(path, "is missing", "a calibration folder made by girthstrip calibrate")
    except (OSError, ValueError, RecursionError) as error:
        _refuse(path, f"can't be read ({error})", "a JSON text")
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
    for name in ("lag_fractions", "exposures"):
        if name in values:
            values[name] = tuple(values[name])
    return CalibrationFacts(**values)
