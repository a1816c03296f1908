"""Every error that a person can mend, as one small tree.

    GirthstripError            a fault that has a message for people
    └─ InputError              exit code 2: what came in is wrong
       ├─ ConfigError          the config file
       ├─ TableError           frames.csv or the job sheet
       ├─ FrameError           a frame that can't be read or doesn't fit
       ├─ CalibrationError     a calibration that can't be made, read or used
       ├─ OutputError          the place where results should go
       └─ SendError            a file that can't be sent, or a peer that doesn't take it

Anything else that escapes is a fault of ours (exit code 1).
"""

from __future__ import annotations


class GirthstripError(Exception):
    """A fault with a message for people: what is wrong, where, what was expected, what to do."""

    exit_code = 1

    def __init__(self, what: str, *, where: str = "", expected: str = "", remedy: str = "") -> None:
        self.what, self.where, self.expected, self.remedy = what, where, expected, remedy
        message = f"{where}: {what}" if where else what
        if expected:
            message += f"; expected {expected}"
        if remedy:
            message += f"{'' if message.endswith('?') else '.'} {remedy}"
        super().__init__(message)


class InputError(GirthstripError):
    """What came in is wrong; the person who runs the tool can mend it."""

    exit_code = 2


class ConfigError(InputError):
    """One or more faults of a config file, all in one message, a line each."""


class TableError(InputError):
    """One or more faults of a frame table or job sheet, all in one message, a line each."""


class FrameError(InputError):
    """A frame file that can't be read, or doesn't fit the panel."""


class CalibrationError(InputError):
    """A calibration that can't be built, read, or used with these frames."""


class OutputError(InputError):
    """The results can't be written where they should go."""


class SendError(InputError):
    """A file that can't be sent, or a peer that can't be reached or refuses."""
