"""Names of folders as text, in locales that know their letters and in those that don't."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.config.path_text import path_of, path_text


@pytest.mark.parametrize("name", ["frames", "Nähte/Prüfung 1", "長い", "../a b"])
def test_text_and_path_are_inverse(name: str) -> None:
    assert path_text(Path(name)) == name
    assert path_of(name) == Path(name)


def test_bytes_that_are_no_text_are_spelt_out() -> None:
    assert path_text(Path(os.fsdecode(b"N\xe4hte"))) == r"N\xe4hte"


def test_the_text_is_the_same_where_the_locale_knows_no_umlauts() -> None:
    script = (
        "import os, sys; from pathlib import Path\n"
        "from pipeline.config.path_text import path_of, path_text\n"
        "assert sys.getfilesystemencoding() == 'ascii'\n"
        "path = Path(os.fsdecode('Nähte'.encode()))\n"
        "assert path_text(path) == 'Nähte' and path_of('Nähte') == path\n"
    )
    environment = {**os.environ, "LC_ALL": "C", "PYTHONUTF8": "0"}
    done = subprocess.run(
        [sys.executable, "-"],
        input=script.encode(),
        env=environment,
        check=False,
        capture_output=True,
    )
    if b"getfilesystemencoding" in done.stderr:
        pytest.skip("this system knows umlauts in every locale")
    assert done.returncode == 0, done.stderr
