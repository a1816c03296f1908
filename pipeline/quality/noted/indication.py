"""Indications as records: what the reviewer noted, and what was measured of it.

An indication is something seen. Nothing here judges it: that is a qualified person's business.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass

_FINITE = ConfigDict(extra="forbid", allow_inf_nan=False)

Polarity = Literal["more_radiation", "less_radiation", "undecided"]
"""Whether more or less radiation came through than beside it. More is dark in a film-like negative
and light in a positive picture."""

CONTRAST_SIGN = (
    "contrast and CNR are positive where more radiation came through than beside it: a larger gray "
    "value, dark in a film-like negative, light in a positive picture"
)


@dataclass(frozen=True, slots=True, config=_FINITE)
class Figure:
    """A value and its standard deviation."""

    value: float
    sigma: Annotated[float, Field(ge=0)]


@dataclass(frozen=True, slots=True, config=_FINITE)
class Indication:
    """What a reviewer noted: a box, or a line through points, and words.

    ``box_mm`` is (s_first, s_last, z_first, z_last); on a ring ``s_last`` less than ``s_first``
    means that the box lies across the datum. ``line_mm`` are two or more points (s, z). One of the
    two is there. Millimetres on the outer surface from the datum, and along the pipe.
    """

    id: str
    kind: str
    note: str = ""
    box_mm: tuple[float, float, float, float] | None = None
    line_mm: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        if (self.box_mm is None) == (len(self.line_mm) < 2):
            raise ValueError("an indication has either a box or a line of two or more points")


@dataclass(frozen=True, slots=True, config=_FINITE)
class SeenExtent:
    """What stands out of the metal beside it, within what was marked and half a millimetre more.

    Its edge is where the contrast is half of its greatest, of several parts each its own.
    ``length_s_mm`` and ``length_z_mm`` are along the two axes, ``length_mm`` along its own greatest
    extent; ``width_mm`` is that of a shape with straight sides and round ends of the same length
    and projected area ``area_mm2``. Nothing
    is seen narrower than the picture is sharp: a crack's opening is not its ``width_mm``.
    ``goes_on`` tells that it reaches the edge of where it was looked for. Of several ``parts``, a
    cluster, ``length_mm`` is the whole's, ``area_mm2`` that of all parts together, and ``width_mm``
    that of the widest part. The deviations hold where the outline is taken: half the picture's
    unsharpness. ``remarks`` say what of this to mind.
    """

    s_first_mm: float
    s_last_mm: float
    z_first_mm: float
    z_last_mm: float
    length_s_mm: Figure
    length_z_mm: Figure
    length_mm: Figure
    width_mm: Figure
    area_mm2: Figure
    goes_on: bool
    parts: int = 1
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, config=_FINITE)
class MeasuredIndication:
    """An indication and its measures; ``why_not`` says why there are none, where there are none.

    As marked: ``s_first_mm`` and ``s_last_mm`` are its two ends from the datum, on the first turn
    of a ring; ``length_mm`` lies between them, ``height_mm`` is its extent along the pipe, and
    ``run_mm`` the way along its line, null for a box. Their standard deviations are the ruler's and
    the pixel's; how exactly it was marked only the reviewer knows. ``clock_first_h`` and
    ``clock_last_h`` are its ends' clock positions in hours, 0 (that is 12) at the datum; null where
    nobody tells the pipe's circumference. ``axial_offset_mm`` is its middle's from the weld's
    centre line, positive to larger z; null where the weld isn't seen. ``seam`` counts the strip's
    seams from 1 in their order, ``seam_distance_mm`` is from there to its nearer end, 0 where it
    crosses the seam. ``measured_share`` is the part of its pixels that a frame measured; the others
    were filled from their neighbours or not covered.

    From the picture: ``contrast`` is the mean gray value of what stands out (of all that was
    marked, where nothing does) over what the metal beside it leads to expect, less 1; ``cnr`` is
    the same difference in units of the noise predicted for one strip pixel of that metal. Their
    standard deviations are how much the same shape shows at other places along the weld: noise and
    the metal's own texture. ``stands_out`` is the greatest contrast in units of its limit there:
    above 1 it is ``seen``.
    """

    id: str
    kind: str
    note: str
    why_not: str = ""
    s_first_mm: Figure | None = None
    s_last_mm: Figure | None = None
    z_first_mm: Figure | None = None
    z_last_mm: Figure | None = None
    length_mm: Figure | None = None
    height_mm: Figure | None = None
    run_mm: Figure | None = None
    clock_first_h: float | None = None
    clock_last_h: float | None = None
    axial_offset_mm: Figure | None = None
    seam: int | None = None
    seam_distance_mm: Figure | None = None
    measured_share: float | None = None
    polarity: Polarity = "undecided"
    contrast: Figure | None = None
    cnr: Figure | None = None
    stands_out: float | None = None
    seen: SeenExtent | None = None


@dataclass(frozen=True, slots=True, config=_FINITE)
class AggregateLength:
    """The lengths of all indications of one kind, in the reviewer's words, taken together.

    ``kind`` is empty for all indications. Where several overlap along the weld the stretch counts
    once, and of an arc's only what the strip shows. ``count`` of them lie on the strip,
    ``not_on_strip`` others don't, and aren't in the lengths. ``in_window_mm`` is the most that any
    stretch of the list's ``window_mm`` holds, a ring's across the datum too; that stretch begins at
    ``window_from_mm``. ``share`` is the total over the weld's length.
    """

    kind: str
    count: int
    total_mm: Figure
    share: Figure
    in_window_mm: Figure
    window_from_mm: float
    not_on_strip: int = 0


@dataclass(frozen=True, slots=True, config=_FINITE)
class Suggestion:
    """A region whose contrast stands out by itself: a suggestion where to look, nothing more.

    ``strength`` is its contrast in units of what the weld shows elsewhere; ``cnr`` of a strip
    pixel's predicted noise.
    """

    box_mm: tuple[float, float, float, float]
    polarity: Polarity
    strength: float
    cnr: float


@dataclass(frozen=True, slots=True, config=_FINITE)
class IndicationList:
    """All indications of a weld with their measures.

    ``lengths`` are taken from the marks. ``suggestions`` is null where none were asked for.
    ``weld_length_mm`` is the circumference, of an arc the strip's length.
    """

    window_mm: float
    weld_length_mm: float
    indications: tuple[MeasuredIndication, ...]
    lengths: tuple[AggregateLength, ...]
    suggestions: tuple[Suggestion, ...] | None = None
    sign: str = CONTRAST_SIGN

    def remarks(self) -> list[str]:
        """What to mind of sizes and sums, a line each."""
        said = [
            f"note        {one.id}: {remark}"
            for one in self.indications
            if one.seen is not None
            for remark in one.seen.remarks
        ]
        if self.lengths and self.lengths[0].not_on_strip:
            whole = self.lengths[0]
            said.append(
                f"note        together: {whole.count} of {whole.count + whole.not_on_strip} "
                f"indications, {whole.not_on_strip} not on the strip"
            )
        return said
