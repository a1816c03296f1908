"""README.md and DEVELOPERS.md say what the program does: their commands, names and tables."""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import tomllib
from pathlib import Path

import pytest
import typer

from pipeline import __version__
from pipeline.cli import app
from pipeline.config.weld import load_weld_config
from pipeline.io.frame_table import COLUMNS
from pipeline.io.job_sheet import CONFIG_KEYS
from pipeline.quality.asked.requirement import (
    AREA,
    DISTANCE,
    SNR_N,
    SR_B,
    UG,
    UNSHARPNESS,
    WIRE,
    WIRE_POSITIONS,
)
from pipeline.quality.limits import Limits
from pipeline.simulation.panel_plan import PANEL
from pipeline.simulation.presets import PRESETS

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
DOCUMENTS = {"README.md": README, "DEVELOPERS.md": DEVELOPERS}

BLOCKS = re.findall(r"^```sh\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
CODE = re.compile(r"`([^`\n]+)`")


def commands() -> list[list[str]]:
    """Every ``girthstrip …`` of the shell blocks, split into words."""
    lines = [line for block in BLOCKS for line in block.splitlines()]
    parts = [shlex.split(part) for line in lines for part in line.split("&&")]
    return [words for words in parts if words and Path(words[0]).name == "girthstrip"]


def table_after(heading: str) -> list[list[str]]:
    """The cells of the first table after a heading (or any text) of README.md, without its head."""
    rows = []
    for line in README[README.index(heading) :].splitlines():
        if line.startswith("|"):
            rows.append([cell.strip() for cell in line.strip("|").split("|")])
        elif rows:
            break
    return rows[2:]


def names_in(cells: list[str]) -> set[str]:
    return {name for cell in cells for name in CODE.findall(cell)}


@pytest.fixture(scope="module")
def result(demo_folder: Path) -> Path:
    """The result folder of a demo."""
    return demo_folder / "result"


# ---- the two commands ---------------------------------------------------------------------------


def test_readme_opens_with_the_job_and_two_commands_from_nothing() -> None:
    title, job, *_ = README.split("\n\n")
    assert title == "# girthstrip"
    assert "\n" not in job
    for block, end in zip(BLOCKS, ("girthstrip demo", "python -m pytest -q"), strict=False):
        assert block.count("\n") == 1, "one line"
        steps = block.strip().split(" && ")
        assert steps[0] == "python3 -m venv .venv"
        assert steps[1].startswith(".venv/bin/pip install -q -e ")
        assert steps[2:] == [f".venv/bin/{end}"]


def test_ci_runs_the_test_command_of_the_readme() -> None:
    script = ROOT / ".ci" / "run"
    assert os.access(script, os.X_OK)
    text = script.read_text(encoding="utf-8")
    assert text.startswith("#!/usr/bin/env bash\n")
    assert "set -euo pipefail" in text
    steps = ["ruff check", "ruff format --check", "mypy", "README.md", "$tests"]
    places = [text.rindex(step) for step in steps]
    assert places == sorted(places)

    extract = re.search(r"^tests=\$\((.*)\)$", text, re.MULTILINE)
    assert extract
    found = subprocess.run(
        ["bash", "-c", extract[1]], cwd=ROOT, capture_output=True, check=True, text=True
    )
    assert found.stdout == BLOCKS[1]


# ---- names --------------------------------------------------------------------------------------


@pytest.mark.parametrize("words", commands(), ids=" ".join)
def test_commands_are_understood(words: list[str]) -> None:
    """Parsed as they would be, without being run; a wrong name or option raises."""
    name, *arguments = words[1:]
    typer.main.get_command(app).commands[name].make_context(name, list(arguments))
    if name == "simulate":
        assert arguments[0] in {*PRESETS, PANEL}


def test_options_that_are_named_exist() -> None:
    group = typer.main.get_command(app)
    calls = [*group.commands.values()]
    calls += [one for call in calls for one in getattr(call, "commands", {}).values()]
    known = {"--help", "--version"} | {flag for one in calls for p in one.params for flag in p.opts}
    named = {
        word
        for text in DOCUMENTS.values()
        for code in CODE.findall(text)
        if code.startswith(("--", "girthstrip"))
        for word in code.split()
        if word.startswith("--")
    }
    assert named
    assert named <= known


@pytest.mark.parametrize("document", DOCUMENTS)
def test_paths_that_are_named_exist(document: str) -> None:
    text = DOCUMENTS[document]
    words = [word for code in CODE.findall(text) for word in code.split()]
    paths = set(re.findall(r"\]\(([^)#]+)\)", text))  # links
    paths |= {word for word in words if re.match(r"(configs|tests|testdata|pipeline|\.ci)/", word)}
    if document == "DEVELOPERS.md":  # parts of pipeline/ are named without it
        part = re.compile(r"([a-z_]+/)?[a-z_]+\.py|[a-z_]+/")
        parts = {word for word in words if part.fullmatch(word) and word not in paths}
        paths |= {f"pipeline/{word}" for word in parts - {"truth/"}}  # that is in a scan's folder
    assert paths
    assert [path for path in sorted(paths) if not (ROOT / path).exists()] == []


def test_module_commands_name_modules() -> None:
    modules = set(re.findall(r"python -m (tests[\w.]*)", README))
    assert modules
    assert all((ROOT / (name.replace(".", "/") + ".py")).is_file() for name in modules)


# ---- tables -------------------------------------------------------------------------------------


def test_the_table_of_results_is_the_result_folder(result: Path) -> None:
    rows = table_after("## What comes out")
    assert names_in([row[0] for row in rows]) == {path.name for path in result.iterdir()}


def test_the_table_of_checks_is_the_quality_log(result: Path) -> None:
    checks = json.loads((result / "quality.json").read_text(encoding="ascii"))["checks"]
    rows = table_after("## Reading the quality log")
    # The demo's panel has no lag.
    assert names_in([row[0] for row in rows]) == {check["id"] for check in checks} | {
        "lag.missing_history",
        "position.datum_mm",  # no config of a simulated scan describes a marker
        # No config of a simulated scan asks for image quality, or tells of gauges.
        *(SNR_N, SR_B, UNSHARPNESS, WIRE, WIRE_POSITIONS, DISTANCE, UG, AREA),
    }


def test_limits_of_the_table_are_the_defaults() -> None:
    rows = [row for row in table_after("## Reading the quality log") if "¹" in row[2]]
    shown = {
        row[0].strip("`"): float(number[0])
        for row in rows
        if (number := re.search(r"[\d.]+", row[2]))
    }
    limits = Limits()
    assert shown == {
        "registration.closure_mm": limits.closure_mm,
        "registration.residual_px": limits.residual_px,
        "registration.position_sigma_mm": limits.residual_px,  # the same limit, in px
        "geometry.standoff_off_mm": limits.standoff_off_mm,
        "geometry.ruler_sigma_mm": limits.ruler_sigma_mm,
        "seam.level_step": limits.seam_level_step,
        "coverage.frames": limits.min_overlap_frames,
        "pixels.filled_fraction": limits.filled_fraction,
    }


def test_the_table_of_ready_scans_is_complete() -> None:
    rows = table_after("## A full-size run")
    assert names_in([row[0] for row in rows]) == set(PRESETS)


def test_the_columns_of_the_frame_table_are_complete() -> None:
    rows = table_after("**1. Frames and their table.**")
    assert names_in([row[0] for row in rows]) == set(COLUMNS)


def test_the_columns_of_the_job_sheet_are_as_described() -> None:
    """Named like the keys of [weld], and these two of [scan]."""
    sections = {column: key.split(".") for column, key in CONFIG_KEYS.items()}
    assert all(key[1] == column for column, key in sections.items())
    beyond = {column for column, key in sections.items() if key[0] != "weld"}
    assert beyond == {"datum_encoder_mm", "direction"}
    assert all(f"`{column}`" in README for column in beyond)


def test_faults_are_told_as_shown(tmp_path: Path) -> None:
    """The example of faults in a config is what the program says (the last line is cut short)."""
    shown = re.search(r"^```text\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
    assert shown
    good = (ROOT / "configs" / "panoramic.toml").read_text(encoding="utf-8")
    wrong = good.replace("pitch_mm = 0.1 ", "pitch_mm = 100 ", 1)
    wrong = wrong.replace("standoff_mm = 10.0", "stand_off_mm = -10", 1)
    (tmp_path / "weld.toml").write_text(wrong, encoding="utf-8")
    with pytest.raises(Exception, match="there is no such key") as raised:
        load_weld_config(tmp_path / "weld.toml")
    told = re.sub(r"^.*weld\.toml:\d+", "weld.toml", str(raised.value), flags=re.MULTILINE)
    for line in shown[1].splitlines()[1:]:
        assert re.sub(r":\d+", "", line, count=1).removesuffix(" …") in told


# ---- DEVELOPERS.md ------------------------------------------------------------------------------


def test_every_dependency_has_its_reason() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [*project["dependencies"], *project["optional-dependencies"]["test"]]
    names = {re.split(r"[<>=\[ ]", requirement)[0] for requirement in wanted}
    section = DEVELOPERS.split("## Dependencies")[1].split("\n## ")[0]
    rows = [line.split("|")[1] for line in section.splitlines() if line.startswith("|")][2:]
    assert {name.strip() for row in rows for name in row.split(",")} == names


def test_the_changelog_is_last_and_knows_this_version() -> None:
    headings = re.findall(r"^## (.*)$", DEVELOPERS, re.MULTILINE)
    assert headings[-1] == "CHANGELOG"
    newest = re.search(r"^### (\S+)$", DEVELOPERS.split("## CHANGELOG")[1], re.MULTILINE)
    assert newest
    assert newest[1] == __version__


@pytest.mark.parametrize("document", DOCUMENTS)
def test_documents_hold_nothing_of_the_workshop(document: str) -> None:
    """No paths of a machine, no addresses, nothing unfinished."""
    for forbidden in (
        r"/(work|tmp|root|home|opt)/",
        r"https?://",
        r"\b(TODO|FIXME|TBD|XXX|lorem ipsum|coming soon|placeholder)\b",
        r"\btrans\w*ript",
    ):
        assert re.findall(forbidden, DOCUMENTS[document], re.IGNORECASE) == []
