"""Ctrl-C, a closed terminal and a polite kill, all as an interrupt that cleans up."""

from __future__ import annotations

import os
import signal

INTERRUPTED = 130
"""Exit code: stopped by a signal."""

_CLEANING_UP_S = 30


class Signals:
    """Ctrl-C, a closed terminal and a polite kill, all as an interrupt that cleans up.

    The interrupt may come out of a library's innermost as an exception of its own; that one had
    come is then still known.
    """

    def __init__(self) -> None:
        self.came = False

    def install(self) -> None:
        """From now on the three end the command with ``INTERRUPTED``."""
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            if signal.getsignal(number) is not signal.SIG_IGN:  # as under nohup
                signal.signal(number, self._interrupt)

    def _interrupt(self, *_: object) -> None:
        self.came = True
        # An interrupt at an unlucky moment can leave a library's lock taken for good. Then the
        # half-made folder stays, under a name that nobody takes for it, until the next run.
        signal.signal(signal.SIGALRM, _give_up)
        signal.alarm(_CLEANING_UP_S)
        raise KeyboardInterrupt


def _give_up(*_: object) -> None:
    os.write(2, b"girthstrip: stopped, without waiting longer for what hangs\n")
    os._exit(INTERRUPTED)
