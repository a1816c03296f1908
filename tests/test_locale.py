"""Whole runs in folders with umlauts, where the system's locale knows none."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

from pipeline.config.weld import load_weld_config
from pipeline.outputs.report.page import begin_page
from pipeline.run import run_weld
from tests.weld_folder import COMMAND, WeldFolder, digests


def test_folders_with_umlauts_do_in_any_locale(small_weld: WeldFolder) -> None:
    home = small_weld.path.with_name("Nähte")
    small_weld.path.rename(home)
    (home / "calibration").rename(home / "Kalibrierung_ö")

    def stitched(out: str, config: str) -> Path:
        arguments = [config, "--calibration", "Kalibrierung_ö", "--out", out, "--quiet"]
        done = subprocess.run(
            [*COMMAND, "stitch", *arguments],
            cwd=home,
            env={**os.environ, "LC_ALL": "C", "PYTHONUTF8": "0"},
            check=False,
            capture_output=True,
        )
        assert done.returncode == 0, done.stderr
        return home / out

    first = stitched("Ergebnis_ü", "stitch.toml")
    again = stitched("Ergebnis_ß", f"{first.name}/config.toml")
    folders = {
        "calibration.folder": home / "Kalibrierung_ö",
        "output.folder": home / "Ergebnis_a",
    }
    other = run_weld(load_weld_config(home / "stitch.toml", folders), report=begin_page).folder
    kept = digests(first)
    del kept["timing.json"]
    for folder in (again, other):
        found = digests(folder)
        assert {name: found[name] for name in kept} == kept
    assert '"../Kalibrierung_ö"' in (first / "config.toml").read_text(encoding="utf-8")
