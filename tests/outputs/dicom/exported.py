"""Exports of finished welds as the tests use them: made, read back strictly, looked into."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pydicom
import pydicom.config
import pytest
from pydicom.dataset import Dataset

from pipeline.outputs.dicom.export import Export, Wishes, export_strip
from pipeline.quality.log import QualityLog


def export(result: Path, out: Path, **wishes: Any) -> Export:
    """``export_strip`` with these wishes."""
    return export_strip(result, out, Wishes(**wishes))


def read(path: Path) -> Dataset:
    """A file as pydicom reads it when no odd value may pass; every element is looked at."""
    with pytest.MonkeyPatch.context() as patch:
        settings = pydicom.config.settings
        patch.setattr(settings, "reading_validation_mode", pydicom.config.RAISE)
        dataset = pydicom.dcmread(path)
        for element in elements(dataset):
            assert element.value is not None or element.VM == 0
    return dataset


def elements(dataset: Dataset) -> Iterator[Any]:
    """All elements, those in sequences too."""
    for element in dataset:
        yield element
        if element.VR == "SQ":
            for one in element.value:
                yield from elements(one)


def copy_of(finished: Path, folder: Path) -> Path:
    """A finished weld's folder that may be spoilt; returns its result's folder."""
    shutil.copytree(finished, folder)
    return folder / "result"


def change_log(result: Path, change: Callable[[QualityLog], dict[str, Any]]) -> QualityLog:
    """Replace fields of a result's quality log."""
    path = result / "quality.json"
    log = QualityLog.from_json(path.read_text(encoding="ascii"))
    changed = replace(log, **change(log))
    path.write_text(changed.to_json(), encoding="ascii")
    return changed


def log_of(result: Path) -> QualityLog:
    """A result's quality log."""
    return QualityLog.from_json((result / "quality.json").read_text(encoding="ascii"))
