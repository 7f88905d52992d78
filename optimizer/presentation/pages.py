"""Makes pages from templates: each is one HTML file that loads nothing from elsewhere."""

from __future__ import annotations

from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from optimizer.presentation.sample_sheet import SampleSheet
from optimizer.presentation.sheet import Sheet


def render(template: str, **values: Any) -> str:
    """Fills a template with values; values are escaped unless they are marked as safe.

    Args:
        template: name of a file in the folder ``templates``.
        values: values by the names that the template uses.
    """
    environment = Environment(
        loader=PackageLoader("optimizer.presentation"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.get_template(template).render(**values)


def sheet_html(sheet: Sheet, paper: str = "a4") -> str:
    """The trial sheet as a separate page.

    Args:
        sheet: content of the sheet.
        paper: ``a4`` or ``letter``.
    """
    return render("sheet_page.html", sheet=sheet, paper=paper, language=sheet.language, alone=True)


def sample_sheet_html(sheet: SampleSheet, paper: str = "a4") -> str:
    """The sheet for weights and assays as a page; arguments as of ``sheet_html``."""
    return render("sample_sheet.html", sheet=sheet, paper=paper, language=sheet.language)
