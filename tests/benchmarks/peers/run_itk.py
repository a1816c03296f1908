"""Places tiles with ITK's TileMontage:
``python run_itk.py TILES.npy PRIOR.npy OUT.json SEARCH``."""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import itk
import numpy as np
from peak import peak_bytes


def main() -> None:
    tiles, prior = np.load(sys.argv[1], mmap_mode="r"), np.load(sys.argv[2]).astype(float)
    begin = time.perf_counter()
    montage = itk.TileMontage[itk.Image[itk.US, 2], itk.F].New()
    montage.SetMontageSize([len(tiles), 1])
    montage.SetPositionTolerance(int(sys.argv[4]))
    kept = []
    for k, (row, column) in enumerate(prior):
        picture = itk.image_from_array(np.ascontiguousarray(tiles[k]))
        picture.SetOrigin([column, row])
        kept.append(picture)
        montage.SetInputTile(k, picture)
    montage.Update()
    moved = [list(montage.GetOutputTransform([k, 0]).GetOffset()) for k in range(len(tiles))]
    # The transform leads from the montage to the tile: its offset is taken off the origin.
    positions = prior - np.array(moved)[:, ::-1]
    result = {"positions": positions.tolist(), "seconds": time.perf_counter() - begin}
    result["peak_bytes"] = peak_bytes()
    Path(sys.argv[3]).write_text(json.dumps(result), encoding="utf-8")


main()
