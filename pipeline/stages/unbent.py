"""Ties freed of the bends that they were measured with.

A patch has one shift only if it is known beforehand how the shift varies over it. What is fitted
before the fine match (see ``bend``) is sure to a few hundredths of a pixel; strong edges tell more.
But what was found is a mean of the shift over the patch, and which mean is known: by what tells the
shift there. So once a first adjustment says how the shift really varies, the tie is put right,
without another look at the pictures.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.geometry import Panel, ScanGeometry, pixel_to_surface, surface_to_pixel
from pipeline.model import FloatArray
from pipeline.stages.matching import Ties

_REACH_MM = 4.0  # about a tie: how the shift varies is read off so far from it
# A quadratic in y and x through 3 × 3 places, least squares: factors of 1, y, x, y², x·y, x².
_Y, _X = (k.ravel() for k in np.mgrid[-1:2, -1:2] * _REACH_MM)
_FACTORS = np.linalg.pinv(np.stack([np.ones(9), _Y, _X, _Y**2, _X * _Y, _X**2], axis=1))[1:]


def unbent(
    ties: Ties,
    told: tuple[ScanGeometry, Panel],
    found: tuple[ScanGeometry, Panel],
    position_mm: FloatArray,
    axial_mm: FloatArray,
    *,
    ring: bool,
) -> Ties:
    """The ties as they would be had ``found`` been known when they were measured.

    ``told`` is what the frames were unrolled with; ``position_mm``, ``axial_mm`` (frames,) and
    ``found`` what an adjustment makes of the ties.
    """
    s, z = ties.s_a[:, np.newaxis] + _X, ties.z_a[:, np.newaxis] + _Y
    a, b = ties.a[:, np.newaxis], ties.b[:, np.newaxis]
    on_panel = surface_to_pixel(*told, 0.0, 0.0, s, z)
    place, axial = pixel_to_surface(*found, position_mm[a], axial_mm[a], *on_panel)
    if ring:
        once = found[0].circumference_mm
        place -= once * np.round((place - position_mm[b]) / once)
    on_panel = surface_to_pixel(*found, position_mm[b], axial_mm[b], place, axial)
    s_there, z_there = pixel_to_surface(*told, 0.0, 0.0, *on_panel)
    shift = np.stack([s_there - s, z_there - z], axis=1)  # (ties, 2, 9)
    off = ties.bent_mm - np.sum(ties.moments * (shift @ _FACTORS.T), axis=2)
    off[~np.isfinite(off).all(axis=1)] = 0.0
    return replace(ties, s_b=ties.s_b + off[:, 0], z_b=ties.z_b + off[:, 1])
