"""Which strips below a root are current, which aren't and why, and what making them anew costs."""

from __future__ import annotations

import json
import os
import tomllib
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.batch.chooser import Chooser
from pipeline.batch.cost import Throughput, throughput
from pipeline.batch.entry import Entry, State
from pipeline.batch.examine import examine
from pipeline.batch.facts import Facts, facts_of
from pipeline.batch.identity import software_difference, software_now
from pipeline.batch.index import Index
from pipeline.batch.names import base_of, beside_text, kept_base
from pipeline.batch.source import Source, Told, output_of
from pipeline.batch.walk import Found, walk
from pipeline.errors import InputError

Progress = Callable[[str, int, int], None]

_SAVE_EACH = 500
_SECTIONS = ("weld", "panel", "geometry", "stages")  # of which a weld's config has all


@dataclass(frozen=True, slots=True)
class BatchPlan:
    """All welds in the order of their folders; ``problems`` are configs that are faulty, and
    folders that an interrupted ``accept`` left without its list."""

    root: Path
    entries: tuple[Entry, ...]
    problems: tuple[str, ...]
    software: Mapping[str, str]
    throughput: Throughput | None

    def of(self, *states: State) -> Sequence[Entry]:
        """The welds in one of these states."""
        return [one for one in self.entries if one.state in states]

    def count(self) -> Mapping[State, int]:
        """How many welds are in each state."""
        counted = Counter(one.state for one in self.entries)
        return {state: counted[state] for state in State}


def make_plan(
    root: Path,
    index: Index,
    told: Told,
    *,
    verify: bool = False,
    progress: Progress | None = None,
) -> BatchPlan:
    """The plan for all welds below ``root``. Nothing but the index is written.

    ``verify`` has every raw file read and hashed; without it those are whose size, times or folder
    changed. Its time goes with what isn't in the index yet.

    Raises:
        InputError: there is no such folder, or no weld in it.
    """
    if not root.is_dir():
        raise InputError("there is no such folder", where=str(root))
    return _Planner(root, index, told, verify, progress or (lambda *_: None)).plan()


class _Planner:
    """What one walk carries from weld to weld."""

    def __init__(
        self, root: Path, index: Index, told: Told, verify: bool, progress: Progress
    ) -> None:
        self.root, self.index, self.told, self.verify = root, index, told, verify
        self.progress = progress
        self.chooser = Chooser(index)
        self.software = software_now()
        self.problems: list[str] = []
        self.welds: dict[str, str] = {}  # of each config
        self.looked_at: list[Facts] = []
        self.unsaved = 0

    def plan(self) -> BatchPlan:
        found = walk(str(self.root))
        sources = self._sources(found.configs)
        new_ones = {base_of(path) for path in found.beside}
        entries = []
        for done, path in enumerate(found.results, start=1):
            entries.append(self._entry(path, sources.pop(path, []), path in new_ones))
            self.progress("looking at welds", done, len(found.results))
        self._say_orphans(found)
        for path, configs in sources.items():
            entries.append(self._new(path, configs))
        if not entries and not self.problems:
            raise InputError(
                "holds no welds",
                where=str(self.root),
                expected="result folders, or welds' configs, somewhere below",
                remedy="Name the folder that the welds lie in",
            )
        return BatchPlan(
            self.root,
            tuple(entries),
            tuple(self.problems),
            self.software,
            throughput(self.looked_at),
        )

    def _sources(self, configs: Sequence[str]) -> dict[str, list[str]]:
        """Result folder → the configs whose output it is."""
        outputs: dict[str, list[str]] = {}
        for path in configs:
            text = self.index.config(path, self.told.digest)
            if text is None:
                text = json.dumps(self._read_config(path))
                self.index.put_config(path, self.told.digest, text)
                self._save_now_and_then()
            facts = json.loads(text)
            if facts.get("fault"):
                self.problems.append(facts["fault"])
            elif facts.get("output"):
                outputs.setdefault(facts["output"], []).append(path)
                self.welds[path] = facts["weld"]
        return outputs

    def _read_config(self, path: str) -> Mapping[str, str]:
        """A weld's config: where its result goes, or what is wrong; nothing of another file."""
        try:
            sections = tomllib.loads(Path(path).read_text(encoding="utf-8-sig"))
        except (OSError, ValueError, RecursionError) as error:  # a weld's, for all that is known
            return {"fault": f"{path}: can't be read ({error})"}
        if not all(isinstance(sections.get(name), dict) for name in _SECTIONS):
            return {}
        try:
            job, _ = Source(path).load(self.told)
        except InputError as error:
            return {"fault": str(error)}
        return {"output": output_of(job), "weld": f"{job.weld.id} {job.weld.shot}".strip()}

    def _entry(self, path: str, configs: Sequence[str], has_new: bool) -> Entry:
        source, facts = self._facts_by(path, configs)
        entry = self._judged(path, source, facts)
        if not has_new or entry.state is not State.STALE:
            return entry
        new = self._facts(beside_text(path), source)
        if self._judged(path, source, new).state is State.CURRENT:
            return replace(entry, state=State.REPROCESSED)
        return replace(entry, obsolete=new.log_sha256 or "damaged")

    def _facts_by(self, path: str, configs: Sequence[str]) -> tuple[Source, Facts]:
        """The config that a result is held against: the only one that names it, or of several the
        one that it was made with; its own where none does."""
        if not configs:
            source = Source(f"{path}/config.toml", own=True)
            return source, self._facts(path, source)
        tried = [(one, self._facts(path, one)) for one in map(Source, configs)]
        if len(tried) == 1:
            return tried[0]
        same = [
            one
            for one in tried
            if not one[1].fault
            and not one[1].question
            and not any(reason.startswith("config") for reason in one[1].reasons)
        ]
        if len(same) == 1:
            return same[0]
        names = " and ".join(os.path.basename(one) for one in configs)  # noqa: PTH119
        said = f"{names} both name this folder for their result: which one counts?"
        source, facts = tried[0]
        return source, Facts(facts.weld, facts.shot, question=said)

    def _facts(self, path: str, source: Source) -> Facts:
        key = f"{source.config}\0{source.own}\0{self.told.digest}"
        text = None if self.verify else self.index.result(path, key)
        if text is None:
            facts, files = examine(path, source, self.told, self.index, verify=self.verify)
            self.index.put_result(path, key, files, facts.text())
            self._save_now_and_then()
        else:
            facts = facts_of(text)
        self.looked_at.append(facts)
        return facts

    def _judged(self, path: str, source: Source, facts: Facts) -> Entry:
        """The state by the facts, the software, and the calibration that would be chosen now."""
        reasons, calibration = list(facts.reasons), ""
        state = State.CURRENT
        if facts.fault:
            state, reasons = State.BLOCKED, [facts.fault]
        elif facts.question:
            state, reasons = State.QUESTION, [facts.question]
        else:
            if difference := software_difference(facts.software, self.software):
                reasons.append(f"software: {difference}")
            calibration, fault = self.chooser.choose(facts)
            if not fault and calibration != facts.calibration:
                reasons.append(f"calibration: {facts.calibration[:12]} → {calibration[:12]}")
            if fault:
                state, reasons = State.BLOCKED, [*reasons, f"calibration: {fault}"]
            elif reasons:
                state = State.STALE
        return Entry(
            path,
            facts.name,
            source,
            state,
            tuple(reasons),
            calibration,
            facts.log_sha256,
            raw_pixels=facts.raw_pixels,
            peak_bytes=facts.peak_bytes,
        )

    def _new(self, path: str, configs: Sequence[str]) -> Entry:
        """A weld that has no result yet."""
        source, weld = Source(configs[0]), self.welds[configs[0]]
        if len(configs) > 1:
            names = " and ".join(os.path.basename(one) for one in configs)  # noqa: PTH119
            said = f"{names} both name this folder for their result: which one counts?"
            return Entry(path, weld, source, State.QUESTION, (said,))
        return Entry(path, weld, source, State.NEW, ("never stitched into this folder",))

    def _say_orphans(self, found: Found) -> None:
        """New results whose old one is gone."""
        there = set(found.results)
        kept = {kept_base(path) for path in found.kept}
        for path in found.beside:
            base = base_of(path)
            if base not in there:
                more = (
                    " (an older one is kept beside it: an interrupted accept whose list is gone)"
                    if base in kept
                    else ""
                )
                self.problems.append(
                    f"{path}: the result that it would replace, {base}, isn't there{more}. Give "
                    "one of them that name by hand"
                )

    def _save_now_and_then(self) -> None:
        self.unsaved += 1
        if self.unsaved % _SAVE_EACH == 0:
            self.index.save()
