"""The welds that are served: found in the folder, opened when asked for, a few kept open."""

from __future__ import annotations

import threading
import time
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.errors import InputError
from pipeline.io.folders import LOG_FILE
from pipeline.io.image_tiles import TileCache
from pipeline.review.answers import NOT_FOUND, RequestError
from pipeline.review.finding import Found, find_welds
from pipeline.review.weld import FRAMES, OpenWeld

_KEPT_OPEN = 3
_LOOK_AGAIN_S = 2.0

_Stamp = tuple[int, int, int]


@dataclass(slots=True)
class Shelf:
    """The welds below ``root``; for several threads at once."""

    root: Path
    cache: TileCache = field(default_factory=TileCache)
    _found: dict[str, Found] = field(default_factory=dict)
    _looked: float = -1e9
    _open: OrderedDict[str, tuple[_Stamp, OpenWeld]] = field(default_factory=OrderedDict)
    _lock: threading.RLock = field(default_factory=threading.RLock)

    def welds(self) -> Mapping[str, Found]:
        """All result folders by key, looked for again when the last look is a while ago."""
        with self._lock:
            if time.monotonic() - self._looked > _LOOK_AGAIN_S:
                self._found = find_welds(self.root)
                self._looked = time.monotonic()
            return self._found

    def found(self, key: str) -> Found:
        """The result folder with this key.

        Raises:
            RequestError: there is none.
        """
        with self._lock:
            one = self._found.get(key) or self.welds().get(key)
        if one is None:
            raise RequestError(
                NOT_FOUND,
                "there is no such weld in the served folder",
                remedy="Go back to the list: the folder may have changed",
            )
        return one

    def open(self, key: str) -> OpenWeld:
        """The weld with this key, opened anew where its result was replaced.

        Raises:
            RequestError: there is none.
            InputError: its result is at fault.
        """
        folder = self.found(key).folder
        stamp = _stamp(folder / LOG_FILE)
        with self._lock:
            for other, (_, weld) in self._open.items():
                if other != key:  # frames and calibration of one weld at a time
                    weld.kept.pop(FRAMES, None)
            held = self._open.get(key)
            if held is not None and held[0] == stamp:
                self._open.move_to_end(key)
                return held[1]
            weld = OpenWeld(folder, self.cache)
            self._open[key] = (stamp, weld)
            self._open.move_to_end(key)
            while len(self._open) > _KEPT_OPEN:
                self._open.popitem(last=False)
            return weld


def _stamp(path: Path) -> _Stamp:
    try:
        told = path.stat()
    except OSError as error:
        raise InputError(f"can't be read ({error.strerror})", where=str(path)) from error
    return told.st_ino, told.st_mtime_ns, told.st_size
