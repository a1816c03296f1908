"""How a damaged file differs from a good one, in words: bits, bytes, length."""

from __future__ import annotations

from pathlib import Path

from pipeline.outputs.archive.bag_text import counted

_BLOCK_BYTES = 2**20


def difference_text(damaged: Path, good: Path) -> str:
    """Where the two first differ and in how many bytes; a single bit is named."""
    try:
        return _text(damaged, good)
    except OSError as error:
        return f"it couldn't be compared ({error.strerror or error})"


def _text(damaged: Path, good: Path) -> str:
    sizes = damaged.lstat().st_size, good.stat().st_size
    if damaged.is_symlink() or not damaged.is_file():
        return "it is no ordinary file"
    count, first, bits = 0, -1, 0
    with damaged.open("rb") as one, good.open("rb") as other:
        offset = 0
        while (mine := one.read(_BLOCK_BYTES)) and (right := other.read(_BLOCK_BYTES)):
            if mine != right:
                for k, (a, b) in enumerate(zip(mine, right, strict=False)):
                    if a != b:
                        first = offset + k if first < 0 else first
                        count += 1
                        bits = a ^ b if count == 1 else bits
            offset += len(mine)
    told = []
    if sizes[0] != sizes[1]:
        told.append(f"it has {counted(sizes[0], 'byte')} instead of {sizes[1]}")
    if count == 1 and bits.bit_count() == 1:
        told.append(f"bit {bits.bit_length() - 1} of byte {first} is flipped")
    elif count:
        differ = "differs" if count == 1 else "differ"
        told.append(f"{counted(count, 'byte')} {differ}, the first at {first}")
    return " and ".join(told) or "no byte differs now: it was read wrongly before"
