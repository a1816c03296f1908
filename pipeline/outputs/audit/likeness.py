"""The same frames, or the same metal, under two names."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence

from pipeline.outputs.audit.collect import Record
from pipeline.outputs.audit.finding import Finding
from pipeline.outputs.audit.side_by_side import side_by_side
from pipeline.quality.evidence.agreement import Agreement, agree
from pipeline.quality.evidence.search import Candidate, find_candidates, tries


def same_frames(records: Sequence[Record]) -> Iterator[Finding]:
    """Raw frame files that stand in the records of several welds, gathered by those welds."""
    owners: dict[str, dict[str, Record]] = defaultdict(dict)
    for record in records:
        for digest in record.frames:
            owners[digest].setdefault(record.weld, record)
    shared: dict[tuple[str, ...], list[str]] = defaultdict(list)
    first: dict[tuple[str, ...], tuple[Record, ...]] = {}
    for digest, by_weld in owners.items():
        if len(by_weld) > 1:
            welds = tuple(sorted(by_weld))
            shared[welds].append(digest)
            first.setdefault(welds, tuple(by_weld[weld] for weld in welds))
    for welds, digests in sorted(shared.items()):
        folders = tuple(record.folder for record in first[welds])
        totals = " and ".join(str(len(set(record.frames))) for record in first[welds])
        yield Finding(
            "same_frames",
            welds,
            folders,
            f"{len(digests)} raw frame files are the same, byte for byte",
            {"frames_in_common": len(digests), "frames_of_each": totals, "sha256": digests[0]},
        )


def same_welds(records: Sequence[Record], *, threads: int) -> Iterator[Finding]:
    """Strips of differently named welds that show the same metal."""
    shown = [record for record in records if record.prints is not None]
    prints = [record.prints for record in shown if record.prints is not None]
    tried = tries(prints)
    told: set[frozenset[str]] = set()
    for candidate in find_candidates(prints, threads=threads):
        one, other = shown[candidate.one], shown[candidate.other]
        pair = frozenset((one.weld, other.weld))
        if one.weld == other.weld or pair in told:
            continue
        agreement = agree(prints[candidate.one], prints[candidate.other], candidate)
        if agreement.same_metal(tried):
            told.add(pair)
            yield _same_weld(one, other, candidate, agreement, tried)


def two_scans(records: Sequence[Record]) -> Iterator[Finding]:
    """Other raw frames under one name of a weld and one shot; of records of the same frames, or of
    a part of them, only one counts."""
    by_name: dict[tuple[str, str], list[Record]] = defaultdict(list)
    for record in records:
        scans = by_name[record.weld, record.shot]
        frames = set(record.frames)
        if frames and not any(
            frames <= set(one.frames) or frames >= set(one.frames) for one in scans
        ):
            scans.append(record)
    for (weld, shot), scans in by_name.items():
        first = scans[0] if scans else None
        for other in scans[1:]:
            assert first is not None
            common = len(set(first.frames) & set(other.frames))
            named = f" and shot {shot}" if shot else ""
            yield Finding(
                "two_scans",
                (weld,),
                (first.folder, other.folder),
                f"two scans stand under this weld{named}: {_metal(first, other)}",
                {
                    "frames_in_common": common,
                    "frames_of_each": f"{len(set(first.frames))} and {len(set(other.frames))}",
                },
            )


def _metal(one: Record, other: Record) -> str:
    """Whether two strips show the same metal, in words."""
    if one.prints is None or other.prints is None:
        return "whether they show the same metal can't be told, too little is shown"
    prints = [one.prints, other.prints]
    same = any(
        agree(prints[way.one], prints[way.other], way).same_metal(tries(prints))
        for way in find_candidates(prints)
    )
    return "they show the same metal" if same else "it wasn't found that they show the same metal"


def _same_weld(
    one: Record, other: Record, way: Candidate, agreement: Agreement, tried: float
) -> Finding:
    flips = [
        *(["reversed along the weld"] if way.reversed_along else []),
        *(["reversed across it"] if way.reversed_across else []),
        *([f"moved on by {way.shift_mm:.0f} mm"] if _moved(way) else []),
    ]
    what = "the strips show the same metal" + (
        f" once the second is {', '.join(flips)}" if flips else ", just as they lie"
    )
    what += f": {agreement.alike} of {agreement.places} places agree"
    figures = {
        "places": agreement.places,
        "places_alike": agreement.alike,
        "usual_correlation": agreement.usual,
        "strangers_correlation": agreement.strange,
        "likeness": way.likeness,
        "expected_by_chance_in_archive": agreement.by_chance(tried),
        "shift_mm": way.shift_mm,
        "reversed_along": way.reversed_along,
        "reversed_across": way.reversed_across,
        "from_mm": agreement.first_mm,
        "to_mm": agreement.last_mm,
    }
    return Finding(
        "same_weld",
        (one.weld, other.weld),
        (one.folder, other.folder),
        what,
        figures,
        side_by_side(one, other, way, agreement),
    )


def _moved(way: Candidate) -> bool:
    return min(way.shift_mm, way.turn_mm - way.shift_mm) > 2.0
