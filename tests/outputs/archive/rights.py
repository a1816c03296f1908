"""Tests that take rights away, which an administrator has whatever a folder says."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

_NOBODY = 65534


@contextmanager
def no_rights() -> Iterator[None]:
    """Be an ordinary account for a while; all that is called must have been imported before."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(_NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)
