"""Frames of a headerless binary file, as the config's layout describes them."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

from pipeline.config.panel import BinaryLayout
from pipeline.errors import FrameError
from pipeline.io.page import Page, PlainPage, Run, no_such_page, require_file, size_text, wrong_size


def inspect_binary(
    path: Path,
    name: str,
    pages: Collection[int] | None,
    shape: tuple[int, int],
    layout: BinaryLayout,
) -> dict[int, Page | FrameError]:
    """What each page is: ready to be read, or the reason why it can't be.

    The file must be exactly a header and a whole number of frames, with the gap between them
    (after the last one it may stand or be missing). Arguments as for ``inspect_tiff``.
    """
    wanted = sorted(pages) if pages is not None else None
    size = require_file(path, name)
    if isinstance(size, FrameError):
        return dict.fromkeys(wanted or [0], size)
    if (layout.rows, layout.columns) != shape:
        fault = wrong_size(name, (layout.rows, layout.columns), shape)
        return dict.fromkeys(wanted or [0], fault)
    frame = 2 * layout.rows * layout.columns
    step = frame + layout.frame_gap_bytes
    body = size - layout.header_bytes
    count, rest = divmod(body, step)
    if rest == frame:  # no gap after the last frame
        count, rest = count + 1, 0
    if rest or count < 1:
        fault = _wrong_length(name, size, layout)
        return dict.fromkeys(wanted or [0], fault)
    return {
        number: PlainPage(
            path,
            f"{name}, page {number}",
            (Run(layout.header_bytes + number * step, frame),),
            layout.byte_order == "big",
        )
        if number < count
        else no_such_page(f"{name}, page {number}", count)
        for number in (range(count) if wanted is None else wanted)
    }


def _wrong_length(name: str, size: int, layout: BinaryLayout) -> FrameError:
    frame = 2 * layout.rows * layout.columns
    gap = f", {layout.frame_gap_bytes} between frames" if layout.frame_gap_bytes else ""
    return FrameError(
        f"has {size} bytes, which is no whole number of frames",
        where=name,
        expected=f"{layout.header_bytes} bytes of header, then {frame} bytes a frame "
        f"({size_text((layout.rows, layout.columns))} of 16 bits){gap}",
        remedy="Copy the file again if it is cut short; otherwise correct [frames.binary] in "
        "the config",
    )
