"""The rows of a profile: what one edition of a standard asks of an image, each with its source.

No figure of a standard stands in code: all are read from a profile, which a user's own copy may
replace. A row says where it comes from in ``mark``; what a requirement rests on repeats it.
Ranges are from over … up to and with …; a missing bound doesn't bound.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass

RECORD = ConfigDict(extra="forbid", allow_inf_nan=False)

TestingClass = Literal["A", "B"]
View = Literal["single_wall", "double_wall"]
Side = Literal["source", "detector"]
CompensationRule = Literal["I", "II", "III"]

_Name = Annotated[str, Field(min_length=1)]
_Mark = Annotated[str, Field(min_length=1, description="where the figure comes from")]
_Positive = Annotated[float, Field(gt=0)]
_NotNegative = Annotated[float, Field(ge=0)]
_Part = Annotated[float, Field(ge=0, lt=1)]
_Count = Annotated[int, Field(ge=1)]


@dataclass(frozen=True, slots=True, config=RECORD)
class Standard:
    """Which standard and edition this is, when its rows were last gone through, and the caution
    that goes with every figure."""

    name: _Name
    edition: _Name
    revised: _Name
    caution: _Name

    @property
    def title(self) -> str:
        """Standard and edition as a basis names them: ``ISO 17636-2:2013``."""
        between = ":" if self.edition[0].isdigit() else ", "
        return f"{self.name}{between}{self.edition}"


@dataclass(frozen=True, slots=True, config=RECORD)
class Material:
    """A group of materials that the tables treat alike, and the words that tell it."""

    group: _Name
    words: Annotated[tuple[_Name, ...], Field(min_length=1)]
    mark: _Mark


@dataclass(frozen=True, slots=True, config=RECORD)
class Materials:
    """The groups; the first whose word is in a material's name is its group."""

    rows: Annotated[tuple[Material, ...], Field(min_length=1)]


@dataclass(frozen=True, slots=True, config=RECORD)
class SnrRow:
    """Least normalised SNR for a group of materials, a kind of source, and ranges of tube voltage
    and penetrated thickness."""

    table: _Name
    group: _Name
    sources: Annotated[tuple[_Name, ...], Field(min_length=1)]
    class_a: _Positive
    class_b: _Positive
    mark: _Mark
    over_kv: _NotNegative = 0.0
    up_to_kv: _Positive | None = None
    over_mm: _NotNegative = 0.0
    up_to_mm: _Positive | None = None

    def least(self, testing_class: TestingClass) -> float:
        """The value of a class."""
        return self.class_a if testing_class == "A" else self.class_b


@dataclass(frozen=True, slots=True, config=RECORD)
class SnrWindow:
    """How and where SNR is measured, and what normalises it.

    ``beside_factor`` is by how much more is asked where it is measured beside a weld with
    reinforcement; ``aperture_mm`` the width that SNR is normalised to.
    """

    rows: _Count
    columns: _Count
    group: Annotated[int, Field(ge=2)]
    window_mark: _Mark
    aperture_mm: _Positive
    aperture_mark: _Mark
    beside_factor: Annotated[float, Field(ge=1)]
    beside_mark: _Mark


@dataclass(frozen=True, slots=True, config=RECORD)
class SnrRows:
    """The table of least SNR_N."""

    rows: Annotated[tuple[SnrRow, ...], Field(min_length=1)]


@dataclass(frozen=True, slots=True, config=RECORD)
class GaugeElement:
    """A wire, or a pair of wires: its name and its diameter."""

    name: _Name
    diameter_mm: _Positive
    mark: _Mark


@dataclass(frozen=True, slots=True, config=RECORD)
class GaugeTable:
    """A gauge's elements from the thickest on."""

    standard: _Name
    rows: Annotated[tuple[GaugeElement, ...], Field(min_length=1)]

    def diameter_mm(self, name: str) -> float | None:
        """The diameter of the element of that name; None if there is none."""
        return next((row.diameter_mm for row in self.rows if row.name == name), None)

    def beyond(self, name: str, steps: int) -> GaugeElement | None:
        """The element so many steps thinner than the one named; None past the end."""
        at = [row.name for row in self.rows].index(name) + steps
        return self.rows[at] if 0 <= at < len(self.rows) else None


@dataclass(frozen=True, slots=True, config=RECORD)
class WireRow:
    """The wire that must be seen: by class (null: any), how many walls, the gauge's side, and
    thickness: nominal of one wall, or penetrated of two."""

    table: _Name
    view: View
    side: Side
    wire: _Name
    mark: _Mark
    testing_class: TestingClass | None = None
    over_mm: _NotNegative = 0.0
    up_to_mm: _Positive | None = None


@dataclass(frozen=True, slots=True, config=RECORD)
class WireRows:
    """The tables of wires."""

    rows: Annotated[tuple[WireRow, ...], Field(min_length=1)]


@dataclass(frozen=True, slots=True, config=RECORD)
class DuplexRow:
    """The greatest SR_b by class and penetrated thickness, and the pair that shows it."""

    table: _Name
    testing_class: TestingClass
    pair: _Name
    sr_b_mm: _Positive
    mark: _Mark
    over_mm: _NotNegative = 0.0
    up_to_mm: _Positive | None = None


@dataclass(frozen=True, slots=True, config=RECORD)
class DuplexRows:
    """The tables of SR_b; above ``image_above_magnification`` the image's counts, else the
    detector's."""

    rows: Annotated[tuple[DuplexRow, ...], Field(min_length=1)]
    image_above_magnification: Annotated[float, Field(ge=1)]
    magnification_mark: _Mark


@dataclass(frozen=True, slots=True, config=RECORD)
class DistanceRow:
    """f/d ≥ ``factor`` · b ** exponent (f, d, b in mm) for a class."""

    testing_class: TestingClass
    factor: _Positive
    mark: _Mark


@dataclass(frozen=True, slots=True, config=RECORD)
class Distance:
    """The rule for the least distance f from a source of size d to the object's side that faces
    it, b being the distance from there to the detector.

    b counts as the thickness t where it is less than ``least_b_in_t`` · t. f may be less by
    ``reduction_inside`` with a source inside a pipe, by ``reduction_central`` with one at its
    centre that meets what is asked of the IQI.
    """

    rows: Annotated[tuple[DistanceRow, ...], Field(min_length=1)]
    exponent: _Positive
    formula_mark: _Mark
    least_b_in_t: Annotated[float, Field(ge=1)]
    least_b_mark: _Mark
    reduction_inside: _Part
    inside_mark: _Mark
    reduction_central: _Part
    central_mark: _Mark


@dataclass(frozen=True, slots=True, config=RECORD)
class AreaRow:
    """Greatest ratio of the penetrated thickness at the evaluated area's edge to the middle's."""

    testing_class: TestingClass
    thickness_ratio: Annotated[float, Field(ge=1)]
    mark: _Mark


@dataclass(frozen=True, slots=True, config=RECORD)
class Area:
    """The rule for the greatest area of one exposure that is evaluated."""

    rows: Annotated[tuple[AreaRow, ...], Field(min_length=1)]


@dataclass(frozen=True, slots=True, config=RECORD)
class UnsharpnessRow:
    """Greatest geometric unsharpness by thickness."""

    table: _Name
    ug_mm: _Positive
    mark: _Mark
    over_mm: _NotNegative = 0.0
    up_to_mm: _Positive | None = None


@dataclass(frozen=True, slots=True, config=RECORD)
class UnsharpnessRows:
    """The table of geometric unsharpness."""

    rows: Annotated[tuple[UnsharpnessRow, ...], Field(min_length=1)]


@dataclass(frozen=True, slots=True, config=RECORD)
class RingIqis:
    """How many IQIs, equally spaced, speak for a whole ring, from which outer diameter on."""

    positions: _Count
    from_diameter_mm: _NotNegative
    mark: _Mark


@dataclass(frozen=True, slots=True, config=RECORD)
class Reading:
    """When a wire counts as seen, and a pair as one.

    A wire stands out over ``wire_length_mm`` by ``wire_significance`` standard deviations of what
    the ground shows there; a pair counts as one where its dip is below ``dip_percent``, in a
    profile averaged over at least ``fewest_lines`` lines. Contrast sensitivity is the change whose
    contrast to noise is ``contrast_cnr``.
    """

    wire_significance: _Positive
    wire_significance_mark: _Mark
    wire_length_mm: _Positive
    wire_length_mark: _Mark
    dip_percent: Annotated[float, Field(gt=0, lt=100)]
    dip_mark: _Mark
    fewest_lines: _Count
    lines_mark: _Mark
    contrast_cnr: _Positive
    contrast_mark: _Mark


@dataclass(frozen=True, slots=True, config=RECORD)
class CalibrationDose:
    """How many times the inspection's dose the calibration's exposures need."""

    ratio: _Positive
    mark: _Mark


@dataclass(frozen=True, slots=True, config=RECORD)
class Compensation:
    """What the three rules say, and how many missing pairs the second one makes good: one wire
    more for each."""

    rule_i: _Name
    rule_ii: _Name
    rule_iii: _Name
    most_pairs: _Count
    most_pairs_by_agreement: _Count
    mark: _Mark
