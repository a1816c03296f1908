"""The check of the stand-off: what the frames tell of it beside what the config says."""

from __future__ import annotations

from pipeline.quality.check import BASIS_CONFIG, Check, at_most
from pipeline.quality.limits import Limits
from pipeline.stages.adjustment import Adjustment

_SURE = 2.0  # standard deviations of what was found that don't count against what was told
_BELIEVED = 3.0  # standard deviations of what was told within which it may be wrong


def standoff_checks(
    solved: Adjustment, told_mm: float, told_sigma_mm: float, limits: Limits
) -> list[Check]:
    """How far, at least, the stand-off lies from the one told; nothing where it was held.

    Only the sum of radius and stand-off shows in a ring, so a wrong diameter shows here too. What
    can't be the stand-off, more than three of its standard deviations away, fails.
    """
    if told_sigma_mm == 0:
        return []
    found_mm, sigma_mm = solved.geometry.standoff_mm, solved.standoff_sigma_mm
    off_mm = found_mm - told_mm
    note = (
        f"how far at least the stand-off of {found_mm:.3f} ± {sigma_mm:.3f} mm that the frames "
        f"tell lies from the {told_mm:g} mm told"
    )
    if abs(off_mm) > sigma_mm:
        note += (
            f"; a diameter that is really {abs(2 * off_mm):.2f} mm "
            f"{'larger' if off_mm > 0 else 'smaller'} than told would show the same, and then "
            "every distance along the strip would be wrong by as large a part"
        )
    return [
        at_most(
            "geometry.standoff_off_mm",
            max(abs(off_mm) - _SURE * sigma_mm, 0.0),
            limits.standoff_off_mm,
            stage="registration",
            unit="mm",
            basis=BASIS_CONFIG,
            note=note,
            fail_factor=max(_BELIEVED * told_sigma_mm / limits.standoff_off_mm, 1.0),
        )
    ]
