"""What the standard has no place for: a block of private elements, each listed here.

Where a standard attribute says what is meant, it stands in the same items.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Any

from pydicom.dataset import Dataset

CREATOR = "GIRTHSTRIP 1"
GROUP = 0x0019


class Own(IntEnum):
    """The element within the block."""

    FRAMES = 0x01
    FILE = 0x02
    PAGE = 0x03
    SHA256 = 0x04
    USED = 0x05
    WHY_NOT = 0x06
    ENCODER_MM = 0x07
    POSITION_MM = 0x08
    SIGMA_MM = 0x09
    AXIAL_MM = 0x0A
    LEVEL = 0x0B
    QUALITY_LOG = 0x10
    QUALITY_LOG_SHA256 = 0x11
    PIXELS_SHA256 = 0x12


_KINDS = {
    Own.FRAMES: "SQ",  # an item a row of the frame table, in its order
    Own.FILE: "UT",  # its name, from the frames' folder on
    Own.PAGE: "UL",  # which frame of the file, from 0
    Own.SHA256: "LO",  # of the file's bytes
    Own.USED: "CS",  # YES or NO
    Own.WHY_NOT: "UT",  # why it isn't in the strip
    Own.ENCODER_MM: "FD",  # what the carriage counted
    Own.POSITION_MM: "FD",  # where it was found to be, on the outer surface from the datum
    Own.SIGMA_MM: "FD",  # the standard deviation of that
    Own.AXIAL_MM: "FD",  # its shift along the pipe
    Own.LEVEL: "FD",  # its exposure relative to the scan's mean
    Own.QUALITY_LOG: "UT",  # quality.json, whole
    Own.QUALITY_LOG_SHA256: "LO",  # of its bytes
    Own.PIXELS_SHA256: "LO",  # of the whole strip, as the log has it
}


def add_own(dataset: Dataset, values: dict[Own, Any]) -> None:
    """Put private elements into a dataset; those that are None are left out."""
    told = {own: value for own, value in values.items() if value is not None}
    if told:
        block = dataset.private_block(GROUP, CREATOR, create=True)
        for own, value in told.items():
            block.add_new(int(own), _KINDS[own], value)


def own_value(dataset: Dataset, own: Own) -> Any:
    """A private element's value; None where it isn't there."""
    try:
        return dataset.private_block(GROUP, CREATOR)[int(own)].value
    except KeyError:
        return None
