"""What is known of a weld's picture beside its pixels: the profile, the panel's sharpness."""

from __future__ import annotations

from pipeline.asked import facts_of, known_of, profile_of
from pipeline.measure import solved_geometry
from pipeline.plan import scan_geometry
from pipeline.quality.asked.known import Known
from pipeline.review.weld import OpenWeld


def known_of_weld(weld: OpenWeld) -> Known:
    """The same as ``girthstrip measure`` knows of the result folder; kept with the weld.

    Raises:
        InputError: the profile that the config names is at fault.
    """
    with weld.busy:
        held = weld.kept.get("known")
        if not isinstance(held, Known):
            held = weld.kept["known"] = _known(weld)
    return held


def _known(weld: OpenWeld) -> Known:
    job = weld.job
    if job is None:
        return Known(profile_of(None))
    geometry, panel = solved_geometry(weld.log, *scan_geometry(job))
    return known_of(
        job,
        profile_of(job.quality, weld.folder / "config.toml"),
        geometry,
        panel,
        kv=weld.log.exposure.kv_max,
        facts=facts_of(job)[0],
    )
