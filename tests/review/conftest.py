"""A weld that is served: the small preset's result, copied for each test that may write."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.simulation.gauge_tables import iqi_tables
from pipeline.simulation.presets import get_preset
from tests.review.served import Served, serve_copy


@pytest.fixture
def served(small_finished: Path, tmp_path: Path) -> Served:
    """A copy of a ring's result, served from a folder of the test's own."""
    return serve_copy(small_finished, small_finished / "result", tmp_path)


@pytest.fixture
def ring_with_gauges(served: Served) -> Served:
    """The same with a config that declares the gauges on it."""
    config = served.result / "config.toml"
    text = f"{config.read_text(encoding='utf-8')}\n{iqi_tables(get_preset('small'))}\n"
    config.write_text(text, encoding="utf-8")
    return served
