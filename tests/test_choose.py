"""Which calibration a weld gets, from its config and its frame table."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any, get_args

import pytest

from pipeline.calibration.decisions import Status, StatusRecord
from pipeline.calibration.product import CalibrationSet, content_identity
from pipeline.calibration.wanted import Condition
from pipeline.choose import choose_calibration
from pipeline.config.weld import WeldJob, load_weld_config
from pipeline.config.weld_sections import Allowable
from pipeline.errors import CalibrationError, ConfigError
from pipeline.io.calibration_library import add_calibration, add_decision, read_library
from pipeline.io.calibration_store import write_calibration
from pipeline.model import FrameRow
from pipeline.quality.calibration import calibration_checks
from tests.calibration.ageing_panel import COLUMNS, ROWS, aged

WELD = f"""
[weld]
id = "W-1"
diameter_mm = 114.3
wall_mm = 6.0

[panel]
rows = {ROWS}
columns = {COLUMNS}
pitch_mm = 0.1
serial = "TEST-1"
gain_mode = "normal"

[geometry]
standoff_mm = 10.0

[stages]
sequence = ["flat_field", "bad_pixels", "distortion", "registration", "blending"]
"""
ROW = FrameRow(
    0, "f.tif", 0, 0.0, time="2026-02-01T08:00:00", kv=160.0, exposure_s=2.0, temperature_c=20.0
)


def told(calibration: CalibrationSet, **facts: Any) -> CalibrationSet:
    """The calibration with other facts."""
    other = dataclasses.replace(calibration.facts, **facts)
    arrays = calibration.dark, calibration.gain, calibration.classes
    return CalibrationSet(other, *arrays, content_identity(other, *arrays))


def release(library: Path, calibration: CalibrationSet, place: Path) -> str:
    """Put a calibration into a library; its folder's name there."""
    write_calibration(place, calibration)
    when = "2026-01-06T08:00:00+00:00"
    record = StatusRecord(calibration.identity, Status.RELEASED, when, "C. Example")
    return add_calibration(library, place, record).name


def job(base: Path, calibration: str = "", **overrides: Path | None) -> WeldJob:
    """The weld's config in ``base``, with a table [calibration] and overrides of its keys."""
    path = base / "weld.toml"
    path.write_text(WELD + calibration, encoding="utf-8")
    return load_weld_config(path, {f"calibration.{name}": one for name, one in overrides.items()})


def test_the_nearest_of_the_library_is_taken(tmp_path: Path) -> None:
    library = tmp_path / "library"
    old = release(library, aged(0), tmp_path / "a")
    new = release(library, told(aged(0), valid_from="2026-01-30"), tmp_path / "b")
    weld = job(tmp_path, '[calibration]\nfrom_library = "library"\n')
    assert weld.calibration.folder is None
    chosen = choose_calibration(weld, [ROW])
    assert chosen.folder == library / new
    assert f"Next: {old}, valid from 27 days before the frames." in chosen.choice.reason

    add_decision(
        library,
        StatusRecord(
            chosen.choice.entry.identity, Status.WITHDRAWN, "2026-02-02T00:00:00+00:00", "C", "dust"
        ),
    )
    assert choose_calibration(weld, [ROW]).folder == library / old


def test_without_a_library_the_usual_folder_is_the_default(
    tmp_path: Path,
) -> None:
    write_calibration(tmp_path / "calibration", aged(0))
    usual = job(tmp_path)
    assert usual.calibration.folder == tmp_path / "calibration"
    assert choose_calibration(usual, [ROW]).choice.entry.identity == aged(0).identity
    both = job(tmp_path, '[calibration]\nfolder = "calibration"\nfrom_library = "none"\n')
    with pytest.raises(CalibrationError, match="none: is no library"):
        choose_calibration(both, [ROW])
    asked = job(
        tmp_path, '[calibration]\nfolder = "calibration"\n', folder=None, from_library=Path("none")
    )
    assert asked.calibration.folder is None  # as stitch --library asks for


def test_the_config_comes_back_from_its_own_text(tmp_path: Path) -> None:
    for text in ("", '[calibration]\nfrom_library = "panels"\nallow = ["kv", "withdrawn"]\n'):
        weld = job(tmp_path, text)
        (tmp_path / "again.toml").write_text(weld.text(), encoding="utf-8")
        assert load_weld_config(tmp_path / "again.toml").calibration == weld.calibration


def test_a_named_one_that_does_not_suit_the_frames_is_refused_unless_allowed(
    tmp_path: Path,
) -> None:
    write_calibration(tmp_path / "calibration", told(aged(0), kv_max=120.0))
    with pytest.raises(CalibrationError, match=r"calibration: this calibration isn't meant for"):
        choose_calibration(job(tmp_path), [ROW])
    allowed = job(tmp_path, '[calibration]\nallow = ["kv"]\n')
    permitted = choose_calibration(allowed, [ROW]).choice.permitted
    assert [misfit.condition for misfit in permitted] == [Condition.KV]


def test_one_named_inside_a_library_must_not_be_withdrawn(tmp_path: Path) -> None:
    library = tmp_path / "library"
    name = release(library, aged(0), tmp_path / "a")
    entry = read_library(library).entries[0]
    weld = job(tmp_path, folder=library / name)
    assert choose_calibration(weld, [ROW]).choice.permitted == ()
    gone = StatusRecord(entry.identity, Status.WITHDRAWN, "2026-02-02T00:00:00+00:00", "C", "dust")
    add_decision(library, gone)
    with pytest.raises(CalibrationError, match="withdrawn on 2026-02-02 by C: dust"):
        choose_calibration(weld, [ROW])
    allowed = job(tmp_path, '[calibration]\nallow = ["withdrawn"]\n', folder=library / name)
    assert len(choose_calibration(allowed, [ROW]).choice.permitted) == 1


def test_naming_what_the_library_gave_is_judged_as_when_it_was_chosen(tmp_path: Path) -> None:
    """As a run's resolved config does, whose quality log must come out the same."""
    library = tmp_path / "library"
    release(library, aged(0), tmp_path / "a")
    release(library, told(aged(0), temperature_max_c=40.0), tmp_path / "b")
    text = '[calibration]\nfrom_library = "library"\n'
    silent = [dataclasses.replace(ROW, temperature_c=None)]
    first = choose_calibration(job(tmp_path, text), silent)
    assert first.choice.undecided == ("temperature",)
    again = choose_calibration(job(tmp_path, text, folder=first.folder), silent)
    assert calibration_checks(again.choice) == calibration_checks(first.choice)
    alone = choose_calibration(job(tmp_path, folder=first.folder), silent)
    assert alone.choice.undecided == ()


@pytest.mark.parametrize("place", ["copy", "link", "another library"])
def test_a_named_copy_of_what_is_withdrawn_in_the_library_is_refused(
    place: str, tmp_path: Path
) -> None:
    library, folder = tmp_path / "library", tmp_path / "a"
    name = release(library, aged(0), folder)
    text = '[calibration]\nfrom_library = "library"\n'
    if place == "link":  # into the library, which isn't named then
        text, folder = "", tmp_path / "link"
        folder.symlink_to(library / name)
    elif place == "another library":
        release(tmp_path / "other", aged(0), tmp_path / "b")
        folder = tmp_path / "other" / name
    chosen = choose_calibration(job(tmp_path, text, folder=folder), [ROW])
    assert (chosen.folder, chosen.choice.permitted) == (folder, ())

    when = "2026-02-02T00:00:00+00:00"
    gone = StatusRecord(aged(0).identity, Status.WITHDRAWN, when, "C", "dust")
    add_decision(library, gone)
    with pytest.raises(CalibrationError, match="withdrawn on 2026-02-02 by C: dust"):
        choose_calibration(job(tmp_path, text, folder=folder), [ROW])


def test_a_named_one_that_the_library_does_not_have_was_never_released(tmp_path: Path) -> None:
    release(tmp_path / "library", aged(0), tmp_path / "a")
    write_calibration(tmp_path / "b", told(aged(0), kv_max=170.0))
    text = '[calibration]\nfrom_library = "library"\n'
    with pytest.raises(CalibrationError, match=r'never released.*allow = \["unreleased"\]'):
        choose_calibration(job(tmp_path, text, folder=tmp_path / "b"), [ROW])


def test_the_library_is_named_where_none_fits(tmp_path: Path) -> None:
    release(tmp_path / "library", told(aged(0), serial="OTHER"), tmp_path / "a")
    weld = job(tmp_path, '[calibration]\nfrom_library = "library"\n')
    with pytest.raises(CalibrationError, match=r"library: the library has no calibration of panel"):
        choose_calibration(weld, [ROW])


def test_what_may_be_allowed_is_told(tmp_path: Path) -> None:
    assert set(get_args(Allowable)) == {str(condition) for condition in Condition}
    with pytest.raises(
        ConfigError, match=r'calibration.allow\[0\] = "voltage": must be "withdrawn" or'
    ):
        job(tmp_path, '[calibration]\nallow = ["voltage"]\n')
