"""A calibration as one scan needs it: its dark at the scan's conditions, the scan's beam in it."""

from __future__ import annotations

from dataclasses import replace

from pipeline.calibration.beam import scan_beam, with_beam
from pipeline.calibration.dark_states import dark_at
from pipeline.calibration.product import CalibrationSet
from pipeline.geometry import Panel, ScanGeometry


def for_scan(
    calibration: CalibrationSet,
    geometry: ScanGeometry,
    panel: Panel,
    *,
    temperature_c: float | None,
    frame_time_s: float | None,
    beyond: bool = False,
) -> CalibrationSet:
    """The calibration for frames shot with this nominal geometry, temperature and frame time.

    One without dark states and with the flats' beam in its gain is given back as it is. The result
    is for use, not for storing: it keeps the identity of the calibration it was made from.

    Raises:
        CalibrationError: the darks don't reach these conditions (see ``dark_at``, ``beyond``).
    """
    dark = dark_at(calibration, temperature_c, frame_time_s, beyond=beyond)
    if dark is not calibration.dark:
        calibration = replace(calibration, dark=dark)
    if calibration.facts.beam is None:
        return calibration
    return with_beam(calibration, scan_beam(geometry, panel))
