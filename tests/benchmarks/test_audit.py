"""Two thousand welds, twenty of them passed off as others: all found, and nobody wronged."""

from __future__ import annotations

import multiprocessing
import os
import time
from pathlib import Path

import pytest

from pipeline.outputs.audit.audit import audit
from pipeline.outputs.audit.collect import find_results
from tests.benchmarks.conftest import Report
from tests.outputs.audit.archive_folder import write_result
from tests.quality.evidence.welds import TRICKS, Job, make_job, shoot, weld_thickness

_WELDS, _PASSED_OFF = 2000, 20

_jobs: dict[int, Job] = {}


def _write(task: tuple[Path, int]) -> None:
    """One weld; each of the last twenty is another one's, half of them from a scan of its own."""
    root, number = task
    job = _jobs.setdefault(os.getpid(), make_job())
    passed_off = number - (_WELDS - _PASSED_OFF)
    if passed_off < 0:
        metal, scan, trick, ring = number, number, None, True
    else:
        metal = 97 * passed_off + 5
        _, trick, ring = TRICKS[passed_off % len(TRICKS)]
        scan = metal if passed_off < _PASSED_OFF // 2 else number
    gray = shoot(job, weld_thickness(job, metal), scan)
    if trick is not None:
        gray = trick(gray, number)
    name = f"W-{number:04d}"
    write_result(root / name, gray, weld=name, circumference_mm=job.circumference_mm, ring=ring)


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The archive; took some minutes and 1.5 GB."""
    root = tmp_path_factory.mktemp("archive")
    with multiprocessing.get_context("spawn").Pool(os.cpu_count()) as pool:
        pool.map(_write, [(root, number) for number in range(_WELDS)], chunksize=20)
    return root


def test_who_was_passed_off_is_found_and_nobody_else(archive: Path, table: Report) -> None:
    truth = {
        (f"W-{97 * k + 5:04d}", f"W-{_WELDS - _PASSED_OFF + k:04d}") for k in range(_PASSED_OFF)
    }
    some = find_results(archive)[:3]
    assert len(some) == 3
    audit(archive / "W-0000", progress=lambda *_: None)  # compiles
    begin = time.perf_counter()
    found = audit(archive, threads=os.cpu_count() or 1, progress=lambda *_: None)
    seconds = time.perf_counter() - begin
    pairs = {tuple(sorted(one.welds)) for one in found.findings if one.kind == "same_weld"}
    others = [one for one in found.findings if one.kind != "same_weld"]
    weakest = max(
        one.figures["expected_by_chance_in_archive"]
        for one in found.findings
        if one.kind == "same_weld"
    )
    table.row(
        f"audit of {_WELDS} welds, {_PASSED_OFF} passed off",
        f"{len(pairs & truth)} found, {len(pairs - truth)} false; weakest expected by chance "
        f"{weakest:.0e}; {seconds:.1f} s",
        f"{_PASSED_OFF} found, 0 false; ≤ 60 s",
    )
    assert pairs == truth
    assert others == []
