"""Batches on real workers: killed, short of frames, on a scheduler of their own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from pipeline.batch import workers
from pipeline.batch.workers import Team, local_team, workers_at
from pipeline.config.weld import load_weld_config
from pipeline.errors import InputError
from pipeline.io.audit_log import log_folder, read_audit_log
from pipeline.outputs.report.page import begin_page
from pipeline.run import run_weld
from tests.batch.kills import (
    COMMAND,
    half_made,
    kill,
    kill_all,
    listening,
    start,
    wait_for,
    workers_of,
)
from tests.batch.trees import lower_strip
from tests.weld_folder import digests, leftovers

LOOPBACK = "0100007F"
WELDS = ("w0001", "w0002", "w0003")


def make_stale(tree: Path) -> None:
    """Every weld's strip shall be lower."""
    for name in WELDS:
        lower_strip(tree, name)


def undisturbed(tree: Path, name: str, folder: Path) -> dict[str, str]:
    """What ``stitch`` makes of a weld by itself, timing left out."""
    config = tree / "welds" / name / "weld.toml"
    out = tree / "welds" / name / "alone"  # beside, so that relative folders read the same
    run_weld(load_weld_config(config, {"output.folder": out}), report=begin_page)
    found = digests(out)
    out.rename(folder)
    del found["timing.json"]
    return found


def require_done_once(tree: Path, tmp_path: Path) -> None:
    """Every weld is there once, as ``stitch`` makes it, and the audit log says so."""
    made = digests(tree / "welds" / WELDS[0] / "result.reprocessed")
    del made["timing.json"]
    assert made == undisturbed(tree, WELDS[0], tmp_path / "alone")
    pixels = set()
    for name in WELDS:
        weld = tree / "welds" / name
        log = json.loads((weld / "result.reprocessed" / "quality.json").read_bytes())
        pixels.add(log["strip"]["pixels_sha256"])
        told = read_audit_log(log_folder(weld, f"W-{name[1:]}"))
        assert [one.action for one in told] == ["stitch", "stitch"]
        assert told[1].details["beside"] == "result.reprocessed"
        assert leftovers(weld) == []
    assert len(pixels) == 1  # they share their frames


def test_workers_and_the_whole_batch_are_killed_and_each_weld_is_done_once(
    tree: Path, tmp_path: Path
) -> None:
    make_stale(tree)
    first = start("run", tree, "--workers", 2, "--quiet")
    try:
        wait_for(lambda: half_made(tree))
        processes = workers_of(first.pid)
        assert len(processes) >= 2
        addresses = listening([first.pid, *processes])
        assert addresses
        assert set(addresses) == {LOOPBACK}
        kill(int(half_made(tree)[0].name.rpartition("-")[2]))  # the worker that is at it
        wait_for(lambda: list(tree.glob("welds/*/result.reprocessed")))
    finally:
        kill_all(first)
    done = {path: digests(path) for path in tree.glob("welds/*/result.reprocessed")}
    assert 1 <= len(done) <= len(WELDS)

    second = start("run", tree, "--workers", 2, "--json", "--quiet")
    text, _ = second.communicate(timeout=120)
    assert second.returncode == 0, text
    told = json.loads(text)
    assert told["done"] + told["already"] == len(WELDS) - len(done)
    assert told["failed"] == []
    assert {path: digests(path) for path in done} == done
    require_done_once(tree, tmp_path)


def test_a_weld_that_fails_is_recorded_and_does_not_stop_the_rest(tree: Path) -> None:
    make_stale(tree)
    for frame in sorted((tree / "welds" / "w0002" / "frames").glob("*.tif"))[3:]:
        frame.unlink()
    run = start("run", tree, "--workers", 1, "--json", "--quiet")
    text, _ = run.communicate(timeout=120)
    assert run.returncode == 3, text
    told = json.loads(text)
    assert told["done"] == 2
    (failed,) = told["failed"]
    assert failed["weld"] == "W-0002"
    assert "frames can't be used" in failed["reason"]
    assert not (tree / "welds" / "w0002" / "result.reprocessed").exists()
    plan = subprocess.run(
        [*COMMAND, "batch", "plan", str(tree), "--quiet"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert f"failed      W-0002: {failed['reason']}" in plan.stdout


@pytest.fixture
def scheduler(tmp_path: Path) -> Iterator[str]:
    """A scheduler and a worker as processes of their own, on loopback."""
    where = tmp_path / "scheduler.json"
    environment = {**os.environ, "DASK_DISTRIBUTED__WORKER__MEMORY__TERMINATE": "false"}
    scheduler = [
        sys.executable, "-m", "dask", "scheduler", "--host", "127.0.0.1", "--port", "0",
        "--dashboard-address", "127.0.0.1:0", "--scheduler-file", str(where),
    ]  # fmt: skip
    processes = [subprocess.Popen(scheduler, stderr=subprocess.DEVNULL, env=environment)]
    try:
        wait_for(where)
        address = json.loads(where.read_text(encoding="utf-8"))["address"]
        worker = [
            sys.executable, "-m", "dask", "worker", address, "--nthreads", "1", "--host",
            "127.0.0.1", "--dashboard-address", "127.0.0.1:0", "--no-nanny",
            "--local-directory", str(tmp_path),
        ]  # fmt: skip
        processes.append(subprocess.Popen(worker, stderr=subprocess.DEVNULL, env=environment))
        yield address
    finally:
        for process in processes[::-1]:
            process.terminate()
            process.wait(timeout=30)


def test_a_scheduler_elsewhere_is_used(tree: Path, tmp_path: Path, scheduler: str) -> None:
    make_stale(tree)
    run = start("run", tree, "--scheduler", scheduler, "--json", "--quiet", "--weld", "W-0003")
    text, _ = run.communicate(timeout=120)
    assert run.returncode == 0, text
    assert json.loads(text)["done"] == 1
    made = digests(tree / "welds" / "w0003" / "result.reprocessed")
    del made["timing.json"]
    assert made == undisturbed(tree, "w0003", tmp_path / "alone")


def test_a_scheduler_that_is_not_there_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "_ENDS_S", 1)
    with (
        pytest.raises(InputError, match=r"tcp://127\.0\.0\.1:9: no scheduler answers there"),
        workers_at("tcp://127.0.0.1:9"),
    ):
        pass


def test_workers_share_cores_and_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: set(range(8)))
    monkeypatch.setattr(workers, "_free_bytes", lambda: 10_000_000_000)
    team = partial(local_team, workers=None, threads=None, memory_bytes=None)
    assert team(100_000_000) == Team(8, 1, 1_062_500_000)
    # 1.3 GB each, of 8.5 GB: six, and no more threads than cores.
    assert team(1_000_000_000) == Team(6, 1, 1_416_666_666)
    assert team(5_000_000_000) == Team(1, 8, 8_500_000_000)
    assert team(0, threads=4).workers == 2
    assert team(0, memory_bytes=4_000_000_000) == Team(2, 4, 4_000_000_000)
    assert team(0, workers=3).threads == 2
