"""What reviewers wrote down of a result: one growing file beside its folder, outside of it."""

from __future__ import annotations

from pathlib import Path

from pipeline.io.growing_file import GrowingFile

SCHEMA = "girthstrip.review/1"
MARK, DELETE, SEEN = "mark", "delete", "seen"
"""Kinds of records, under ``record``."""


def journal_path(result: Path) -> Path:
    """``result.review.jsonl`` beside the folder ``result``, which itself is never changed."""
    return result.with_name(f"{result.name}.review.jsonl")


def journal_of(result: Path) -> GrowingFile:
    """The records of a result."""
    return GrowingFile(journal_path(result), SCHEMA)
