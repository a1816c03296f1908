"""An environment for each outside package, made when it is needed, beside the project's own."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path


class CantInstallError(Exception):
    """A package that pip couldn't install; the last line of what it said."""


def python_with(package: str, folder: Path) -> Path:
    """The interpreter of a virtual environment below ``folder`` that holds ``package`` (a name with
    its version, as pip takes it); made if it isn't there yet."""
    home = folder / package.replace("==", "-")
    python, ready = home / "bin" / "python", home / "ready"
    if ready.exists():
        return python
    for command in (
        [sys.executable, "-m", "venv", "--clear", str(home)],
        [str(python), "-m", "pip", "install", "--quiet", package],
    ):
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode:
            raise CantInstallError(last_line(done.stderr + done.stdout))
    ready.touch()
    return python


def last_line(text: str) -> str:
    """The last line that isn't empty."""
    return next((line.strip() for line in reversed(text.splitlines()) if line.strip()), "no word")
