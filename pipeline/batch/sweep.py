"""Settings tried on a few welds, one weld at a time with all threads, so that seconds compare."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

from pipeline.batch.identity import job_values
from pipeline.batch.task import with_output
from pipeline.batch.vary import Setting, setting_text
from pipeline.config.weld import WeldJob, load_weld_config
from pipeline.errors import InputError
from pipeline.io.results import RESULT_FILES
from pipeline.outputs.batch.pair import compare_pair
from pipeline.outputs.batch.trial import Trial, Tried
from pipeline.outputs.report.page import begin_page
from pipeline.quality.log import QualityLog
from pipeline.run import run_weld

Progress = Callable[[str, int, int], None]


def load_all(
    configs: Sequence[Path], settings: Sequence[Setting], overrides: Setting
) -> Sequence[Sequence[WeldJob]]:
    """The job of each weld, for each setting: all faults are told before anything runs.

    Raises:
        ConfigError: a config, a key or a value is faulty.
    """
    return [
        [load_weld_config(one, {**overrides, **setting}, "--vary") for one in configs]
        for setting in settings
    ]


def sweep(
    jobs: Sequence[Sequence[WeldJob]],
    settings: Sequence[Setting],
    out: Path,
    threads: int,
    rounds: int,
    progress: Progress | None = None,
) -> Sequence[Trial]:
    """Make every strip below ``out`` (``WELD/00`` for the first setting, and so on).

    A strip that is there already, made with the same config, isn't made again: so a sweep that was
    cut off goes on. Compiled code is warmed up first, outside of the times; further rounds are for
    the times only, and what they make is thrown away.
    """
    progress = progress or (lambda *_: None)
    names = _names(jobs[0])
    total, done = rounds * len(settings) * len(names), 0
    faults = [""] * len(settings)
    seconds: dict[tuple[int, str], float] = {}
    _seconds_aside(jobs[0][0], threads)
    for turn in range(rounds):
        for number, of_setting in enumerate(jobs):
            for name, job in zip(names, of_setting, strict=True):
                try:
                    if turn == 0:
                        took = _made(with_output(job, out / name / f"{number:02d}"), threads)
                    elif not faults[number]:
                        took = _seconds_aside(job, threads)
                    seconds[number, name] = min(took, seconds.get((number, name), took))
                except InputError as error:
                    faults[number] = faults[number] or f"{name}: {error}"
                done += 1
                progress("trying settings", done, total)
    return [
        Trial(
            setting_text(setting),
            tuple(
                _tried(out / name, job, number, seconds[number, name])
                for name, job in zip(names, jobs[number], strict=True)
                if (number, name) in seconds
            ),
            faults[number],
        )
        for number, setting in enumerate(settings)
    ]


def _names(jobs: Sequence[WeldJob]) -> Sequence[str]:
    """A folder's name for each weld, no two alike."""
    names: list[str] = []
    for job in jobs:
        told = f"{job.weld.id}-{job.weld.shot}".strip("-")
        safe = "".join(c if c.isalnum() or c in "-._" else "-" for c in told).strip(".") or "weld"
        name, number = safe, 1
        while name in names:
            number += 1
            name = f"{safe}_{number}"
        names.append(name)
    return names


def _seconds_aside(job: WeldJob, threads: int) -> float:
    """How long a weld takes; its result is thrown away."""
    with tempfile.TemporaryDirectory(prefix="girthstrip-") as folder:
        aside = with_output(job, Path(folder, "result"))
        return sum(run_weld(aside, report=begin_page, threads=threads).seconds.values())


def _made(job: WeldJob, threads: int) -> float:
    """Make the job's result folder, unless it is there with the same config; its seconds."""
    folder = job.output.folder
    config = folder / "config.toml"
    if config.is_file() and (folder / RESULT_FILES[0]).is_file():
        made_with = with_output(load_weld_config(config), folder)
        if job_values(made_with) == job_values(job):
            timing = json.loads((folder / "timing.json").read_bytes())
            return float(sum(timing["seconds"].values()))
    done = run_weld(job, report=begin_page, threads=threads, replace_folder=True)
    return sum(done.seconds.values())


def _tried(of_weld: Path, job: WeldJob, number: int, seconds: float) -> Tried:
    folder, own = of_weld / f"{number:02d}", of_weld / "00"
    path = folder / "quality.json"
    log = QualityLog.from_json(path.read_text(encoding="utf-8"), where=str(path))
    compared = number > 0 and (own / "quality.json").is_file()
    change = compare_pair(job.weld.id, own, folder)[0] if compared else None
    return Tried(job.weld.id, log, seconds, change)
