"""Places tiles with ashlar's EdgeAligner:
``python run_ashlar.py TILES.npy PRIOR.npy OUT.json SEARCH``."""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import numpy as np
from ashlar import reg
from peak import peak_bytes


class _Metadata(reg.Metadata):  # type: ignore[misc]
    num_channels, pixel_size = 1, 1.0

    def __init__(self, tiles: np.ndarray, prior: np.ndarray) -> None:
        self._tiles, self._prior = tiles, prior

    @property
    def pixel_dtype(self) -> np.dtype[np.uint16]:
        return self._tiles.dtype

    @property
    def _num_images(self) -> int:
        return len(self._tiles)

    def tile_position(self, i: int) -> np.ndarray:
        return self._prior[i].astype(np.float64)

    def tile_size(self, _: int) -> np.ndarray:
        return np.array(self._tiles.shape[1:])


class _Reader(reg.Reader):  # type: ignore[misc]
    def __init__(self, tiles: np.ndarray, prior: np.ndarray) -> None:
        self.metadata, self._tiles = _Metadata(tiles, prior), tiles

    def read(self, series: int, c: int) -> np.ndarray:
        del c
        return np.asarray(self._tiles[series])


def main() -> None:
    tiles, prior = np.load(sys.argv[1], mmap_mode="r"), np.load(sys.argv[2])
    begin = time.perf_counter()
    aligner = reg.EdgeAligner(
        _Reader(tiles, prior),
        max_shift=float(sys.argv[4]),
        filter_sigma=1.2,
        max_error=np.inf,
        do_make_thumbnail=False,
    )
    aligner.run()
    placing = time.perf_counter() - begin
    mosaic = reg.Mosaic(aligner, aligner.mosaic_shape)
    mosaic.assemble_channel(0)
    result = {
        "positions": np.asarray(aligner.positions).tolist(),
        "seconds": placing,
        "mosaic_seconds": time.perf_counter() - begin - placing,
    }
    result["peak_bytes"] = peak_bytes()
    Path(sys.argv[3]).write_text(json.dumps(result), encoding="utf-8")


main()
