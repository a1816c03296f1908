"""Is a bag what it was when it was written? Every file is read, every difference is named."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from pipeline.outputs.archive.bag_text import (
    DECLARATION_FILE,
    INFO_FILE,
    PAYLOAD,
    READABLE,
    Manifest,
    counted,
    manifest_text,
    read_info,
    read_manifest,
)
from pipeline.outputs.archive.read_back import Content, Count, contents_of
from pipeline.outputs.archive.tree import Tree, files_below

AGENT = "girthstrip"


class FaultKind(StrEnum):
    """What happened to a file, as far as its content tells."""

    CHANGED = "changed"
    SWAPPED = "swapped"
    MISSING = "missing"
    EXTRA = "extra"
    UNREADABLE = "unreadable"
    DENIED = "denied"
    """Closed to this account: says nothing about the file."""
    NAME = "name"
    """The bag's own name isn't its content's."""
    LIST = "list"
    """A manifest that can't be relied on."""


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with one file of a bag; ``path`` is its name from the bag on."""

    kind: FaultKind
    path: str
    text: str

    def __str__(self) -> str:
        return f"{self.path}: {self.text}"


@dataclass(frozen=True, slots=True)
class Checked:
    """What a bag holds beside what it should.

    ``identity`` is the SHA-256 of its tag manifest, the same for all copies; "" where there is
    none. ``expected`` is the digest that each file should have, ``found`` what it has.
    ``lists_sound`` tells whether the manifests themselves show no fault.
    """

    bag: Path
    algorithm: str
    identity: str
    expected: Mapping[str, str]
    found: Mapping[str, Content | OSError]
    faults: tuple[Fault, ...]
    lists_sound: bool

    @property
    def sound(self) -> bool:
        """Whether nothing is missing, extra or changed."""
        return not self.faults

    @property
    def unread(self) -> bool:
        """Whether rights are lacking to tell: then what was found is no word about the copy."""
        return any(fault.kind is FaultKind.DENIED for fault in self.faults)

    @property
    def tags_sound(self) -> bool:
        """Whether all but the payload is as it should be."""
        return not any(not fault.path.startswith(f"{PAYLOAD}/") for fault in self.faults)

    @property
    def strangers(self) -> set[str]:
        """What lies in the bag and is no file that its tag manifest or manifest names."""
        kinds = (FaultKind.UNREADABLE, FaultKind.DENIED)
        odd = {one.path for one in self.faults if one.kind in kinds} - {"."}
        return (odd | self.found.keys()) - self.expected.keys()

    @property
    def size(self) -> int:
        """Bytes that could be read."""
        return sum(one.size for one in self.found.values() if isinstance(one, Content))


def is_bag(folder: Path) -> bool:
    """Whether a folder is a bag, or was one before it lost some of its files."""
    lists = [f"{kind}-{one}.txt" for kind in ("manifest", "tagmanifest") for one in READABLE]
    names = (DECLARATION_FILE, *lists)
    return any(os.path.isfile(folder / name) for name in names)  # noqa: PTH113 - false without rights


def check_bag(bag: Path, *, identity: str = "", count: Count | None = None) -> Checked:
    """Read a bag wholly and hold it against its manifests.

    ``identity`` is what the bag's was when it was written, where that is known: a tag manifest is
    vouched for by nothing in the bag. Never raises for what is wrong with the bag.
    """
    tree = files_below(bag)
    used = [one for one in READABLE if f"manifest-{one}.txt" in tree.files] or [READABLE[0]]
    faults = [
        Fault(FaultKind.DENIED if name in tree.denied else FaultKind.UNREADABLE, name, what)
        for name, what in tree.odd.items()
    ]
    checked: Checked | None = None
    for algorithm in used:  # one, but for bags that others wrote with both
        checked = _check(bag, tree, algorithm, identity, count)
        faults += [one for one in checked.faults if one not in faults]
    if checked is None:
        raise AssertionError("a bag is checked by one digest at least")
    return Checked(
        bag,
        checked.algorithm,
        checked.identity,
        checked.expected,
        checked.found,
        tuple(sorted(faults, key=lambda fault: (fault.kind is not FaultKind.LIST, fault.path))),
        checked.lists_sound,
    )


def _check(bag: Path, tree: Tree, algorithm: str, identity: str, count: Count | None) -> Checked:
    payload_list, tag_list = f"manifest-{algorithm}.txt", f"tagmanifest-{algorithm}.txt"
    lists: dict[str, Manifest] = {}
    faults: list[Fault] = []
    for name in (tag_list, payload_list):
        lists[name], wrong = _read_list(bag / name, algorithm)
        faults += [Fault(kind, name, text) for kind, text in wrong]
    faults += _unvouched(bag, tag_list, lists[tag_list], identity)
    expected = dict(lists[tag_list].digests) | {
        path: digest
        for path, digest in lists[payload_list].digests.items()
        if path.startswith(f"{PAYLOAD}/")
    }
    found = contents_of(tree.files, algorithm, count)
    others = {f"tagmanifest-{one}.txt" for one in READABLE}
    if not any(fault.kind is FaultKind.DENIED for fault in faults):
        faults += _differences(expected, found, others, tree.denied)
    tag_content = found.get(tag_list)
    own = tag_content.digest if isinstance(tag_content, Content) else ""
    if own and algorithm != "sha256":
        own = hashlib.sha256((bag / tag_list).read_bytes()).hexdigest()
    lists_sound = not any(
        fault.kind is FaultKind.LIST or fault.path in (tag_list, payload_list) for fault in faults
    )
    return Checked(bag, algorithm, own, expected, found, tuple(faults), lists_sound)


def _read_list(path: Path, algorithm: str) -> tuple[Manifest, list[tuple[FaultKind, str]]]:
    try:
        manifest = read_manifest(path.read_bytes().decode("utf-8"), algorithm)
    except FileNotFoundError:
        return Manifest({}, ()), [(FaultKind.LIST, "is missing")]
    except PermissionError as error:
        return Manifest({}, ()), [(FaultKind.DENIED, f"can't be read ({error.strerror})")]
    except (OSError, UnicodeDecodeError) as error:
        return Manifest({}, ()), [(FaultKind.LIST, f"can't be read ({error})")]
    return manifest, [(FaultKind.LIST, text) for text in manifest.faults]


def _unvouched(bag: Path, name: str, manifest: Manifest, identity: str) -> Iterator[Fault]:
    """Whether the tag manifest, which no other file of the bag vouches for, is as it was."""
    try:
        content = (bag / name).read_bytes()
    except OSError:
        return  # told already
    if identity and hashlib.sha256(content).hexdigest() != identity:
        yield Fault(
            FaultKind.LIST,
            name,
            "isn't the one that was written (or the record beside the bag is damaged)",
        )
    elif _is_ours(bag) and content != manifest_text(manifest.digests).encode():
        yield Fault(FaultKind.LIST, name, "isn't as it was written: a letter or a blank is another")


def _is_ours(bag: Path) -> bool:
    try:
        info = (bag / INFO_FILE).read_text(encoding="utf-8", errors="replace")
    except OSError:
        return False
    return read_info(info).get("Bag-Software-Agent", "").startswith(AGENT)


def _differences(
    expected: Mapping[str, str],
    found: Mapping[str, Content | OSError],
    vouches: set[str],
    denied: Collection[str],
) -> Iterator[Fault]:
    belongs = {digest: path for path, digest in sorted(expected.items(), reverse=True)}
    for path, digest in sorted(expected.items()):
        content = found.get(path)
        if content is None and _in_any(path, denied):
            continue  # nobody knows; the folder is told
        if content is None:
            yield Fault(FaultKind.MISSING, path, "is missing")
        elif isinstance(content, OSError):
            reason = content.strerror or content
            closed = isinstance(content, PermissionError)
            kind = FaultKind.DENIED if closed else FaultKind.UNREADABLE
            yield Fault(kind, path, f"can't be read ({reason})")
        elif content.digest != digest:
            yield _changed(path, digest, content, belongs.get(content.digest, ""), found)
    for path, content in sorted(found.items()):
        if path in expected or path in vouches:
            continue
        origin = belongs.get(content.digest, "") if isinstance(content, Content) else ""
        yield Fault(
            FaultKind.EXTRA,
            path,
            "doesn't belong here: no manifest names it"
            + (f"; it has the content of {origin}" if origin else ""),
        )


def _in_any(path: str, folders: Collection[str]) -> bool:
    return any(one in (".", path) or path.startswith(f"{one}/") for one in folders)


def _changed(
    path: str, digest: str, content: Content, origin: str, found: Mapping[str, Content | OSError]
) -> Fault:
    if not origin:
        size = "is empty" if content.size == 0 else counted(content.size, "byte")
        return Fault(FaultKind.CHANGED, path, f"its content has changed ({size})")
    other = found.get(origin)
    if isinstance(other, Content) and other.digest == digest:
        return Fault(FaultKind.SWAPPED, path, f"is swapped with {origin}")
    return Fault(FaultKind.SWAPPED, path, f"has the content of {origin}")
