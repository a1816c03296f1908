"""The plan: the strip's grid for rings and arcs, order of the frames, passes and memory."""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from pipeline.config.weld import WeldJob, load_weld_config
from pipeline.errors import InputError
from pipeline.geometry import surface_to_pixel
from pipeline.model import Frame, FrameRow, Placement, StripGrid
from pipeline.plan import (
    from_datum_mm,
    plan_weld,
    ring_pitch_mm,
    scan_geometry,
    scan_order,
    shooting_order,
    strip_grid,
)
from pipeline.stages import stage_of
from pipeline.stages.blending import Blending
from pipeline.stages.distortion import Distortion
from pipeline.stages.frame_part import Composition
from tests.stages.invented import calibration_of

TEXT = """\
[weld]
id = "W-1"
diameter_mm = {diameter_mm}
wall_mm = 6

[panel]
rows = {rows}
columns = 384
pitch_mm = 0.1
serial = "P-1"

[geometry]
standoff_mm = 10
{geometry}

[scan]
ring = {ring}
datum_encoder_mm = {datum_mm}

[strip]
pitch_mm = {pitch_mm}
overrun_mm = {overrun_mm}
{strip}

[stages]
sequence = ["flat_field", "bad_pixels", "distortion", "registration", "blending"]
"""

Jobs = Callable[..., WeldJob]


@pytest.fixture
def job(tmp_path: Path) -> Jobs:
    def made(**changes: object) -> WeldJob:
        usual = {
            "diameter_mm": 114.3,
            "rows": 320,
            "ring": "true",
            "datum_mm": 0,
            "pitch_mm": 0.1,
            "overrun_mm": 20,
            "geometry": "",
            "strip": "",
        }
        path = tmp_path / "weld.toml"
        path.write_text(TEXT.format(**usual | changes), encoding="utf-8")
        return load_weld_config(path)

    return made


def grid_of(job: WeldJob, position_mm: list[float]) -> StripGrid:
    geometry, panel = scan_geometry(job)
    return strip_grid(job, geometry, panel, stage_of(job.stages.records, Distortion), position_mm)


def frame_rows(position_mm: list[float]) -> tuple[FrameRow, ...]:
    return tuple(FrameRow(k, f"f{k:03d}.tif", 0, at) for k, at in enumerate(position_mm))


# ---- the grid -----------------------------------------------------------------------------------


@pytest.mark.parametrize("pitch_mm", [0.05, 0.1, 0.13])
def test_a_ring_is_exactly_as_long_as_the_circumference(job: Jobs, pitch_mm: float) -> None:
    made = job(pitch_mm=pitch_mm)
    grid = grid_of(made, [0.0, 100.0, 200.0])
    assert grid.ring and grid.s_first_mm == 0
    assert grid.columns * grid.pitch_mm == pytest.approx(math.pi * 114.3, rel=1e-14)
    # Half a column of 2,700 or more is spread over all of them.
    assert grid.pitch_mm == pytest.approx(pitch_mm, rel=0.5 / grid.columns)
    assert grid.pitch_mm == ring_pitch_mm(made, scan_geometry(made)[0])
    assert grid.overrun == round(20 / grid.pitch_mm)
    assert grid.shape == (grid.rows, grid.columns + grid.overrun)


@pytest.mark.parametrize("overrun_mm", [0, 7.5, 300])
def test_overrun(job: Jobs, overrun_mm: float) -> None:
    grid = grid_of(job(overrun_mm=overrun_mm), [0.0, 100.0])
    assert grid.overrun == pytest.approx(overrun_mm / grid.pitch_mm, abs=0.5)


@pytest.mark.parametrize("rows", [200, 321])
def test_a_strips_rows_lie_evenly_about_the_middle_and_on_the_panel(job: Jobs, rows: int) -> None:
    made = job(rows=rows)
    grid = grid_of(made, [0.0, 100.0])
    assert grid.rows % 2 == 1
    assert grid.z_first_mm == pytest.approx(-(grid.rows - 1) / 2 * grid.pitch_mm)
    geometry, panel = scan_geometry(made)
    _, row = surface_to_pixel(geometry, panel, 50.0, 0.0, 50.0, grid.z_first_mm)
    # Seven pixels of border, and at most a strip pixel (1.2 of the panel's) more.
    assert 7 <= row < 7 + 1.3


def test_told_rows_are_whole_pixels_inside_what_is_told(job: Jobs) -> None:
    grid = grid_of(job(strip="axial_mm = [-5.03, 8.0]"), [0.0, 100.0])
    last = grid.z_first_mm + (grid.rows - 1) * grid.pitch_mm
    assert -5.03 <= grid.z_first_mm < -5.03 + grid.pitch_mm
    assert 8.0 - grid.pitch_mm < last <= 8.0
    assert grid.z_first_mm / grid.pitch_mm == pytest.approx(round(grid.z_first_mm / grid.pitch_mm))


@pytest.mark.parametrize("first_mm", [-30.0, 0.0, 12.34])
@pytest.mark.parametrize("roll_deg", [0.0, 0.6])
def test_an_arc_runs_from_what_its_first_frame_sees_to_what_its_last_one_does(
    job: Jobs, first_mm: float, roll_deg: float
) -> None:
    made = job(ring="false", geometry=f"roll_deg = {roll_deg}")
    position = [first_mm + 14.0 * k for k in range(5)]
    grid = grid_of(made, position)
    assert not grid.ring and grid.overrun == 0 and grid.pitch_mm == 0.1
    # Columns are counted from the datum, so that two arcs of a weld share one grid.
    assert grid.s_first_mm / 0.1 == pytest.approx(round(grid.s_first_mm / 0.1))
    geometry, panel = scan_geometry(made)
    last = grid.s_first_mm + (grid.columns - 1) * 0.1
    z = np.array([grid.z_first_mm, 0.0, -grid.z_first_mm])
    left, _ = surface_to_pixel(geometry, panel, position[0], 0.0, grid.s_first_mm, z)
    right, _ = surface_to_pixel(geometry, panel, position[-1], 0.0, last, z)
    # Inside the border of 4 + 3 px at every row. What is cut away for that is a column or two,
    # and twice what roll moves a line over the panel's rows: once for either end.
    slack = 3 + 2 * 320 * math.tan(math.radians(roll_deg))
    assert 7 < left.min() < 7 + slack and 376 - slack < right.max() < 376


@pytest.mark.parametrize("first_deg", [0.0, 90.0, 180.0, 270.0])
@pytest.mark.parametrize("length_deg", [0.0, 90.0, 200.0])
@pytest.mark.parametrize("roll_deg", [0.0, 0.6])
def test_an_arc_ends_where_its_end_frames_end_with_a_source_off_the_axis(
    job: Jobs, first_deg: float, length_deg: float, roll_deg: float
) -> None:
    """On a wider grid the blending gives weight to the arc's columns and to no others."""
    geometry, panel = scan_geometry(
        job(ring="false", diameter_mm=323.9, geometry="source_offset_mm = [3, -4]")
    )
    panel = replace(panel, roll_rad=math.radians(roll_deg))
    ends = np.radians([first_deg, first_deg + length_deg]) * geometry.radius_mm
    distortion = Distortion()
    grid = strip_grid(job(ring="false"), geometry, panel, distortion, [float(p) for p in ends])
    spare = 12
    wider = replace(
        grid,
        columns=grid.columns + 2 * spare,
        s_first_mm=grid.s_first_mm - spare * grid.pitch_mm,
    )
    frames = [
        Frame(k, np.full((panel.rows, panel.columns), 1000, np.float32), np.zeros((320, 384), "u1"))
        for k in (0, 1)
    ]
    none, one = np.zeros(2), np.ones(2)
    composition = Composition(
        geometry, geometry, panel, distortion, wider, calibration_of(panel), 1000.0
    )
    with ThreadPoolExecutor(1) as pool:
        strip, _, _ = Blending(fill_radius_px=0).compose(
            frames, Placement(np.arange(2), ends, none, none, one), composition, pool
        )
    seen = np.flatnonzero(strip.count[grid.rows // 2])
    # A column of which less than a tenth of a pixel is seen may be left out.
    assert seen[0] in (spare - 1, spare) and wider.columns - 1 - seen[-1] in (spare - 1, spare)


def test_a_panel_so_rolled_that_no_column_is_left_is_refused(job: Jobs) -> None:
    made = job(ring="false", rows=2300, geometry="roll_deg = -9.8")
    with pytest.raises(InputError, match=r"rolled by -9\.80° .* all its 2300 rows"):
        grid_of(made, [0.0, 14.0])


# ---- order and counting -------------------------------------------------------------------------


def test_frames_come_by_place_and_equal_places_as_the_table_has_them() -> None:
    order = scan_order(frame_rows([5.0, 1.0, 5.0, -2.0, 1.0]))
    assert [row.index for row in order] == [3, 1, 4, 0, 2]


def timed(*times: str | None) -> list[FrameRow]:
    """Rows at 5, 1, 4, 2 mm."""
    rows = frame_rows([5.0, 1.0, 4.0, 2.0])
    return [replace(row, time=time) for row, time in zip(rows, times, strict=True)]


@pytest.mark.parametrize(
    "times",
    [
        ("08:00:00", "08:00:02", "08:00:01", "08:00:03"),
        ("08:00:00Z", "08:00:01.5Z", "08:00:01Z", "08:00:02Z"),  # as text 1.5Z is before 1Z
        ("10:00:00+02:00", "08:00:01+00:00", "10:00:00.5+02:00", "07:00:02-01:00"),
        ("08:00:00", "08:00:01", "08:00:00", "08:00:01"),  # equal: as in the table
    ],
)
def test_frames_were_shot_in_the_order_of_their_times(times: tuple[str, ...]) -> None:
    assert shooting_order(timed(*(f"2026-03-02T{time}" for time in times))) == [0, 2, 1, 3]


@pytest.mark.parametrize(
    "times",
    [
        (None, None, None, None),
        ("2026-03-02T08:00:00", None, "2026-03-02T08:00:01", "2026-03-02T08:00:02"),
        ("2026-03-02T08:00:00", "soon", "2026-03-02T08:00:01", "2026-03-02T08:00:02"),
        ("2026-03-02T08:00:00Z", *["2026-03-02T08:00:01"] * 3),
    ],
)
def test_without_times_that_tell_the_position_does(times: tuple[str | None, ...]) -> None:
    assert shooting_order(timed(*times)) == [1, 3, 2, 0]


@pytest.mark.parametrize("datum_mm", [-7.5, 0.0, 1234.5])
def test_positions_count_from_the_datum(job: Jobs, datum_mm: float) -> None:
    found = from_datum_mm(job(datum_mm=datum_mm), frame_rows([0.0, 10.0, 25.0]))
    np.testing.assert_allclose(found, np.array([0.0, 10.0, 25.0]) - datum_mm)


def test_geometry_and_panel_are_as_the_config_says(job: Jobs) -> None:
    geometry, panel = scan_geometry(
        job(
            geometry="source_offset_mm = [1.5, -2]\nsource_axial_mm = 3\nroll_deg = 0.5",
        )
    )
    assert (geometry.radius_mm, geometry.standoff_mm) == (57.15, 10)
    assert (geometry.source_x_mm, geometry.source_y_mm, geometry.source_axial_mm) == (1.5, -2, 3)
    assert panel.roll_rad == pytest.approx(math.radians(0.5))
    assert (panel.rows, panel.columns, panel.pitch_mm) == (320, 384, 0.1)


# ---- the plan -----------------------------------------------------------------------------------


def scan_of(count: int, step_mm: float, problems: dict[int, str] | None = None) -> object:
    return SimpleNamespace(
        rows=frame_rows([step_mm * k for k in range(count)]), problems=problems or {}
    )


def test_a_plan_says_what_a_run_will_do(job: Jobs) -> None:
    plan = plan_weld(job(), scan_of(30, 11.97, {4: "truncated"}))
    assert plan.stages == ("flat_field", "bad_pixels", "distortion", "registration", "blending")
    assert len(plan.passes) == 3
    assert (plan.frames, plan.unreadable) == (30, 1)
    assert plan.raw_bytes == 29 * 320 * 384 * 2
    assert (plan.strip_columns, plan.strip_overrun) == (3591, 200)
    assert plan.as_dict()["strip_rows"] == plan.strip_rows
    text = plan.text()
    assert "flat_field → bad_pixels → distortion → registration → blending" in text
    assert "30, of which 1 can't be read" in text


def test_memory_does_not_grow_with_the_number_of_frames(job: Jobs) -> None:
    made = job()
    once = math.pi * 114.3
    few, many = (plan_weld(made, scan_of(n, once / n)) for n in (30, 600))
    assert many.views_held <= few.views_held + 8
    # Beside the views of half a megabyte each nothing changes.
    assert many.peak_bytes < 1.05 * few.peak_bytes
    assert few.peak_bytes > few.strip_rows * few.strip_columns * 6


@pytest.mark.parametrize("ring", ["true", "false"])
@pytest.mark.parametrize("count", [1, 2])
def test_one_and_two_frames(job: Jobs, ring: str, count: int) -> None:
    plan = plan_weld(job(ring=ring), scan_of(count, 10.0))
    assert plan.frames == count and plan.strip_columns > 0


def test_two_walls(job: Jobs) -> None:
    plan = plan_weld(
        job(geometry='arrangement = "two_wall"\nsource_distance_mm = 400'), scan_of(30, 11.97)
    )
    assert (plan.strip_columns, plan.strip_overrun) == (3591, 200)
