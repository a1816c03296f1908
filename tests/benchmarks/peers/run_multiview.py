"""Places tiles with multiview-stitcher:
``python run_multiview.py TILES.npy PRIOR.npy OUT.json``."""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import numpy as np
from multiview_stitcher import msi_utils, registration
from multiview_stitcher import spatial_image_utils as images
from peak import peak_bytes


def main() -> None:
    tiles, prior = np.load(sys.argv[1], mmap_mode="r"), np.load(sys.argv[2]).astype(float)
    begin = time.perf_counter()
    views = [
        msi_utils.get_msim_from_sim(
            images.get_sim_from_array(
                np.asarray(tile),
                dims=["y", "x"],
                scale={"y": 1.0, "x": 1.0},
                translation={"y": float(row), "x": float(column)},
                transform_key="encoder",
            ),
            scale_factors=[],
        )
        for tile, (row, column) in zip(tiles, prior, strict=True)
    ]
    registration.register(
        views,
        transform_key="encoder",
        new_transform_key="found",
        reg_channel_index=0,
        pre_registration_pruning_method=None,
    )
    positions = []
    for view, (row, column) in zip(views, prior, strict=True):
        found = np.asarray(msi_utils.get_transform_from_msim(view, transform_key="found")).squeeze()
        positions.append((found @ np.array([row, column, 1.0]))[:2].tolist())
    result = {"positions": positions, "seconds": time.perf_counter() - begin}
    result["peak_bytes"] = peak_bytes()
    Path(sys.argv[3]).write_text(json.dumps(result), encoding="utf-8")


if __name__ == "__main__":
    main()
