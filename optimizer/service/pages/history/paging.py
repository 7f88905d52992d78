"""Long lists in pages, newest first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urlencode

from optimizer.service.exchange.typed_numbers import whole

SHOWN = 100
"""Number of entries of a page."""


@dataclass(frozen=True)
class Page:
    """The place of one page in a list.

    Attributes:
        path: path of the list.
        query: fields of the address besides the page.
        total: number of entries of the list.
        number: number of the page, from 1.
    """

    path: str
    query: Mapping[str, str]
    total: int
    number: int

    @property
    def first(self) -> int:
        """Position of the first entry of the page, from 0."""
        return SHOWN * (self.number - 1)

    @property
    def pages(self) -> int:
        """Number of pages."""
        return max(1, -(-self.total // SHOWN))

    def address(self, number: int) -> str:
        """The address of another page."""
        return f"{self.path}?{urlencode({**self.query, 'page': number})}"


def page_of(path: str, query: Mapping[str, str], total: int, typed: str) -> Page:
    """The page that is asked for, or the last one where the list has become shorter.

    Raises:
        Problem: when the number of the page is not a whole number.
    """
    number = whole(typed, "page") if typed.strip() else 1
    last = max(1, -(-total // SHOWN))
    return Page(path, query, total, min(max(1, number), last))
