"""The pages of the guide, read from the files beside this module."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from optimizer.errors import InputError, nearest

# In the order in which a newcomer needs them.
TOPICS = (
    "site",
    "logs",
    "balance",
    "plan",
    "deck",
    "diagnose",
    "compare",
    "history",
    "machines",
    "service",
    "python",
    "notebook",
)


@dataclass(frozen=True)
class Page:
    """One page of the guide."""

    topic: str
    text: str

    @property
    def title(self) -> str:
        """The heading of the page."""
        return self.text.partition("\n")[0].removeprefix("# ")


def page(topic: str) -> Page:
    """The page of a topic.

    Raises:
        InputError: when there is none.
    """
    if topic not in TOPICS:
        hint = nearest(topic, TOPICS) or "'highside guide' lists the topics."
        raise InputError(f"the guide has no page '{topic}'.", hint=hint)
    path = Path(__file__).with_name(f"{topic}.md")
    return Page(topic, path.read_text(encoding="utf-8"))


def pages() -> list[Page]:
    """All pages, in the order in which a newcomer needs them."""
    return [page(topic) for topic in TOPICS]
