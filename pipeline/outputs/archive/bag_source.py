"""What a copy is made from: a weld, whose bag's own texts are yet to be written, or a sound bag."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.outputs.archive.as_made import require_as_made
from pipeline.outputs.archive.bag_text import (
    DECLARATION,
    DECLARATION_FILE,
    INFO_FILE,
    MANIFEST_FILE,
    TAG_MANIFEST_FILE,
    info_text,
    manifest_text,
    oxum_text,
)
from pipeline.outputs.archive.check import Checked
from pipeline.outputs.archive.copies import check_copy, require_sound
from pipeline.outputs.archive.copying import Item
from pipeline.outputs.archive.payload import payload_of, require_inputs
from pipeline.outputs.archive.read_back import Content
from pipeline.outputs.archive.weld_source import WeldSource


@dataclass(frozen=True, slots=True)
class BagSource:
    """Files to copy; and the texts to write beside them once their contents are known."""

    items: tuple[Item, ...]
    texts: Callable[[dict[str, Content]], dict[str, str]]


def source_of_weld(found: WeldSource, job_sheet: Path | None, more: Sequence[Path]) -> BagSource:
    """A new bag of a weld; whether its files are still those of the strip is seen on the way.

    Raises:
        InputError: they can't be archived, or aren't what the strip was made from.
    """
    payload = payload_of(found, job_sheet, more)
    require_as_made(found)

    def texts(copied: dict[str, Content]) -> dict[str, str]:
        digests = {name: one.digest for name, one in copied.items()}
        require_inputs(found, digests)
        own = {name: text.encode() for name, text in payload.texts.items()}
        digests |= {name: _sha256(text) for name, text in own.items()}
        sizes = [one.size for one in copied.values()] + [len(text) for text in own.values()]
        info = info_text([*payload.info, ("Payload-Oxum", oxum_text(sizes))])
        tags = {
            DECLARATION_FILE: DECLARATION,
            INFO_FILE: info,
            MANIFEST_FILE: manifest_text(digests),
        }
        vouched = {name: _sha256(text.encode()) for name, text in tags.items()}
        return {**payload.texts, **tags, TAG_MANIFEST_FILE: manifest_text(vouched)}

    return BagSource(payload.items, texts)


def source_of_bag(bag: Path) -> BagSource:
    """One more copy of a bag.

    Raises:
        InputError: it is damaged, or was renamed.
    """
    checked = check_copy(bag)
    require_sound(checked)
    return source_of_checked(checked)


def source_of_checked(checked: Checked) -> BagSource:
    """A sound bag as it is: files that its manifests name, then the tag manifest."""
    bag = checked.bag
    tag_manifest = f"tagmanifest-{checked.algorithm}.txt"
    items = [
        Item(name, bag / name, one.digest if checked.algorithm == "sha256" else "")
        for name, one in sorted(checked.found.items())
        if name != tag_manifest and isinstance(one, Content)
    ]
    text = (bag / tag_manifest).read_text(encoding="utf-8")
    return BagSource(tuple(items), lambda _: {tag_manifest: text})


def identity_of(texts: Mapping[str, str]) -> str:
    """The SHA-256 of the tag manifest among a bag's texts."""
    return next(_sha256(text.encode()) for tag, text in texts.items() if tag.startswith("tagm"))


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
