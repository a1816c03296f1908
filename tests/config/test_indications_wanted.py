"""The config's table ``indications``."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from pipeline.config.indications_wanted import Indications


def test_suggestions_are_off_and_the_length_is_300_mm_unless_told() -> None:
    told = Indications()
    assert (told.file, told.window_mm, told.suggest) == (None, 300.0, False)


@pytest.mark.parametrize("told", [{"window_mm": 0}, {"file": ""}, {"table": "seen.csv"}])
def test_what_makes_no_sense_is_refused(told: dict) -> None:
    with pytest.raises(ValidationError):
        Indications.model_validate(told)
