"""``highside guide``: prints the guide, which has one page for each task."""

from __future__ import annotations

from typing import Annotated

import typer

from cli.options import JsonOption


def guide(
    topic: Annotated[
        str | None, typer.Argument(metavar="TOPIC", help="The page to print; a list when left out.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Print a page of the guide, or the list of its pages."""
    from cli.guide.pages import page, pages
    from cli.output import answer
    from cli.show.first_steps import guide as show

    if topic is None:
        listed = [{"topic": each.topic, "title": each.title} for each in pages()]
        answer({"schema": "highside.guide/1", "topics": listed}, as_json, show.topics)
        return
    found = page(topic)
    document = {
        "schema": "highside.guide/1",
        "topic": found.topic,
        "title": found.title,
        "text": found.text,
    }
    answer(document, as_json, lambda _: show.page(found.text))
