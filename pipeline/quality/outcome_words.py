"""The words by which people are told how a picture lies to what is asked of it."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from pipeline.model import Verdict

OUTCOMES: Mapping[Verdict, str] = MappingProxyType(
    {Verdict.PASS: "met", Verdict.ATTENTION: "attention", Verdict.FAIL: "not met"}
)
"""Of a limit, or of what a standard asks. A weld can't be met: nobody takes them for a judgement of
it. Logs for programs keep the verdict's own word; ``Reach`` says the same before the exposure."""
ABOUT = "about the picture, never about the weld"
"""What a verdict on a picture is about."""
