"""What tells one strip from any other: a digest of its pixels, not of its file."""

from __future__ import annotations

import hashlib

import numpy as np

from pipeline.model import RawImage
from pipeline.quality.log_facts import StripFacts


def pixels_sha256(picture: RawImage) -> str:
    """The SHA-256 (hex, lower case) of a picture's gray values (rows, columns), row after row.

    Each is two bytes, the lower one first. How the file packs them, its overviews and its tags
    don't count: a copy saved by another program has the same digest as long as no pixel changed.
    """
    return hashlib.sha256(np.ascontiguousarray(picture, dtype="<u2").data).hexdigest()


def foreign_pixels(picture: RawImage, told: StripFacts) -> str:
    """Why a picture's pixels aren't those that a log tells of, in words; empty where they are, or
    where the log has no digest of them."""
    if told.pixels_sha256 is None:
        return ""
    own = pixels_sha256(picture)
    if own == told.pixels_sha256:
        return ""
    return (
        f"its pixels have the SHA-256 {own[:12]}…, the log tells {told.pixels_sha256[:12]}…: it is "
        "another strip, or somebody changed it"
    )
