"""An invented girth weld: plate, cap with ripples, root bead, as a map of steel thickness."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.model import FloatArray, FloatImage
from pipeline.simulation.texture import RingField, ring_curve, ring_field
from pipeline.simulation.thickness import ThicknessMap


@dataclass(frozen=True, slots=True)
class WeldShape:
    """The sizes of a weld, mm. Roughness figures are standard deviations."""

    diameter_mm: float
    wall_mm: float
    cap_half_width_mm: float
    cap_height_mm: float
    root_half_width_mm: float
    root_height_mm: float
    ripple_mm: float = 0.12  # a ripple's crest above its valley
    ripple_spacing_mm: float = 1.7
    scale_mm: float = 0.03  # mill scale, grains of about 1 mm
    waviness_mm: float = 0.03  # plate, patches of about 6 mm
    wall_drift_mm: float = 0.05  # wall, changing over 100 mm and more


@dataclass(frozen=True, slots=True)
class _Ring:
    """What changes along the ring only: one value a map column, mm."""

    s_mm: FloatArray
    wall: FloatArray
    cap_centre: FloatArray
    cap_half_width: FloatArray
    cap_height: FloatArray
    root_centre: FloatArray
    root_half_width: FloatArray
    root_height: FloatArray
    ripple: FloatArray


def add_weld(target: ThicknessMap, shape: WeldShape, rng: np.random.Generator) -> None:
    """Fill a map with wall, plate texture, cap, ripples and root bead, in place, row by row."""
    s_mm = target.s_mm()
    circumference = s_mm.size * target.pitch_s_mm
    turn = s_mm / circumference
    half_height = -target.z_first_mm + 1.0
    fine, rough = (
        ring_field(
            rng,
            turn,
            circumference_mm=circumference,
            half_height_mm=half_height,
            knot_mm=knot_mm,
        )
        for knot_mm in (0.6, 4.0)
    )
    ring = _draw_ring(shape, s_mm, circumference, rng)
    for row, z_mm in enumerate(target.z_mm()):
        target.values[row] = _row(shape, ring, z_mm, fine, rough)


def _draw_ring(
    shape: WeldShape, s_mm: FloatArray, circumference: float, rng: np.random.Generator
) -> _Ring:
    turn = s_mm / circumference

    def curve(length_mm: float) -> FloatArray:
        return ring_curve(rng, turn, knots=max(4, round(circumference / length_mm)))

    cap, root = shape.cap_half_width_mm, shape.root_half_width_mm
    return _Ring(
        s_mm=s_mm,
        wall=shape.wall_mm + shape.wall_drift_mm * curve(100),
        cap_centre=0.03 * cap * curve(25) + 0.02 * cap * curve(3),
        cap_half_width=cap * (1 + 0.03 * curve(12) + 0.015 * curve(2)),
        cap_height=shape.cap_height_mm * (1 + 0.08 * curve(20) + 0.04 * curve(4)),
        root_centre=0.12 * root * curve(15),
        root_half_width=root * (1 + 0.1 * curve(6) + 0.05 * curve(2)),
        root_height=shape.root_height_mm * (1 + 0.15 * curve(8) + 0.1 * curve(2.5)),
        ripple=_ripple(shape, s_mm, circumference, rng),
    )


def _ripple(
    shape: WeldShape, s_mm: FloatArray, circumference: float, rng: np.random.Generator
) -> FloatArray:
    """Crests along the weld's middle line, mm, mean about zero; no two spacings alike.

    Crest k is where the phase is k; between crests the phase runs straight. A cosine is flat at
    its crests, so the changes of spacing leave no kinks.
    """
    spacing = rng.gamma(12.0, size=round(circumference / shape.ripple_spacing_mm))
    crests = np.concatenate([[0.0], np.cumsum(spacing)]) * circumference / spacing.sum()
    phase = np.interp(s_mm, crests, np.arange(crests.size))
    turn = s_mm / circumference
    height = 1 + 0.35 * ring_curve(rng, turn, knots=spacing.size)
    return np.asarray(0.5 * shape.ripple_mm * height * np.cos(2 * np.pi * phase))


def _row(
    shape: WeldShape, ring: _Ring, z_mm: float, fine: RingField, rough: RingField
) -> FloatImage:
    """Thickness along the ring at z_mm."""
    rough_row = rough.row(z_mm)
    thickness = ring.wall + shape.waviness_mm * rough_row
    across = (z_mm - ring.cap_centre) / ring.cap_half_width
    dome = np.maximum(1 - across**2, 0)
    if dome.max() > 0:
        # Ripples trail behind the weld pool as arcs, here and there out of step.
        lag_mm = 0.75 * shape.cap_half_width_mm * across**2 + 0.35 * rough_row
        circumference = ring.s_mm.size * (ring.s_mm[1] - ring.s_mm[0])
        ripple = np.interp(ring.s_mm + lag_mm, ring.s_mm, ring.ripple, period=circumference)
        thickness += ring.cap_height * dome**0.8 + ripple * np.minimum(3 * dome, 1)
    across = np.clip((z_mm - ring.root_centre) / ring.root_half_width, -1, 1)
    thickness += ring.root_height * np.cos(0.5 * np.pi * across) ** 2
    # Mill scale is burnt off where the cap is.
    thickness += shape.scale_mm * np.where(dome > 0, 0.4, 1.0) * fine.row(z_mm)
    return thickness.astype(np.float32)
