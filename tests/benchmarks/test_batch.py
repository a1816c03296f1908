"""Batches at size: throughput beside a plain loop, kills, exactly those touched, plans of many.

``BATCH_WELDS`` and ``BATCH_LIGHT_WELDS`` in the environment make it smaller. The welds share one
set of raw frames by hard links, so reading them is reading from memory.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import time
from pathlib import Path

import pytest

from pipeline.batch.index import Index
from pipeline.batch.plan import make_plan
from pipeline.batch.source import told_by
from pipeline.commands.options import FAILED_VERDICT
from pipeline.config.weld import load_weld_config
from pipeline.outputs.audit.noting import note_result
from pipeline.outputs.report.page import begin_page
from pipeline.run import run_weld
from tests.batch.kills import half_made, kill, kill_all, start, workers_of
from tests.batch.planned import plan_of, states
from tests.batch.trees import (
    FIRST,
    LATER,
    copy_result,
    make_library,
    make_light_welds,
    make_weld,
    release_second,
    stitch,
)
from tests.benchmarks.conftest import Report
from tests.weld_folder import digests

WELDS = int(os.environ.get("BATCH_WELDS", "500"))
LIGHT = int(os.environ.get("BATCH_LIGHT_WELDS", "50000"))
TOUCHED = 37
IN_LOOP = 40
WORKER_KILLS, BATCH_KILLS = 20, 5
WORKERS = len(os.sched_getaffinity(0))
FROM_LIBRARY = 'from_library = "../../panels"'


@pytest.fixture(scope="module")
def many(small_scan: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """So many current welds, of which ``TOUCHED`` were shot later; one of each kind is stitched,
    the others have its result."""
    root = tmp_path_factory.mktemp("many")
    make_library(root, small_scan)
    done: dict[str, Path] = {}
    for number in range(1, WELDS + 1):
        day = LATER if number <= TOUCHED else FIRST
        weld = make_weld(root / "welds", small_scan, number, calibration=FROM_LIBRARY, day=day)
        if day in done:
            copy_result(done[day], weld)
        else:
            stitch(weld)
            done[day] = weld
    return root


def batch(root: Path, workers: int = WORKERS) -> dict[str, object]:
    """An undisturbed run."""
    running = start("run", root, "--workers", workers, "--threads", 1, "--json", "--quiet")
    text, _ = running.communicate()
    assert running.returncode == 0, text
    told: dict[str, object] = json.loads(text)
    return told


def made(root: Path) -> dict[str, dict[str, str]]:
    """The files of every new result by weld, timing left out."""
    found = {}
    for path in sorted(root.glob("welds/*/result.reprocessed")):
        found[path.parent.name] = digests(path)
        del found[path.parent.name]["timing.json"]
    return found


def clear(root: Path) -> None:
    for path in root.glob("welds/*/result.reprocessed"):
        shutil.rmtree(path)


def test_a_calibration_change_reprocesses_exactly_those_it_touches(
    many: Path, small_scan: Path, tmp_path: Path, table: Report
) -> None:
    assert set(states(plan_of(many)).values()) == {"current"}
    release_second(many / "panels", small_scan, tmp_path / "second", "2026-03-10")
    told = batch(many)
    expected = [f"w{number:04d}" for number in range(1, TOUCHED + 1)]
    assert sorted(made(many)) == expected
    assert told["done"] == TOUCHED
    table.row(f"welds made anew of {WELDS}, {TOUCHED} touched", str(told["done"]), str(TOUCHED))


def test_throughput_beside_a_plain_loop_and_what_kills_do(
    many: Path, tmp_path: Path, table: Report
) -> None:
    """One after the other, as they need the same welds."""
    clear(many)
    for config in many.glob("welds/*/weld.toml"):
        text = config.read_text(encoding="utf-8")
        config.write_text(text.replace("[strip]\n", "[strip]\noverrun_mm = 30\n"), encoding="utf-8")

    loop = [loop_seconds(many, tmp_path / "before")]
    told = batch(many)
    assert told["done"] == WELDS
    loop.append(loop_seconds(many, tmp_path / "after"))
    rate, bare = WELDS / float(str(told["seconds"])), IN_LOOP / (sum(loop) / 2)
    table.row("bare stitch loop, all threads, welds/min", f"{60 * bare:.1f}")
    table.row(f"batch of {WELDS}, {WORKERS} workers, welds/min", f"{60 * rate:.1f}")
    table.row("batch / loop", f"{rate / bare:.2f}", "≥ 0.85")

    expected = made(many)
    assert len(expected) == WELDS
    clear(many)
    shutil.rmtree(many / ".girthstrip-batch")
    began, kills = time.monotonic(), with_kills(many)
    table.row(
        f"the same with {kills[0]} workers and {kills[1]} batches killed, s",
        f"{time.monotonic() - began:.0f}",
        f"{float(str(told['seconds'])):.0f} undisturbed",
    )
    found = made(many)
    assert found.keys() == expected.keys()
    different = [weld for weld, files in found.items() if files != expected[weld]]
    table.row("welds done, different from undisturbed", f"{len(found)}, {len(different)}", "all, 0")
    assert different == []
    assert list(many.glob("welds/*/.result*")) == []


def loop_seconds(root: Path, out: Path) -> float:
    """What a plain loop takes for the first welds, start-up and compilation left out."""
    configs = sorted(root.glob("welds/*/weld.toml"))[:IN_LOOP]
    begin = 0.0
    for number, config in enumerate([configs[0], *configs]):
        if number == 1:  # the first was to warm up
            begin = time.monotonic()
        folder = out / str(number) / "result"
        run_weld(load_weld_config(config, {"output.folder": folder}), report=begin_page)
        note_result(folder, "stitch")
    return time.monotonic() - begin


def with_kills(root: Path) -> tuple[int, int]:
    """Run until all is done, killing at random; how many workers and whole batches were killed."""
    rng = random.Random(7)
    workers = batches = 0
    while True:
        running = start("run", root, "--workers", WORKERS, "--threads", 1, "--quiet")
        try:
            while running.poll() is None:
                time.sleep(rng.uniform(0.5, 2.5))
                building = {int(path.name.rpartition("-")[2]) for path in half_made(root)}
                at_it = [pid for pid in workers_of(running.pid) if pid in building]
                if not at_it:  # they only start
                    continue
                done = workers / WORKER_KILLS
                if workers < WORKER_KILLS and batches >= int(done * BATCH_KILLS):
                    kill(rng.choice(at_it))
                    workers += 1
                elif batches < BATCH_KILLS:
                    batches += 1
                    break
        finally:
            if running.poll() is None:
                kill_all(running)
            else:
                text, _ = running.communicate()
        if running.returncode == 0:
            assert batches == BATCH_KILLS, "too few welds for all the kills"
            return workers, batches
        # Killed, or a weld was given up whose workers were killed too often: the next run goes on.
        assert running.returncode in (-signal.SIGKILL, FAILED_VERDICT), text


def test_a_plan_of_very_many_welds(small_scan: Path, tmp_path: Path, table: Report) -> None:
    """Peak memory is this process's, which holds the tests' too."""
    library = make_library(tmp_path, small_scan)
    one = make_weld(tmp_path / "one", small_scan, 1, calibration=f'from_library = "{library}"')
    stitch(one)
    root = tmp_path / "light"
    make_light_welds(root, small_scan, one / "result", LIGHT, library)
    for which, reach in (("first", ""), ("again", "≤ 10 s")):
        begin = time.monotonic()
        with Index(tmp_path / "index") as index:
            plan = make_plan(root, index, told_by(None, None))
        seconds = time.monotonic() - begin
        assert set(states(plan).values()) == {"current"}
        table.row(f"plan of {LIGHT} welds, {which}, s", f"{seconds:.1f}", reach)
    peak = Path("/proc/self/status").read_text(encoding="ascii")
    megabytes = int(peak.partition("VmHWM:")[2].split()[0]) / 1000
    table.row("peak memory with it, MB", f"{megabytes:.0f}", "≤ 500")
