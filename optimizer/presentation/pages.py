"""Pages from templates: one self-contained HTML file each, with nothing to fetch."""

from __future__ import annotations

from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from optimizer.presentation.sheet import Sheet
from optimizer.presentation.texts import DEFAULT_LANGUAGE


def render(template: str, **values: Any) -> str:
    """A template with its values; everything is escaped that is not marked safe."""
    environment = Environment(
        loader=PackageLoader("optimizer.presentation"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.get_template(template).render(**values)


def sheet_html(sheet: Sheet, paper: str = "a4", language: str = DEFAULT_LANGUAGE) -> str:
    """The trial sheet as a page of its own; ``paper`` is ``a4`` or ``letter``."""
    return render("sheet_page.html", sheet=sheet, paper=paper, language=language, alone=True)
