"""The audit as one self-contained page for people."""

from __future__ import annotations

from itertools import groupby

from pipeline.outputs.audit.audit import NOTHING, Audit
from pipeline.outputs.drawing.templates import page_template


def render_audit(found: Audit) -> str:
    """The page's text; it needs no network."""
    groups = [
        (kind, list(same)) for kind, same in groupby(found.findings, key=lambda one: one.kind)
    ]
    template = page_template("audit/audit.html", {})
    return template.render(audit=found, groups=groups, looked_at=found.looked_at(), nothing=NOTHING)
