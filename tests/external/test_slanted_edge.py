"""Sharpness against the slanted-edge method of VIGRA, a general-purpose library for pictures.

``slantedEdgeMTF`` of VIGRA (Ullrich Köthe, MIT licence; ISO 12233:2000 by its documentation) is a
C++ template: a few lines round it are compiled here. Debian and Ubuntu: apt-get install g++
libvigraimpex-dev libfftw3-dev.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable

import numpy as np
import pytest
from scipy.optimize import curve_fit
from scipy.special import erf

from pipeline.quality.gauges.duplex_iqi import DuplexCriteria, read_duplex
from tests.calibration.duplex_shots import shot
from tests.calibration.duplex_theory import DIAMETERS_MM, sr_b_mm
from tests.stages.test_blending_sharpness import (
    ALONE,
    BASE_GV,
    MIDDLE,
    PITCH,
    SEVERAL,
    SMOOTH_PX,
    scan_of,
    seen_columns,
)

_SOURCE = """
#include <cstdio>
#include <vector>
#include <vigra/multi_array.hxx>
#include <vigra/slanted_edge_mtf.hxx>

int main() {
  int rows, columns;
  if (std::scanf("%d %d", &rows, &columns) != 2) return 1;
  vigra::MultiArray<2, double> picture(vigra::Shape2(columns, rows));
  for (int y = 0; y < rows; ++y)
    for (int x = 0; x < columns; ++x)
      if (std::scanf("%lf", &picture(x, y)) != 1) return 1;
  std::vector<vigra::TinyVector<double, 2>> mtf;
  vigra::slantedEdgeMTF(picture, mtf);
  for (auto const &one : mtf) std::printf("%.9g %.9g\\n", one[0], one[1]);
}
"""

Mtf = Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]


@pytest.fixture(scope="module")
def vigra_mtf(tmp_path_factory: pytest.TempPathFactory) -> Mtf:
    """Frequencies in cycles a pixel, up to half a cycle, and the transfer at each."""
    compiler = shutil.which("g++")
    if compiler is None:
        pytest.skip("no g++")
    folder = tmp_path_factory.mktemp("vigra")
    (folder / "edge.cpp").write_text(_SOURCE, encoding="utf-8")
    program = folder / "edge"
    call = [compiler, "-std=c++14", "-w", "-O1", "edge.cpp", "-o", str(program), "-lfftw3"]
    built = subprocess.run(call, cwd=folder, capture_output=True, text=True, check=False)
    if built.returncode:
        pytest.skip("VIGRA isn't there: apt-get install libvigraimpex-dev libfftw3-dev")

    def measure(picture: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        rows, columns = picture.shape
        told = f"{rows} {columns}\n" + " ".join(f"{value:.6f}" for value in picture.ravel())
        out = subprocess.run([program], input=told, capture_output=True, text=True, check=True)
        pairs = np.array([line.split() for line in out.stdout.splitlines()], dtype=float)
        return tuple(pairs[pairs[:, 0] <= 0.5].T)  # type: ignore[return-value]

    return measure


def gaussian(frequency: np.ndarray, sigma: float) -> np.ndarray:
    return np.exp(-2 * (np.pi * sigma * frequency) ** 2)


@pytest.mark.parametrize("along", ["s", "z"])
@pytest.mark.parametrize("positions", [ALONE, SEVERAL], ids=["alone", "several"])
def test_the_strip_is_as_sharp_as_the_panel(
    along: str, positions: list[float], vigra_mtf: Mtf
) -> None:
    """An edge 5° aslant that a panel has blurred, composed from one frame or several: up to half
    of the Nyquist frequency the strip keeps 95 % of what the panel let through, as VIGRA finds it
    on strip and panel alike."""
    slant = np.radians(5.0)

    def distance(s: np.ndarray, z: np.ndarray) -> np.ndarray:
        across, down = (s, z) if along == "s" else (z, s)
        return (across - (2.0 if along == "s" else 0.0)) * np.cos(slant) + down * np.sin(slant)

    def edge(s: np.ndarray, z: np.ndarray) -> np.ndarray:
        return BASE_GV * (1 - 0.2 * erf(distance(s, z) / (np.sqrt(2) * SMOOTH_PX * PITCH)))

    scan = scan_of(edge, positions)
    strip, _, _ = scan.compose()
    columns = seen_columns(scan, positions)
    grid = scan.grid
    s = grid.s_first_mm + np.arange(grid.columns)[columns] * grid.pitch_mm
    z = grid.z_first_mm + np.arange(grid.rows)[MIDDLE] * grid.pitch_mm
    near = slice(*(np.searchsorted(s, place) for place in (-1.5, 5.5)))
    frequency, true = vigra_mtf(edge(s[np.newaxis, near], z[:, np.newaxis]))
    low = frequency <= 0.25
    assert low.sum() >= 5
    at, found = vigra_mtf(strip.values[MIDDLE, columns][:, near].astype(float))
    kept = np.interp(frequency[low], at, found) / true[low]
    assert kept.min() > 0.95
    assert kept.max() < 1.01


@pytest.mark.parametrize("sigma_mm", [0.05, 0.08, 0.12])
def test_a_duplex_gauge_tells_the_sharpness_of_an_edge(sigma_mm: float, vigra_mtf: Mtf) -> None:
    """The same panel shows an edge and a gauge. What VIGRA finds on the edge says how far the dip
    of each pair must go (tests/calibration/duplex_theory.py), and so SR_b; the gauge's reading is
    within 5 % of that."""
    pitch_mm, slant, parts = 0.1, np.radians(5.0), (np.arange(8) + 0.5) / 8 - 0.5
    row, column = np.mgrid[:120, :100] - np.array([60, 50])[:, np.newaxis, np.newaxis]
    edge = np.mean(
        [
            erf(
                ((column + b) * np.cos(slant) + (row + a) * np.sin(slant))
                * pitch_mm
                / sigma_mm
                / 2**0.5
            )
            for a in parts
            for b in parts
        ],
        axis=0,
    )
    frequency, transfer = vigra_mtf(BASE_GV * (1 + 0.5 * edge))
    blurred = gaussian(frequency, sigma_mm / pitch_mm) * np.sinc(frequency)
    assert transfer == pytest.approx(blurred, abs=0.025)  # VIGRA smooths a little
    (found,), _ = curve_fit(
        lambda f, sigma: gaussian(f, sigma) * np.sinc(f), frequency, transfer, p0=[0.6]
    )
    expected = sr_b_mm(abs(found) * pitch_mm, pitch_mm)
    read = read_duplex(
        shot(sigma_mm, snr=100.0),
        pitch_mm=pitch_mm,
        diameters_mm=DIAMETERS_MM,
        criteria=DuplexCriteria(),
    )
    assert read.sr_b_mm == pytest.approx(expected, rel=0.05)
