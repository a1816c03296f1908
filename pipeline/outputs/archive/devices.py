"""Which copies can be lost together: those on one disk."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

_BLOCK_DEVICES = Path("/sys/dev/block")


def disk_of(folder: Path) -> str:
    """What tells the disk that a folder lies on from others: partitions of one disk are one.

    As far as the system tells: volumes put together from disks, and shares of one server, count as
    disks of their own.

    Raises:
        OSError: the folder can't be looked at.
    """
    device = folder.stat().st_dev
    numbers = f"{os.major(device)}:{os.minor(device)}"
    try:
        block = (_BLOCK_DEVICES / numbers).resolve(strict=True)
        if (block / "partition").exists():
            return (block.parent / "dev").read_text(encoding="ascii").strip()
    except OSError:  # a memory disk, a share: nothing is known but the number
        pass
    return numbers


def independent(disks: Iterable[str], *, same_device: bool) -> int:
    """How many copies count; on one disk they count as one, unless that is allowed."""
    known = list(disks)
    return len(known) if same_device else len(set(known))
