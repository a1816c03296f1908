"""The calibration config: what it accepts, and what each mistake makes it say."""

# ruff: noqa: E501 - a row of the tables is a mistake and the message it brings

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest

from pipeline.calibration import classify
from pipeline.config.calibrate import BadPixelLimits, load_calibrate_config
from pipeline.errors import ConfigError

GOOD = """\
[panel]
rows = 1152
columns = 1536
pitch_mm = 0.1
serial = "P-1"

[calibration]
kv_min = 120
valid_from = "2026-01-01"

[bad_pixels]
noisy_factor = 5

[[exposures]]
kind = "dark"
folder = "dark"

[[exposures]]
kind = "flat"
folder = "flat-1"
dose = 2

[[exposures]]
kind = "flat"
folder = "flat-2"
dose = 4.5
"""


def write(folder: Path, text: str, name: str = "calibration.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_values_defaults_and_text(tmp_path: Path) -> None:
    job = load_calibrate_config(write(tmp_path, GOOD))

    assert [exposure.dose for exposure in job.exposures] == [None, 2.0, 4.5]
    assert job.exposures[0].folder == tmp_path / "dark"
    assert job.exposures[0].format == "tiff"
    assert job.calibration.kv_min == 120.0
    assert job.calibration.lag_fractions == ()
    assert job.bad_pixels.noisy_factor == 5.0
    assert job.output.folder == tmp_path / "calibration"
    assert load_calibrate_config(write(tmp_path, job.text(), "again.toml")) == job


def test_thresholds_are_those_that_classification_knows() -> None:
    ours = {name: field.default for name, field in BadPixelLimits.model_fields.items()}
    theirs = {field.name: field.default for field in fields(classify.BadPixelLimits)}
    assert ours == theirs


def test_exposures_from_another_folder(tmp_path: Path) -> None:
    text = GOOD.replace('folder = "flat-2"', 'folder = "/abs/flat"')
    job = load_calibrate_config(write(tmp_path, text), exposures_from=Path("scan"))
    assert [exposure.folder for exposure in job.exposures] == [
        Path("scan/dark"),
        Path("scan/flat-1"),
        Path("/abs/flat"),
    ]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            "dose = 2",
            "",
            "calibration.toml:18: exposures[1].dose: is missing: flats need their tube charge",
        ),
        (
            "dose = 2",
            "dose = 0",
            "calibration.toml:21: exposures[1].dose = 0: must be greater than 0 (tube charge in mA·s)",
        ),
        (
            "dose = 2",
            "dose_mas = 2",
            "exposures[1].dose_mas = 2: there is no such key; did you mean dose?",
        ),
        (
            'folder = "dark"',
            'folder = "dark"\ndose = 1',
            "exposures[0].dose = 1: is only for flats",
        ),
        (
            'kind = "dark"',
            'kind = "flat"\ndose = 1',
            'exposures: needs at least one set of kind = "dark"',
        ),
        ('folder = "flat-2"', 'folder = "flat-1"', "is the folder of exposures[1] too"),
        (
            'kind = "dark"',
            'kind = "offset"',
            'exposures[0].kind = "offset": must be "dark" or "flat"',
        ),
        (
            'kind = "dark"',
            'kind = "dark"\nformat = "binary"',
            'exposures[0].format = "binary": headerless files need',
        ),
        (
            "kv_min = 120",
            "kv_min = 120\nkv_max = 100",
            "calibration.kv_min = 120: must not be greater than kv_max = 100",
        ),
        ("kv_min = 120", "kv_min = -1", "calibration.kv_min = -1: must be greater than 0"),
        ("kv_min = 120", "min_kv = 1", "calibration.min_kv = 1: there is no such key"),
        ("kv_min = 120", "frame_time_ms = 500", "write it in s: frame_time_s = 0.5."),
        (
            "kv_min = 120",
            'valid_until = "2025-12-31T12:00:00"',
            "must be later than valid_from = 2026-01-01",
        ),
        ("kv_min = 120", 'valid_until = "soon"', "must be a date like 2026-03-31"),
        (
            "kv_min = 120",
            "lag_fractions = [0.1, 0.6]",
            "calibration.lag_fractions[1] = 0.6: must lie in [0, 0.5)",
        ),
        (
            'kind = "dark"',
            'kind = "dark"\nthickness_mm = [1]',
            "exposures[0].thickness_mm = [1]: is only for step_wedge",
        ),
        (
            'kind = "dark"',
            'kind = "dark"\nsource_distance_mm = 500',
            "exposures[0].source_distance_mm = 500: is only for flats and dot_grid",
        ),
        (
            "dose = 2",
            "dose = 2\nframe_time_s = 4",
            "exposures[1].frame_time_s = 4: is only for darks",
        ),
        (
            "dose = 2",
            "dose = 2\nsource_distance_mm = 500",
            "exposures[1].source_distance_mm = 500: differs among the flats; each distance",
        ),
        (
            "[bad_pixels]",
            "[gain]\nseparate_beam = true\n\n[bad_pixels]",
            "gain.separate_beam = true: needs to know how far the focal spot was",
        ),
        (
            "[bad_pixels]",
            '[gain]\nlinearity = "dose"\n\n[bad_pixels]',
            'gain.linearity = "dose": needs flats at 3 doses or more; there are 2',
        ),
        (
            "[bad_pixels]",
            "[lag]\nfractions = 0\n\n[bad_pixels]",
            "lag.fractions = 0: must lie in [1, 8] (how many earlier frames count at most)",
        ),
        (
            "[bad_pixels]",
            "[lag]\nregions = [4]\n\n[bad_pixels]",
            "lag.regions = [4]: must have 2 values",
        ),
        (
            "noisy_factor = 5",
            "non_uniform_px = 8",
            "bad_pixels.non_uniform_px = 8: must be an odd number",
        ),
        (
            "noisy_factor = 5",
            "non_uniform = 1",
            "must lie in (0, 1) (relative deviation from the neighbours: 1 % is 0.01)",
        ),
        (
            "noisy_factor = 5",
            "over_responding = 0.9",
            "must be greater than 1 (multiple of the neighbourhood's median)",
        ),
    ],
)
def test_one_mistake_one_message(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert old in GOOD
    path = write(tmp_path, GOOD.replace(old, new, 1))
    with pytest.raises(ConfigError) as caught:
        load_calibrate_config(path)
    message = str(caught.value).replace(str(path), path.name)
    assert said in message
    assert "\n" not in message


def test_without_exposures(tmp_path: Path) -> None:
    path = write(tmp_path, GOOD.partition("[[exposures]]")[0])
    with pytest.raises(
        ConfigError,
        match=r"exposures: the section \[\[exposures\]\] is missing; it needs kind, folder",
    ):
        load_calibrate_config(path)
    path = write(tmp_path, "exposures = []\n" + GOOD.partition("[[exposures]]")[0])
    with pytest.raises(ConfigError, match=r'one set of kind = "dark".*\n.*kind = "flat"'):
        load_calibrate_config(path)


def test_dates_may_be_written_with_or_without_quotes(tmp_path: Path) -> None:
    text = GOOD.replace('valid_from = "2026-01-01"', "valid_from = 2026-01-01T08:00:00Z")
    job = load_calibrate_config(write(tmp_path, text))
    assert job.calibration.valid_from == "2026-01-01T08:00:00+00:00"


def test_a_range_of_equal_ends_is_allowed(tmp_path: Path) -> None:
    text = GOOD.replace("kv_min = 120", "kv_min = 160\nkv_max = 160")
    assert load_calibrate_config(write(tmp_path, text)).calibration.kv_max == 160.0


EVERYTHING = """
[gain]
linearity = "dose"
separate_beam = true

[lag]
fractions = 3
regions = [2, 5]

[[exposures]]
kind = "dark"
folder = "hot"
temperature_c = 35
frame_time_s = 4

[[exposures]]
kind = "flat"
folder = "far"
dose = 9
source_distance_mm = 1000
temperature_c = 20

[[exposures]]
kind = "step_off"
folder = "step_off"

[[exposures]]
kind = "duplex_wire"
folder = "duplex"

[[exposures]]
kind = "dot_grid"
folder = "dots"
dot_spacing_mm = 5
source_distance_mm = 700

[[exposures]]
kind = "step_wedge"
folder = "wedge"
thickness_mm = [2, 4, 6]
"""


def everything(old: str = "", new: str = "") -> str:
    text = GOOD.replace("kv_min = 120", "kv_min = 120\nsource_distance_mm = 700") + EVERYTHING
    text = text.replace('folder = "dark"', 'folder = "dark"\ntemperature_c = 20\nframe_time_s = 2')
    assert old in text
    return text.replace(old, new, 1)


def test_every_kind_of_exposures(tmp_path: Path) -> None:
    job = load_calibrate_config(write(tmp_path, everything()))
    assert (job.gain.linearity, job.gain.separate_beam) == ("dose", True)
    assert (job.lag.fractions, job.lag.regions) == (3, (2, 5))
    assert job.exposures[3].temperature_c == 35
    assert job.exposures[-1].thickness_mm == (2, 4, 6)
    assert load_calibrate_config(write(tmp_path, job.text(), "again.toml")) == job


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("dot_spacing_mm = 5", "", "exposures[7].dot_spacing_mm: is missing: how far apart"),
        ("thickness_mm = [2, 4, 6]", "thickness_mm = [2]", "thickness of each step, in order"),
        (
            "temperature_c = 20\nframe_time_s = 2",
            "temperature_c = 25\nframe_time_s = 2",
            "exposures[4].temperature_c = 20: is not that of the first set of darks (25 °C)",
        ),
        (
            "source_distance_mm = 700",
            "source_distance_mm = 700\nlag_fractions = [0.01]",
            "calibration.lag_fractions = [0.01]: must not be given where a step_off sequence",
        ),
    ],
)
def test_what_doesnt_go_together(tmp_path: Path, old: str, new: str, said: str) -> None:
    path = write(tmp_path, everything(old, new))
    with pytest.raises(ConfigError) as caught:
        load_calibrate_config(path)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


DARKS = """\
[[exposures]]
kind = "dark"
folder = "dark_35c"
temperature_c = 35
frame_time_s = 2
"""


@pytest.mark.parametrize(
    ("first", "told"),
    [
        (
            "frame_time_s = 2",
            r"exposures\[0\]\.temperature_c.*is missing: exposures\[3\] tells its temperature",
        ),
        (
            "temperature_c = 22",
            r"exposures\[0\]\.frame_time_s.*is missing: exposures\[3\] tells its frame time",
        ),
    ],
)
def test_where_one_set_of_darks_tells_a_condition_all_must(
    tmp_path: Path, first: str, told: str
) -> None:
    text = GOOD.replace('folder = "dark"\n', f'folder = "dark"\n{first}\n') + DARKS
    with pytest.raises(ConfigError, match=told):
        load_calibrate_config(write(tmp_path, text))


def test_the_first_darks_have_the_calibrations_frame_time(tmp_path: Path) -> None:
    text = GOOD.replace('folder = "dark"\n', 'folder = "dark"\nframe_time_s = 4\n')
    wrong = text.replace("kv_min = 120", "frame_time_s = 2.0")
    with pytest.raises(
        ConfigError, match=r"exposures\[0\]\.frame_time_s = 4.*not calibration\.frame_time_s = 2"
    ):
        load_calibrate_config(write(tmp_path, wrong))
    near = text.replace("kv_min = 120", "frame_time_s = 4.03")
    for right in (text, near):
        assert load_calibrate_config(write(tmp_path, right)).exposures[0].frame_time_s == 4
