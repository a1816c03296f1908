"""The small texts of a bag: declaration, manifests, ``bag-info.txt`` (RFC 8493, BagIt 1.0)."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

ALGORITHM = "sha256"
"""Digest of the bags written here. RFC 8493, section 2.4, allows it beside SHA-512, which it
suggests; it is what the quality log names its inputs by, so both can be held against each other."""

READABLE = ("sha256", "sha512")
"""Digests that section 2.4 wants every tool to check."""

DECLARATION_FILE, INFO_FILE = "bagit.txt", "bag-info.txt"
MANIFEST_FILE, TAG_MANIFEST_FILE = f"manifest-{ALGORITHM}.txt", f"tagmanifest-{ALGORITHM}.txt"
DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
PAYLOAD = "data"

_ENCODED = {"%": "%25", "\n": "%0A", "\r": "%0D"}  # section 2.1.3
_NAMES_SHOWN = 5
_LINE = re.compile(r"([0-9a-fA-F]+)[ \t]+\*?(.+)")


@dataclass(frozen=True, slots=True)
class Manifest:
    """Path → digest (lower case), and what is wrong with lines that can't be used."""

    digests: Mapping[str, str]
    faults: tuple[str, ...]


def manifest_text(digests: Mapping[str, str]) -> str:
    """A manifest: digest, two blanks, path; a line each, in the order of the paths."""
    return "".join(f"{digest}  {_encode(path)}\n" for path, digest in sorted(digests.items()))


def read_manifest(text: str, algorithm: str) -> Manifest:
    """What a manifest says. Nothing that it names lies outside the bag."""
    length = {"sha256": 64, "sha512": 128}[algorithm]
    digests: dict[str, str] = {}
    faults: list[str] = []
    for number, line in enumerate(text.split("\n"), start=1):
        if not line.strip():
            continue
        found = _LINE.fullmatch(line.rstrip("\r"))
        if found is None or len(found[1]) != length:
            faults.append(f"line {number} is no digest and path")
            continue
        path = _decode(found[2])
        if path.startswith(("/", "~")) or ".." in path.split("/"):
            faults.append(f"line {number} names {path!r}, which lies outside the bag")
        elif path in digests:
            faults.append(f"line {number} names {path!r} again")
        else:
            digests[path] = found[1].lower()
    return Manifest(digests, tuple(faults))


def info_text(fields: Iterable[tuple[str, str]]) -> str:
    """``bag-info.txt``: a label and what it says, a line each; empty ones are left out."""
    return "".join(f"{label}: {' '.join(text.split())}\n" for label, text in fields if text.strip())


def read_info(text: str) -> dict[str, str]:
    """Label → text of a ``bag-info.txt``; the last of equal labels counts."""
    found: dict[str, str] = {}
    label = ""
    for line in text.splitlines():
        if line[:1] in (" ", "\t") and label:  # a folded line
            found[label] += f" {line.strip()}"
        elif ":" in line:
            label, _, value = line.partition(":")
            found[label] = value.strip()
    return found


def oxum_text(sizes: Iterable[int]) -> str:
    """``Payload-Oxum``: bytes and files of the payload, as in section 2.2.2."""
    known = list(sizes)
    return f"{sum(known)}.{len(known)}"


def oxum_words(oxum: str) -> str:
    """The same for people."""
    size, _, files = oxum.partition(".")
    return f"{counted(files, 'file')} of {counted(size, 'byte')}"


def shortened(names: Sequence[str]) -> str:
    """The first few of many names, and how many more there are."""
    more = f" and {len(names) - _NAMES_SHOWN} more" if len(names) > _NAMES_SHOWN else ""
    return f"{', '.join(names[:_NAMES_SHOWN])}{more}"


def counted(number: int | str, one: str, more: str = "") -> str:
    """How many of what: ``1 byte``, ``2 bytes``."""
    return f"{number} {one if str(number) == '1' else more or f'{one}s'}"


def _encode(path: str) -> str:
    return "".join(_ENCODED.get(letter, letter) for letter in path)


def _decode(path: str) -> str:
    return re.sub(r"%(25|0[AaDd])", lambda code: chr(int(code[1], 16)), path)
