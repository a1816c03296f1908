"""The weld config: what it accepts, and what each mistake makes it say."""

# ruff: noqa: E501 - a row of the tables is a mistake and the message it brings

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from pipeline.config.stage_tables import Stages
from pipeline.config.weld import WeldJob, load_weld_config
from pipeline.errors import ConfigError
from pipeline.stages import STAGES

GOOD = """\
[weld]
id = "W-7"
diameter_mm = 609.6
wall_mm = 12.7

[panel]
rows = 1152
columns = 1536
pitch_mm = 0.1
serial = "P-1"

[geometry]
standoff_mm = 10

[frames]
format = "tiff"

[strip]
overrun_mm = 50

[scan]
ring = true

[stages]
sequence = ["flat_field", "bad_pixels", "distortion", "registration", "blending"]

[stages.flat_field]
min_gain = 0.1
"""


def write(folder: Path, text: str, name: str = "weld.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def complaint(folder: Path, text: str, **overrides: object) -> str:
    """What is said about a faulty file, its path cut down to its name."""
    path = write(folder, text)
    with pytest.raises(ConfigError) as caught:
        load_weld_config(path, overrides)
    assert caught.value.exit_code == 2
    return str(caught.value).replace(str(path), path.name)


# ---- what is right ------------------------------------------------------------------------------


def test_values_defaults_and_stage_records(tmp_path: Path) -> None:
    job = load_weld_config(write(tmp_path, GOOD))

    assert job.weld.diameter_mm == 609.6
    assert job.weld.radius_mm == 304.8
    assert job.weld.material == "carbon steel"
    assert job.geometry.standoff_mm == 10.0
    assert isinstance(job.geometry.standoff_mm, float)
    assert job.geometry.arrangement == "panoramic"
    assert job.strip.axial_mm is None
    assert job.limits.closure_mm == 0.2
    assert job.limits.seam_level_step == 0.003
    assert [record.name for record in job.stages.records] == list(job.stages.sequence)
    assert job.stages.records[0] == STAGES["flat_field"](min_gain=0.1)  # type: ignore[call-arg]
    assert job.stages.records[1] == STAGES["bad_pixels"]()


def test_every_stage_has_a_table() -> None:
    tables = {name: field.annotation for name, field in Stages.model_fields.items()}
    del tables["sequence"]
    assert tables == STAGES


def test_folders_count_from_the_config_file(tmp_path: Path) -> None:
    text = GOOD.replace('format = "tiff"', 'folder = "../scan"').replace(
        "[strip]", '[output]\nfolder = "/elsewhere/out"\n[strip]'
    )
    (tmp_path / "configs").mkdir()
    job = load_weld_config(write(tmp_path / "configs", text))

    assert job.frames.folder == tmp_path / "configs" / "../scan"
    assert job.frames.table_path == tmp_path / "configs" / "../scan" / "frames.csv"
    assert job.calibration.folder == tmp_path / "configs" / "calibration"
    assert job.output.folder == Path("/elsewhere/out")


def test_folders_of_the_command_line_count_from_where_the_tool_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "configs").mkdir()
    write(tmp_path / "configs", GOOD)
    path = Path("configs/weld.toml")
    job = load_weld_config(path, {"frames.folder": Path("scan/frames"), "weld.operator": "A. B."})

    assert job.frames.folder == Path("scan/frames")
    assert job.weld.operator == "A. B."
    assert tomllib.loads(job.text())["frames"]["folder"] == "../scan/frames"


def test_records_are_frozen_and_keep_their_rules_however_made(tmp_path: Path) -> None:
    job = load_weld_config(write(tmp_path, GOOD))
    with pytest.raises(ValidationError, match="frozen"):
        job.weld.id = "other"  # type: ignore[misc]
    thick = job.weld.model_copy(update={"wall_mm": 400.0})
    with pytest.raises(ValidationError, match="the pipe would have no bore"):
        WeldJob(**{**dict(job), "weld": thick})


# ---- the resolved text --------------------------------------------------------------------------


def test_text_has_every_default_and_loads_back_equal(tmp_path: Path) -> None:
    job = load_weld_config(write(tmp_path, GOOD))
    text = job.text()

    values = tomllib.loads(text)
    assert values["frames"]["folder"] == "frames"
    assert values["scan"]["encoder_step_sigma_mm"] == 0.3
    assert values["stages"]["registration"]["search_mm"] == 6.0
    assert "lag" not in values["stages"]  # it doesn't run, so a table of it would be refused
    again = load_weld_config(write(tmp_path, text, "again.toml"))
    assert again == job
    assert again.text() == text


_FOLDER = st.sampled_from(("frames", "a/b", "../up", "/abs/olute", "with space", "ä"))
_REAL = st.floats(0.001, 4.9, allow_subnormal=False)
_WORDS = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=8)


@given(
    identity=st.text(st.characters(codec="utf-8"), min_size=1, max_size=8),
    operator=_WORDS,
    offset=st.tuples(_REAL, _REAL),
    axial=st.one_of(st.none(), st.tuples(st.floats(-50, -1), st.floats(0, 50))),
    folder=_FOLDER,
    lag=st.booleans(),
    fractions=st.lists(st.floats(0, 0.49), max_size=3),
)
@settings(
    max_examples=50,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_any_job_survives_its_text(
    tmp_path: Path,
    identity: str,
    operator: str,
    offset: tuple[float, float],
    axial: tuple[float, float] | None,
    folder: str,
    lag: bool,
    fractions: list[float],
) -> None:
    overrides: dict[str, object] = {
        "weld.id": identity,
        "weld.operator": operator,
        "geometry.source_offset_mm": list(offset),
        "frames.folder": folder,
    }
    if axial:
        overrides["strip.axial_mm"] = list(axial)
    if lag:
        overrides["stages.lag.fractions"] = fractions
        sequence = ["flat_field", "lag", "bad_pixels", "distortion", "registration", "blending"]
        overrides["stages.sequence"] = sequence
    job = load_weld_config(write(tmp_path, GOOD), overrides)
    assert load_weld_config(write(tmp_path, job.text(), "again.toml")) == job


def test_text_stored_elsewhere_leads_to_the_same_folders(tmp_path: Path) -> None:
    shift = tmp_path / "shift"
    shift.mkdir()
    result = tmp_path / "results" / "W-7"
    result.mkdir(parents=True)
    text = GOOD.replace('format = "tiff"', 'folder = "../scan"')
    job = load_weld_config(write(shift, text), {"output.folder": result})
    values = tomllib.loads(job.text(stored_in=result))

    assert values["output"]["folder"] == "."
    assert (result / values["frames"]["folder"]).resolve() == (tmp_path / "scan").resolve()
    cal = result / values["calibration"]["folder"]
    assert cal.resolve() == (shift / "calibration").resolve()


# ---- what is wrong ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            "min_gain = 0.1",
            "min_gain = 2",
            "weld.toml:28: stages.flat_field.min_gain = 2: must lie in (0, 1)",
        ),
        ("wall_mm = 12.7", "wall_mm = 0", "weld.toml:4: weld.wall_mm = 0: must be greater than 0"),
        (
            "wall_mm = 12.7",
            'wall_mm = "12,7"',
            'weld.wall_mm = "12,7": must be a number, without quotes and with a decimal point',
        ),
        ("wall_mm = 12.7", "wall_mm = true", "weld.wall_mm = true: must be a number"),
        ("wall_mm = 12.7", "wall_mm = nan", "weld.wall_mm = nan: must be a finite number"),
        ("wall_mm = 12.7", "wall_mm = 1979-05-27", "weld.wall_mm = 1979-05-27: must be a number"),
        (
            "wall_mm = 12.7",
            "wall_mm = 304.8",
            "must be less than half of weld.diameter_mm, 304.8: the pipe would have no bore",
        ),
        ("wall_mm = 12.7", "", "weld.toml:1: weld.wall_mm: is missing (the pipe's wall thickness)"),
        (
            "wall_mm = 12.7",
            "wall_mm = 12.7\nwal = 3",
            "weld.toml:5: weld.wal = 3: there is no such key; did you mean wall_mm? The keys of [weld]: id, shot, line,",
        ),
        ("rows = 1152", "rows = 1152.0", "panel.rows = 1152.0: must be a whole number"),
        ("rows = 1152", "rows = 99999999999999999999", "panel.rows: is too large a number"),
        (
            "pitch_mm = 0.1",
            "pitch_mm = 100",
            "must lie in (0, 1] (pixel pitch in millimetres: 100 µm is 0.1)",
        ),
        ('serial = "P-1"', 'serial = ""', 'panel.serial = "": must not be empty'),
        ('serial = "P-1"', "serial = 12", "panel.serial = 12: must be text in quotes"),
        (
            "standoff_mm = 10",
            "standoff_mm = -3",
            "weld.toml:13: geometry.standoff_mm = -3: must lie in (0, 2000] (from the pipe's outer surface out to the panel; with 0 or less the panel would be inside the pipe)",
        ),
        (
            "standoff_mm = 10",
            "standoff_cm = 1.5",
            "weld.toml:13: geometry.standoff_cm = 1.5: there is no such key; write it in mm: standoff_mm = 15.",
        ),
        ("standoff_mm = 10", "standoff_in = 'x'", "write it in mm as standoff_mm."),
        (
            "standoff_mm = 10",
            "standoff = 10",
            "geometry.standoff = 10: there is no such key; did you mean standoff_mm?",
        ),
        (
            "standoff_mm = 10",
            'standoff_mm = 10\narrangement = "Panoramic"',
            'must be "panoramic" or "two_wall"; did you mean "panoramic"?',
        ),
        (
            "standoff_mm = 10",
            'standoff_mm = 10\narrangement = "two_wall"',
            'weld.toml:12: geometry: source_distance_mm is missing: arrangement = "two_wall" needs the distance',
        ),
        (
            "standoff_mm = 10",
            'standoff_mm = 10\narrangement = "two_wall"\nsource_distance_mm = 300',
            "must be greater than half of weld.diameter_mm, 304.8: the source would be inside the pipe",
        ),
        (
            "standoff_mm = 10",
            'standoff_mm = 10\narrangement = "two_wall"\nsource_distance_mm = 400\nsource_offset_mm = [0, 2]',
            'is only for arrangement = "panoramic"',
        ),
        (
            "standoff_mm = 10",
            "standoff_mm = 10\nsource_distance_mm = 300",
            'is only for arrangement = "two_wall"',
        ),
        (
            "standoff_mm = 10",
            "standoff_mm = 10\nsource_offset_mm = [0, 300]",
            "lies 300 mm off the axis, but the bore's radius is 292.1 mm",
        ),
        (
            "standoff_mm = 10",
            "standoff_mm = 10\nsource_offset_mm = 3",
            "geometry.source_offset_mm = 3: must be a list in square brackets",
        ),
        (
            "standoff_mm = 10",
            "standoff_mm = 10\nsource_offset_mm = [3]",
            "geometry.source_offset_mm = [3]: must have 2 values",
        ),
        (
            "standoff_mm = 10",
            "standoff_mm = 10\nsource_offset_mm = [1, 2, 3]",
            "must have 2 values",
        ),
        (
            "overrun_mm = 50",
            "overrun_mm = 2000",
            "must be less than the pipe's circumference, 1915.1 mm",
        ),
        ("overrun_mm = 50", "axial_mm = [10, -10]", "must be [from, to] with from less than to"),
        (
            "overrun_mm = 50",
            "axial_mm = [-80, 10]",
            "reaches past what the panel sees of the surface, -55.8 … 55.8 mm",
        ),
        ("overrun_mm = 50", "axial_mm = [200, 210]", "reaches past what the panel sees"),
        (
            'format = "tiff"',
            'format = "tif"',
            'frames.format = "tif": must be "tiff" or "dicom" or "binary"; did you mean "tiff"?',
        ),
        (
            'format = "tiff"',
            'format = "binary"',
            'frames.format = "binary": headerless files need a table "binary"',
        ),
        (
            'format = "tiff"',
            'format = "tiff"\nbinary = { rows = 1152, columns = 1536 }',
            'frames.binary: is only for format = "binary", but the format is "tiff"',
        ),
        (
            'format = "tiff"',
            'format = "binary"\nbinary = { rows = 1152, columns = 1500 }',
            "frames.binary.columns = 1500: must equal panel.columns = 1536",
        ),
        ('format = "tiff"', 'folder = ""', 'frames.folder = "": must name a folder'),
        ('format = "tiff"', "folder = 3", "frames.folder = 3: must be text in quotes"),
        ("ring = true", 'ring = "yes"', 'scan.ring = "yes": must be true or false'),
        (
            "[scan]\nring = true",
            "[scna]\nring = true",
            "weld.toml:21: scna: there is no such section; did you mean scan? The sections of the file: weld, panel,",
        ),
        ("[scan]\nring = true", "base = 3", "there is no such key"),
        (
            "[geometry]\nstandoff_mm = 10\n",
            "",
            "weld.toml: geometry: the section [geometry] is missing; it needs standoff_mm",
        ),
        ("[scan]\nring = true", "[[scan]]\nring = true", "weld.toml:21: scan"),
        (
            "min_gain = 0.1",
            "edge_px = 2",
            "stages.flat_field.edge_px = 2: there is no such key. The keys of [stages.flat_field]: min_gain",
        ),
        (
            "[stages.flat_field]",
            "[stages.flatfield]",
            "stages.flatfield: there is no such key; did you mean flat_field?",
        ),
        (
            "[stages.flat_field]\nmin_gain = 0.1",
            "[stages.lag]\nfractions = [0.1]",
            "weld.toml:27: stages.lag: has parameters, but lag is not in stages.sequence",
        ),
        (
            "[stages.flat_field]\nmin_gain = 0.1",
            "[stages.distortion]\nedge_px = 200\n[panell]",
            "[panell]",
        ),
        ("rows = 1152", "rows = 300\nfoo = 1", "panel.foo = 1"),
        (
            "[stages.flat_field]\nmin_gain = 0.1",
            "[stages.distortion]\nedge_px = 201",
            "stages.distortion.edge_px = 201: must lie in [0, 200]",
        ),
    ],
)
def test_one_mistake_one_message(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert old in GOOD
    message = complaint(tmp_path, GOOD.replace(old, new, 1))
    if said == "[panell]":
        said = "panell: there is no such section; did you mean panel?"
    assert said in message
    assert "\n" not in message


def test_a_border_that_leaves_nothing_of_the_panel(tmp_path: Path) -> None:
    text = GOOD.replace("rows = 1152", "rows = 300") + "[stages.distortion]\nedge_px = 150\n"
    message = complaint(tmp_path, text)
    assert "edge_px = 150: leaves nothing of a panel of 300 × 1536 pixels" in message


@pytest.mark.parametrize(
    ("sequence", "said"),
    [
        (
            "flat_field bad_pixels distortion blending registration",
            '[3] = "blending": must come after registration',
        ),
        (
            "flat_field bad_pixels registration distortion blending",
            '[2] = "registration": must come after distortion',
        ),
        (
            "bad_pixels flat_field distortion registration blending",
            '[0] = "bad_pixels": must come after flat_field',
        ),
        (
            "flat_field bad_pixels distortion registration blending lag",
            '[3] = "registration": must come after lag: stages that correct come before those that place',
        ),
        (
            "flat_field flat_field bad_pixels distortion registration blending",
            '[1] = "flat_field": stands twice in the sequence',
        ),
        (
            "flat_field bad_pixels distortion registration blend",
            '[4] = "blend": there is no such stage; did you mean blending? Stages: flat_field, lag,',
        ),
        (
            "flat_field bad_pixels distortion blending",
            "needs exactly one stage that places the frames (registration), found 0",
        ),
        (
            "flat_field bad_pixels distortion registration",
            "needs exactly one stage that makes the strip (blending), found 0",
        ),
        (
            "flat_field bad_pixels registration blending",
            "distortion is missing: registration and blending need its map",
        ),
        (
            "flat_field distortion registration blending",
            "bad_pixels is missing: without it bad pixels would count",
        ),
        (
            "bad_pixels distortion registration blending",
            "flat_field is missing: without it gray values are not linear",
        ),
    ],
)
def test_sequences_that_cannot_work(tmp_path: Path, sequence: str, said: str) -> None:
    names = ", ".join(f'"{name}"' for name in sequence.split())
    head = GOOD.partition("[stages]")[0]
    message = complaint(tmp_path, f"{head}[stages]\nsequence = [\n{names}]\n")
    assert said in message
    assert all(line.startswith("weld.toml:2") for line in message.split("\n"))


def test_every_fault_at_once_in_the_order_of_the_file(tmp_path: Path) -> None:
    text = """\
[weld]
diameter_mm = 0
wall_mm = 12.7
[geometry]
standoff_um = 10000
[strip]
pitch_mm = 0
[stages]
sequence = ["blending", "registration"]
[stages.flat_field]
min_gain = 2
"""
    message = complaint(tmp_path, text, **{"weld.operator": 3})
    assert message.split("\n") == [
        "weld.toml: panel: the section [panel] is missing; "
        "it needs rows, columns, pitch_mm, serial",
        "weld.toml:1: weld.id: is missing (the weld's number, as in the job sheet)",
        "command line: weld.operator = 3: must be text in quotes",
        "weld.toml:2: weld.diameter_mm = 0: must lie in (0, 5000] (the pipe's outer diameter)",
        "weld.toml:5: geometry.standoff_um = 10000: there is no such key; write it in mm: "
        "standoff_mm = 10. The keys of [geometry]: arrangement, standoff_mm, standoff_sigma_mm, "
        "lift_off_sigma_mm, source_offset_mm, source_offset_sigma_mm, source_axial_mm, source_distance_mm, roll_deg, roll_sigma_deg, yaw_deg, yaw_sigma_deg, pitch_deg, pitch_sigma_deg",
        "weld.toml:7: strip.pitch_mm = 0: must lie in [0.01, 2] (side of a strip pixel)",
        'weld.toml:9: stages.sequence[0] = "blending": must come after registration',
        'weld.toml:9: stages.sequence = ["blending", "registration"]: flat_field is missing: '
        "without it gray values are not linear in dose",
        'weld.toml:9: stages.sequence = ["blending", "registration"]: bad_pixels is missing: '
        "without it bad pixels would count as measurements",
        'weld.toml:9: stages.sequence = ["blending", "registration"]: distortion is missing: '
        "registration and blending need its map from the flat panel to the round pipe",
        "weld.toml:11: stages.flat_field.min_gain = 2: must lie in (0, 1)",
    ]


def test_an_override_into_a_value_that_is_no_table(tmp_path: Path) -> None:
    message = complaint(tmp_path, "weld = 3\n" + GOOD.partition("\n\n")[2], **{"weld.id": "W"})
    assert message.startswith("weld.toml:1: weld = 3: must be a table [weld] with the keys id,")


def test_text_from_a_job_sheet_is_read_as_the_key_wants_it(tmp_path: Path) -> None:
    path = write(tmp_path, GOOD)
    cells = {"weld.wall_mm": "9.5", "weld.station": "12"}
    job = load_weld_config(path, cells, "sheet.csv")
    assert (job.weld.wall_mm, job.weld.station) == (9.5, "12")

    cells = {"weld.wall_mm": "9,5", "weld.diameter_mm": "big", "scan.direction": "left"}
    with pytest.raises(ConfigError) as caught:
        load_weld_config(path, cells, "sheet.csv")
    assert str(caught.value).split("\n") == [
        'sheet.csv: weld.diameter_mm = "big": must be a number',
        'sheet.csv: weld.wall_mm = "9,5": must be a number with a decimal point',
        'sheet.csv: scan.direction = "left": must be "clockwise" or "counterclockwise"',
    ]
