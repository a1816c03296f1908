"""Group 0014 against dictionaries that others made.

Sources: pydicom's ``DicomDictionary`` (generated from DICOM PS3.6) and dcmtk's ``dicom.dic``, whose
entries name where they come from ("DICOM/DICONDE"). What the attributes of DICOM's patient stand
for in DICONDE neither tells: that is from memory of ASTM E2339.
"""

from __future__ import annotations

from pathlib import Path

import pydicom
import pytest
from pydicom.datadict import DicomDictionary

from pipeline.outputs.dicom.export import Wishes, export_strip
from tests.outputs.dicom.exported import elements
from tests.outputs.dicom.test_marks import TABLE

GROUP = 0x0014
_PLACES = ("/usr/share", "/usr/local/share", "/opt")


def dcmtk_entries() -> dict[int, tuple[str, str, str, str]]:
    """Of group 0014: tag → representation, keyword, multiplicity, origin."""
    found = [path for place in _PLACES for path in Path(place).glob("*dcmtk*/**/dicom.dic")]
    if not found:
        pytest.skip("dcmtk's dictionary is not installed (Debian package dcmtk)")
    entries = {}
    for line in found[0].read_text(encoding="latin-1").splitlines():
        cells = line.split()
        if line.startswith("(0014,") and len(cells) == 5 and "-" not in cells[0]:
            entries[int(cells[0].strip("()").replace(",", ""), 16)] = tuple(cells[1:])
    return entries  # type: ignore[return-value]


@pytest.fixture(scope="module")
def written(
    small_finished: Path, tmp_path_factory: pytest.TempPathFactory
) -> list[pydicom.DataElement]:
    """Every element of group 0014 in an export with indications."""
    folder = tmp_path_factory.mktemp("dictionary")
    (folder / "indications.csv").write_text(TABLE, encoding="utf-8")
    wishes = Wishes(indications=folder / "indications.csv")
    export_strip(small_finished / "result", folder / "out", wishes)
    every = [
        one for path in (folder / "out").glob("*.dcm") for one in elements(pydicom.dcmread(path))
    ]
    found = [one for one in every if one.tag.group == GROUP]
    assert len({one.tag for one in found}) > 30
    return found


def test_group_0014_is_pydicoms(written: list[pydicom.DataElement]) -> None:
    for one in written:
        representation, multiplicity, _, retired, keyword = DicomDictionary[one.tag]
        assert (one.keyword, one.VR, retired) == (keyword, representation, "")
        assert multiplicity.endswith("n") or one.VR == "SQ" or int(multiplicity[-1]) >= one.VM


def test_group_0014_is_dcmtks(written: list[pydicom.DataElement]) -> None:
    entries = dcmtk_entries()
    for one in written:
        representation, keyword, _, origin = entries[int(one.tag)]
        assert (one.keyword, one.VR) == (keyword, representation)
        assert origin == "DICOM/DICONDE", f"{keyword} is {origin}"
