"""Which copies can be lost together."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from pipeline.outputs.archive import devices
from pipeline.outputs.archive.devices import disk_of, independent


def test_partitions_of_one_disk_are_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As Linux lists them: /sys/dev/block/8:1 leads to …/sda/sda1, whose ``partition`` says 1."""
    disk = tmp_path / "devices" / "sda"
    for name, numbers in (("sda1", "8:1"), ("sda2", "8:2")):
        (disk / name).mkdir(parents=True)
        (disk / name / "partition").write_text("1\n")
        (tmp_path / numbers).symlink_to(disk / name)
    (disk / "dev").write_text("8:0\n")
    (tmp_path / "9:0").symlink_to(tmp_path / "devices")  # put together from several
    monkeypatch.setattr(devices, "_BLOCK_DEVICES", tmp_path)

    class Folder:
        def __init__(self, major: int, minor: int) -> None:
            self.st_dev = os.makedev(major, minor)

        def stat(self) -> Folder:
            return self

    told = [disk_of(Folder(*one)) for one in ((8, 1), (8, 2), (9, 0), (0, 77))]  # type: ignore[arg-type]
    assert told == ["8:0", "8:0", "9:0", "0:77"]
    assert independent(told, same_device=False) == 3
    assert independent(told, same_device=True) == 4


def test_a_memory_disk_is_another_disk(tmp_path: Path) -> None:
    memory = Path("/dev/shm")
    if not memory.is_dir() or memory.stat().st_dev == tmp_path.stat().st_dev:
        pytest.skip("there is no second disk here")
    assert disk_of(memory) != disk_of(tmp_path)
