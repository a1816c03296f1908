"""The config's tables of lead marks: they may be missing, and each mistake is told."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.config.weld import load_weld_config
from pipeline.errors import ConfigError
from pipeline.quality.marks.mark_plans import DatumPlan, TapePlan
from tests.config.test_weld import GOOD

TAPE = "[tape]\nz_mm = [22, 24]\n"
DATUM = "[datum]\nz_mm = [24, 25]\nwidth_mm = 1\n"


def load(folder: Path, text: str):
    path = folder / "weld.toml"
    path.write_text(text, encoding="utf-8")
    return load_weld_config(path)


def test_without_the_tables_there_are_no_marks(tmp_path: Path) -> None:
    job = load(tmp_path, GOOD)
    assert (job.tape, job.datum) == (None, None)
    assert "[tape]" not in job.text()
    assert "[datum]" not in job.text()


def test_tables_have_their_defaults_and_survive_their_text(tmp_path: Path) -> None:
    job = load(tmp_path, GOOD + TAPE + DATUM)
    assert job.tape == TapePlan(z_mm=(22.0, 24.0))
    assert job.datum == DatumPlan(z_mm=(24.0, 25.0), width_mm=1.0)
    assert load(tmp_path, job.text()) == job


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("z_mm = [22, 24]", "spacing_mm = 10", "tape.z_mm: is missing"),
        ("z_mm = [22, 24]", "z_mm = [24, 22]", "tape.z_mm = [24, 22]: must be [from, to]"),
        ("z_mm = [22, 24]", "z_mm = 22", "tape.z_mm = 22: must be a list in square brackets"),
        (
            "z_mm = [22, 24]",
            "z_mm = [22, 24]\nlong_z_mm = [25, 25]",
            "tape.long_z_mm = [25, 25]: must be [from, to] with from less than to",
        ),
        (
            "z_mm = [22, 24]",
            "z_mm = [22, 24]\nspacing_mm = 1.5",
            "tape.spacing_mm = 1.5: must be at least 4 times tape.width_mm, 0.5",
        ),
        (
            "z_mm = [22, 24]",
            "z_mm = [22, 24]\nspacing_cm = 1",
            "tape.spacing_cm = 1: there is no such key; write it in mm: spacing_mm = 10",
        ),
        ("width_mm = 1", "marker_mm = 3", "datum.width_mm: is missing"),
        ("z_mm = [24, 25]", "z_mm = [25, 24]", "datum.z_mm = [25, 24]: must be [from, to]"),
        ("width_mm = 1", "width_mm = 0", "datum.width_mm = 0: must lie in (0, 50]"),
        ("[tape]", "[tapes]", "there is no such section; did you mean tape?"),
    ],
)
def test_mistakes_are_told(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert old in TAPE + DATUM
    with pytest.raises(ConfigError) as caught:
        load(tmp_path, GOOD + (TAPE + DATUM).replace(old, new, 1))
    assert said in str(caught.value)
