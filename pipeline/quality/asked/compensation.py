"""The second compensation rule: a missing pair of the duplex gauge made good by one wire more.

The first and the third rule give no figures: a higher tube voltage and interpolated pixels are made
good by a higher SNR, which shows in that the wire asked for is still seen.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

from pipeline.quality.asked.profile import Profile
from pipeline.quality.asked.profile_rows import CompensationRule
from pipeline.quality.asked.requirement import SR_B, UNSHARPNESS, WIRE, Requirement, Requirements


@dataclass(frozen=True, slots=True)
class SharpnessRule:
    """How many pairs are missing, how many may be, and what is asked instead.

    ``wire`` is the wire that must be seen then, None where the gauge has none so thin, or no wire
    is asked for. ``pair`` is the pair that the picture does show.
    """

    missing: int
    pair: str
    sr_b_mm: float
    wire: str | None
    wire_mm: float | None
    most: int
    most_by_agreement: int

    @property
    def possible(self) -> bool:
        """Whether the rule reaches so far, by agreement if need be."""
        return 0 < self.missing <= self.most_by_agreement and self.wire is not None

    def missing_text(self, profile: Profile) -> str:
        """How many pairs are missing and which: ``2 pairs (D10, D11) are``."""
        names = [row.name for row in profile.pairs.rows] if profile.pairs else []
        first = names.index(self.pair) + 1 if self.pair in names else 0
        which = names[first : first + self.missing]
        named = f" ({', '.join(which)})" if len(which) == self.missing else ""
        return f"1 pair{named} is" if self.missing == 1 else f"{self.missing} pairs{named} are"


def sharpness_rule(profile: Profile, asked: Requirements, sr_b_mm: float) -> SharpnessRule | None:
    """What the rule makes of an SR_b; None where nothing is missing or the profile hasn't it.

    The pair that the picture shows is the first in the table at least as wide as ``sr_b_mm``.
    """
    sharp, wire = asked.of(SR_B), asked.of(WIRE)
    rule, pairs, wires = profile.compensation, profile.pairs, profile.wires
    if sharp is None or rule is None or pairs is None or sr_b_mm <= sharp.value:
        return None
    names = [row.name for row in pairs.rows]
    wide = [row for row in pairs.rows if row.diameter_mm >= sr_b_mm]
    shown = wide[-1] if wide else pairs.rows[0]
    missing = names.index(sharp.name) - names.index(shown.name)
    if not wide:  # not even the thickest pair
        missing += 1
    thin = wires.beyond(wire.name, missing) if wires and wire else None
    return SharpnessRule(
        missing,
        shown.name,
        shown.diameter_mm,
        thin.name if thin else None,
        thin.diameter_mm if thin else None,
        rule.most_pairs,
        rule.most_pairs_by_agreement,
    )


def compensated(
    asked: Requirements,
    rule: SharpnessRule | None,
    allowed: Collection[CompensationRule],
    *,
    by_agreement: bool = False,
) -> Requirements:
    """The requirements with the second rule applied; unchanged where it isn't allowed or doesn't
    reach: SR_b and unsharpness as of the pair that is shown, and so many wires more."""
    if rule is None or "II" not in allowed or not rule.possible:
        return asked
    if rule.missing > rule.most and not by_agreement:
        return asked
    pairs = "1 pair is" if rule.missing == 1 else f"{rule.missing} pairs are"
    said = f"by compensation rule II, which the config allows: {pairs} missing"

    def instead(one: Requirement) -> Requirement:
        if one.id == SR_B:
            return _replaced(one, rule.sr_b_mm, rule.pair, said)
        if one.id == UNSHARPNESS:
            return _replaced(one, 2 * rule.sr_b_mm, rule.pair, said)
        if one.id == WIRE and rule.wire is not None and rule.wire_mm is not None:
            return _replaced(one, rule.wire_mm, rule.wire, f"{said}, so {rule.wire} must be seen")
        return one

    return replace(asked, asked=tuple(map(instead, asked.asked)))


def _replaced(one: Requirement, value: float, name: str, said: str) -> Requirement:
    note = f"{one.note}; {said} (without it {one.value:g} {one.unit}, {one.name})"
    return replace(one, value=value, name=name, note=note)
