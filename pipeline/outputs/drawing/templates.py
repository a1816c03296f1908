"""The pages' templates, as jinja2 reads them: all that stands in a page is escaped."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import jinja2


def page_template(name: str, filters: Mapping[str, Callable[..., Any]]) -> jinja2.Template:
    """The template of that path below ``outputs/``, with its filters; unknown names raise."""
    import jinja2  # noqa: PLC0415  heavy: only a page needs it

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).parents[1]),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(filters)
    return environment.get_template(name)
