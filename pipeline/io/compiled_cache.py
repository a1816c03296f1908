"""Where compiled loops are kept, so that an account that may write nowhere can work too.

numba keeps them in ``NUMBA_CACHE_DIR``, else beside the source, else in the user's cache folder,
and refuses to work where none of these can be written. To be called before numba is imported.
"""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from pathlib import Path

from pipeline.errors import OutputError

VARIABLE = "NUMBA_CACHE_DIR"
COMPILED = ("kernels", "quality/evidence", "simulation")
"""Folders of ``pipeline`` with compiled loops."""

_PACKAGE = Path(__file__).parents[1]


def find_compiled_cache() -> None:
    """Name a private folder for this run only, removed at its end, if numba would find none.

    Raises:
        OutputError: not even a temporary folder can be made.
    """
    own = os.environ.get(VARIABLE)
    if own and _writable(Path(own)):
        return
    beside = [_PACKAGE / folder / "__pycache__" for folder in COMPILED]
    if all(map(_writable, beside)) or _writable(_users_cache()):
        return
    try:
        folder = tempfile.mkdtemp(prefix="girthstrip-compiled-")
    except OSError as error:
        raise OutputError(
            f"no folder for compiled loops can be written ({error.strerror})",
            remedy=f"Name one that you may write to in the environment variable {VARIABLE}",
        ) from error
    os.environ[VARIABLE] = folder
    atexit.register(shutil.rmtree, folder, ignore_errors=True)


def _users_cache() -> Path:
    """What numba takes for it on Linux."""
    return Path(os.environ.get("XDG_CACHE_HOME") or os.path.expanduser("~/.cache")) / "numba"  # noqa: PTH111 - pathlib raises where there is no home


def _writable(folder: Path) -> bool:
    """Tried as numba does, by writing: rights alone don't tell of a read-only disk."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        tempfile.TemporaryFile(dir=folder).close()
    except OSError:
        return False
    return True
