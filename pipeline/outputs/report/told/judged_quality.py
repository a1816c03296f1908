"""What of image quality a strip's verdict rests on, and what it doesn't, in words."""

from __future__ import annotations

from pipeline.quality.log import QualityLog

_PARTS = (
    ("signal-to-noise ratio", ("noise.snr_n",)),
    ("sharpness", ("sharpness.sr_b_mm", "sharpness.unsharpness_mm")),
    ("wires", ("iqi.wire_mm",)),
    (
        "the exposure’s geometry",
        ("geometry.source_distance_mm", "geometry.unsharpness_mm", "geometry.thickness_ratio"),
    ),
)

_NOTHING = (
    "Whether the strip shows what the written procedure asks for (signal-to-noise ratio, "
    "sharpness, wires) is no part of this verdict."
)


def unjudged_quality(log: QualityLog) -> tuple[str, str]:
    """What wasn't judged of the picture's quality, in short, and what that means; empty where
    every part was.

    A part counts as judged if something was asked of one of its measures and it was measured.
    """
    if not log.measures:
        return (
            "No image quality was asked for",
            f"The config has no table [quality]. {_NOTHING}",
        )
    if all(one.required is None for one in log.measures):
        return (
            "Nothing was asked of the image quality",
            f"It was measured, but the config’s table [quality] asks nothing of it. {_NOTHING}",
        )
    judged = {one.id for one in log.measures if one.required is not None and one.value is not None}
    left = [name for name, ids in _PARTS if judged.isdisjoint(ids)]
    if not left:
        return "", ""
    return (
        f"Not judged of the image quality: {', '.join(left)}",
        "Nothing was asked of that, or it could not be measured.",
    )
