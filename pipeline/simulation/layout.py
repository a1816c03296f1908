"""What is laid on and found in an invented weld, and where: marks, gauges, indications."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from pipeline.simulation.features import Stroke, stroke_through
from pipeline.simulation.glyphs import text_segments, text_width
from pipeline.simulation.spectrum import steel_equivalent
from pipeline.simulation.weld import WeldShape

# ISO 19232-1, wires W10 to W16 (mm), from memory; ISO 19232-5, pairs D1 to D13 (mm), found in a
# published copy of its table.
WIRES_MM = {10: 0.40, 11: 0.32, 12: 0.25, 13: 0.20, 14: 0.16, 15: 0.125, 16: 0.100}
DUPLEX_MM = (0.8, 0.63, 0.5, 0.4, 0.32, 0.25, 0.2, 0.16, 0.13, 0.1, 0.08, 0.063, 0.05)
TUNGSTEN_PAIRS = 3  # the thicker ones; the others are platinum
DUPLEX_TILT = np.tan(np.radians(3.0))
TICK_SPACING_MM = 10.0
TICK_HALF_WIDTH_MM = 0.25
SHORT_TICK = 0.6  # of a long one
LEAD_MM = 0.8
GAUGE_TURNS = (0.12, 0.45, 0.79)
"""Where gauges of single wires begin, in parts of a turn from the datum; each has a duplex gauge
before it."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Where along z things lie beside the weld, mm, and how large they are."""

    tick_z_mm: float  # the location tape's edge that is nearer to the weld
    tick_mm: float
    digit_mm: float
    wire_half_length_mm: float
    wire_spacing_mm: float
    duplex_z_mm: float
    duplex_length_mm: float
    duplex_spacing_mm: float

    @property
    def short_z_mm(self) -> tuple[float, float]:
        """Well within every tick, from … to along the pipe."""
        return self._along_tick(0.3 * SHORT_TICK, 0.7 * SHORT_TICK)

    @property
    def long_z_mm(self) -> tuple[float, float]:
        """Well within the part of the long ticks that the short ones don't reach."""
        rest = 1 - SHORT_TICK
        return self._along_tick(SHORT_TICK + 0.3 * rest, SHORT_TICK + 0.7 * rest)

    def _along_tick(self, first: float, last: float) -> tuple[float, float]:
        low, high = (round(self.tick_z_mm + part * self.tick_mm, 2) for part in (first, last))
        return low, high


WIDE = Layout(22.0, 3.5, 8.0, 20.0, 5.0, -42.0, 13.0, 4.5)
NARROW = Layout(7.3, 1.3, 2.8, 6.5, 3.2, -10.0, 3.6, 2.6)


@dataclass(frozen=True, slots=True)
class Item:
    """One thing of known place: its strokes, and what the truth says about it (s, z, sizes)."""

    strokes: tuple[Stroke, ...]
    kind: str
    name: str
    s_mm: float
    z_mm: float
    length_mm: float  # along s, or along its own run if it crosses the weld
    width_mm: float
    depth_mm: float  # of steel; negative where steel is missing


def place_items(
    shape: WeldShape, layout: Layout, kv: float, rng: np.random.Generator
) -> tuple[Item, ...]:
    """Every mark, gauge and indication of a weld, in a fixed order."""
    circumference = np.pi * shape.diameter_mm
    heavy = {
        element: steel_equivalent(element, density, kv=kv, steel_mm=shape.wall_mm)
        for element, density in (("Pb", 11.35), ("W", 19.3), ("Pt", 21.45))
    }
    items = list(_tape(circumference, layout, heavy["Pb"] * LEAD_MM))
    for turn in GAUGE_TURNS:
        s_mm = turn * circumference
        items += _wire_gauge(s_mm, layout, heavy["Pb"] * LEAD_MM)
        items += _duplex_gauge(duplex_first_mm(s_mm, layout), layout, heavy)
    items += _indications(circumference, shape, rng)
    items += _spatter(circumference, shape, rng)
    return tuple(items)


def _tape(circumference: float, layout: Layout, lead_mm: float) -> Iterator[Item]:
    """A tick every 10 mm, the distance from the datum in cm every 100 mm, an arrow at the start."""
    z = layout.tick_z_mm
    for number in range(int((circumference - 5) // TICK_SPACING_MM) + 1):
        s, long = TICK_SPACING_MM * number, number % 10 == 0
        length = layout.tick_mm * (1.0 if long else SHORT_TICK)
        tick = stroke_through([(s, z), (s, z + length)], TICK_HALF_WIDTH_MM, lead_mm, rounded=False)
        middle = z + length / 2
        yield Item((tick,), "tick", str(number), s, middle, 0.5, length, lead_mm)
        if long:
            centre = (s, z + layout.tick_mm + 0.75 * layout.digit_mm)
            yield _text(str(number), centre, layout.digit_mm, lead_mm)
    arrow = (1.8 * layout.digit_mm, z + layout.tick_mm + 0.75 * layout.digit_mm)
    yield _text(">", arrow, layout.digit_mm, lead_mm)


def _text(text: str, centre: tuple[float, float], height: float, lead_mm: float) -> Item:
    half_width = 0.07 * height
    stroke = Stroke(text_segments(text, centre=centre, height=height), half_width, lead_mm)
    width = text_width(text) * height
    return Item((stroke,), "lead_text", text, *centre, width, height, lead_mm)


def _wire_gauge(s_mm: float, layout: Layout, lead_mm: float) -> Iterator[Item]:
    """Seven iron wires across the weld, thickest first, with their marking in lead."""
    for place, (number, diameter) in enumerate(WIRES_MM.items()):
        s, half = s_mm + place * layout.wire_spacing_mm, layout.wire_half_length_mm
        wire = stroke_through([(s, -half), (s, half)], diameter / 2, diameter, rounded=True)
        yield Item((wire,), "wire", f"W{number}", s, 0.0, 2 * half, diameter, diameter)
    small = 0.55 * layout.digit_mm
    z = -layout.wire_half_length_mm - small
    yield _text("F", (s_mm, z), small, lead_mm)
    yield _text("10 FE", (s_mm + 3.5 * small, z), small, lead_mm)


def duplex_first_mm(wires_s_mm: float, layout: Layout) -> float:
    """Where the duplex gauge before the single wires that begin there has its first pair."""
    return wires_s_mm - len(DUPLEX_MM) * layout.duplex_spacing_mm - 5


def _duplex_gauge(s_mm: float, layout: Layout, heavy: dict[str, float]) -> Iterator[Item]:
    """Thirteen pairs of heavy wires along z, a little tilted; gap and wire are equally wide."""
    half = layout.duplex_length_mm / 2
    for place, diameter in enumerate(DUPLEX_MM):
        s = s_mm + place * layout.duplex_spacing_mm
        depth = diameter * heavy["W" if place < TUNGSTEN_PAIRS else "Pt"]
        pair = tuple(
            stroke_through(
                [
                    (s + side * diameter - half * DUPLEX_TILT, layout.duplex_z_mm - half),
                    (s + side * diameter + half * DUPLEX_TILT, layout.duplex_z_mm + half),
                ],
                diameter / 2,
                depth,
                rounded=True,
            )
            for side in (-1, 1)
        )
        name = f"D{place + 1}"
        yield Item(pair, "duplex", name, s, layout.duplex_z_mm, 2 * half, diameter, depth)


def _pore(s: float, z: float, diameter: float, depth: float | None = None) -> Item:
    depth = diameter if depth is None else depth
    dot = stroke_through([(s, z)], diameter / 2, -depth, rounded=True)
    return Item((dot,), "pore", "", s, z, diameter, diameter, -depth)


def _indications(circumference: float, shape: WeldShape, rng: np.random.Generator) -> list[Item]:
    """Pores, clusters, slag lines, undercut and crack-like lines, more of them on longer welds."""
    reach = 0.7 * shape.cap_half_width_mm
    deepest = 0.25 * shape.wall_mm
    items: list[Item] = []
    for _ in range(max(3, round(circumference / 120))):
        diameter = min(rng.uniform(0.5, 1.8), deepest)
        items.append(
            _pore(rng.uniform(0, circumference), rng.uniform(-reach, reach), float(diameter))
        )
    for _ in range(max(1, round(circumference / 600))):
        s, z = rng.uniform(0, circumference), rng.uniform(-0.5, 0.5) * reach
        for _ in range(12):
            where = rng.normal((s, z), (2.0, 0.8))
            items.append(_pore(where[0] % circumference, where[1], float(rng.uniform(0.3, 0.9))))
    for _ in range(max(2, round(circumference / 300))):
        s, z = rng.uniform(0, circumference), rng.choice([-1, 1]) * 0.45 * reach
        items.append(
            _line("slag_line", s, z, rng.uniform(8, 22), rng.uniform(0.5, 0.9), 0.7, 0.15, rng)
        )
    for _ in range(max(2, round(circumference / 500))):
        s, z = rng.uniform(0, circumference), rng.normal(0, 0.3)
        items.append(_line("crack_like", s, z, rng.uniform(8, 18), 0.16, 1.3, 0.12, rng))
    for _ in range(max(1, round(circumference / 600))):
        s, side = rng.uniform(0, circumference), rng.choice([-1, 1])
        z = side * 1.02 * shape.cap_half_width_mm
        items.append(_line("undercut", s, z, rng.uniform(10, 25), 0.7, 0.4, 0.1, rng))
    return items


def _line(
    kind: str,
    s: float,
    z: float,
    length: float,
    width: float,
    depth: float,
    wander_mm: float,
    rng: np.random.Generator,
) -> Item:
    """A wandering line along the weld where steel is missing."""
    steps = max(6, round(length / 0.7))
    run = s + np.linspace(-length / 2, length / 2, steps)
    wander = np.cumsum(rng.normal(0, wander_mm, steps))
    across = z + wander - wander.mean()
    points = list(zip(run.tolist(), across.tolist(), strict=True))
    stroke = stroke_through(points, width / 2, -depth, rounded=True)
    return Item((stroke,), kind, "", float(s), float(z), float(length), float(width), -depth)


def _spatter(circumference: float, shape: WeldShape, rng: np.random.Generator) -> list[Item]:
    """Drops of weld metal stuck to the plate beside the cap."""
    items = []
    for _ in range(round(circumference / 12)):
        side = rng.choice([-1, 1])
        z = side * shape.cap_half_width_mm * (1.05 + rng.exponential(0.5))
        s, diameter = rng.uniform(0, circumference), rng.uniform(0.3, 1.2)
        height = 0.4 * diameter
        drop = stroke_through([(s, z)], diameter / 2, height, rounded=True)
        items.append(Item((drop,), "spatter", "", s, z, diameter, diameter, height))
    return items
