"""The config's tables of image quality indicators: there may be none, and each mistake is told."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.config.weld import load_weld_config
from pipeline.errors import ConfigError
from pipeline.quality.gauges.iqi_plans import IqiPlan
from tests.config.test_weld import GOOD

WIRE = '[[iqi]]\nkind = "wire"\ns_mm = 100.0\nz_mm = 0.0\n'
DUPLEX = '[[iqi]]\nkind = "duplex"\ns_mm = 40\nz_mm = -42\nsearch_mm = 3\n'


def load(folder: Path, text: str):
    path = folder / "weld.toml"
    path.write_text(text, encoding="utf-8")
    return load_weld_config(path)


def test_without_the_tables_there_are_none(tmp_path: Path) -> None:
    job = load(tmp_path, GOOD)
    assert job.iqi == ()
    assert "iqi" not in job.text()
    assert load(tmp_path, job.text()) == job


def test_tables_keep_their_order_and_survive_their_text(tmp_path: Path) -> None:
    job = load(tmp_path, GOOD + WIRE + DUPLEX)
    assert job.iqi == (
        IqiPlan("wire", 100.0, 0.0),
        IqiPlan("duplex", 40.0, -42.0, search_mm=3.0),
    )
    assert list(job.iqi[0].numbers) == [10, 11, 12, 13, 14, 15, 16]
    assert load(tmp_path, job.text()) == job


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('kind = "wire"\n', "", "iqi[0].kind: is missing"),
        ('kind = "wire"', 'kind = "wires"', 'iqi[0].kind = "wires"'),
        ("z_mm = 0.0", "z_mm = 0.0\nlenght_mm = 20", "did you mean length_mm?"),
        ("z_mm = 0.0", "z_mm = 0.0\nwires = 2", "iqi[0].wires = 2: must lie in [3, 20]"),
        ("s_mm = 100.0", "s_mm = 5000", "lies further than once round the pipe"),
        ("[[iqi]]", "[iqi]", "write [[iqi]]"),
    ],
)
def test_each_mistake_is_told(tmp_path: Path, old: str, new: str, said: str) -> None:
    with pytest.raises(ConfigError) as caught:
        load(tmp_path, GOOD + WIRE.replace(old, new, 1))
    assert said in str(caught.value)


def test_two_in_one_place_and_outside_of_the_strip(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="is where another of the same kind lies"):
        load(tmp_path, GOOD + WIRE + WIRE)
    strip = "[strip]\naxial_mm = [-20, 20]\n"
    text = GOOD.replace("[strip]\n", strip) + WIRE.replace("z_mm = 0.0", "z_mm = 21")
    with pytest.raises(ConfigError, match=r"lies outside of strip\.axial_mm, -20 … 20 mm"):
        load(tmp_path, text)
