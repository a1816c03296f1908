"""What a point of the strip tells: gray value, dose, noise, frames that saw it, nearest seam."""

from __future__ import annotations

from typing import Any

from pipeline.model import Origin
from pipeline.outputs.drawing.words import clock_position
from pipeline.review.frames_there import frames_there
from pipeline.review.weld import COUNT, ORIGIN, SIGMA, OpenWeld

_ORIGINS = {
    int(Origin.NOT_COVERED): "not covered",
    int(Origin.MEASURED): "measured",
    int(Origin.FILLED): "filled",
}


def probe(weld: OpenWeld, s_mm: float, z_mm: float) -> dict[str, Any]:
    """All of the pixel nearest to a place; gray value and noise are null where nothing is known.

    Raises:
        RequestError: the place doesn't lie on the strip.
    """
    row, column = weld.pixel(s_mm, z_mm)
    grid, told = weld.grid, weld.log.strip
    rows, columns = (row, row + 1), (column, column + 1)
    gray = int(weld.strip.read(rows, columns)[0, 0])
    count, origin, sigma = (
        int(weld.maps.read(rows, columns, page)[0, 0]) for page in (COUNT, ORIGIN, SIGMA)
    )
    known = origin != Origin.NOT_COVERED
    s = grid.s_first_mm + column * grid.pitch_mm
    z = grid.z_first_mm + row * grid.pitch_mm
    seam = weld.places.nearest_seam(s, 0.0)
    return {
        "s_mm": round(s, 4),
        "z_mm": round(z, 4),
        "row": row,
        "column": column,
        "clock": clock_position(s, told.circumference_mm, clockwise=told.direction == "clockwise"),
        "gray": gray if known else None,
        "dose": told.scale * gray + told.offset if known else None,
        "sigma_gv": sigma * told.sigma_scale if known else None,
        "count": count,
        "origin": _ORIGINS.get(origin, "not covered"),
        "position_sigma_mm": weld.places.place(s).sigma,
        "frames": [{"file": weld.log.frames[k].file, "index": k} for k in frames_there(weld, s, z)],
        "seam": None
        if seam is None
        else {
            "number": seam[0],
            "s_mm": weld.places.seams_mm[seam[0] - 1],
            "away_mm": round(seam[1], 3),
        },
    }
