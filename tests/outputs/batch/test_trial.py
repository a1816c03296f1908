"""Which of several settings is recommended, and why."""

from __future__ import annotations

from dataclasses import replace

from pipeline.outputs.batch.trial import Trial, Tried, recommend
from pipeline.quality.check import at_most
from pipeline.quality.log import QualityLog
from tests.outputs.batch.invented import FILES, change
from tests.outputs.weld import make_log


def tried(share: float, seconds: float, *, same: bool = False, own: bool = False) -> Tried:
    """A strip whose only check uses this share of its limit."""
    log: QualityLog = replace(
        make_log(),
        checks=(
            at_most(
                "registration.closure_mm", share, 1.0, stage="registration", unit="mm",
                basis="config", fail_factor=1.5,
            ),
        ),
    )  # fmt: skip
    how = change(1, same=FILES, different=()) if same else change(1)
    return Tried("W-1", log, seconds, None if own else how)


def trial(name: str, share: float, seconds: float, *, same: bool = False) -> Trial:
    return Trial(name, (tried(share, seconds, same=same, own=name == "own"),))


def test_fewer_checks_beyond_their_limits_come_first() -> None:
    trials = [trial("own", 1.2, 1.0), trial("a", 0.5, 9.0), trial("b", 2.0, 0.1)]
    chosen, why = recommend(trials)
    assert chosen.setting == "a"
    assert "1 of 3 settings have the fewest checks beyond their limits" in why
    assert why.endswith("This one is the fastest of them: 9 s a weld, the config's own takes 1 s")


def test_of_equals_the_fastest_unless_the_configs_own_is_nearly_as_fast() -> None:
    fast = [trial("own", 0.5, 1.0), trial("a", 0.505, 0.5), trial("b", 0.52, 0.1)]
    assert recommend(fast)[0].setting == "a", "b uses 2 % more of its limit"
    chosen, why = recommend([trial("own", 0.5, 1.0), trial("a", 0.5, 0.95)])
    assert chosen.setting == "own"
    assert "gains less than 10 %" in why
    assert recommend([trial("own", 0.5, 0.9), trial("a", 0.5, 1.0)])[0].setting == "own"


def test_a_setting_that_changes_nothing_is_not_recommended() -> None:
    chosen, why = recommend([trial("own", 0.5, 1.0), trial("a", 0.5, 0.5, same=True)])
    assert chosen.setting == "own"
    assert "gives the same strips as the config's own, byte for byte" in why


def test_settings_that_fail_on_a_weld_are_out() -> None:
    own = Trial("own", (), "W-1: wrong")
    assert recommend([own, trial("a", 0.5, 1.0)])[0].setting == "a"
    assert recommend([own]) == (own, "no setting gave a strip of every weld")
