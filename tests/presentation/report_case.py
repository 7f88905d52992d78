"""The report of the demo season's first deck, made once per test process, and page parsers."""

from __future__ import annotations

import json
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

import html5lib

from optimizer import Brief, History, Site, load_logs
from optimizer.operations.demo import season_folder
from optimizer.operations.reporting import Review, review
from optimizer.planning.situation import situation_of

COMMAND = "highside report --brief brief.toml"


@cache
def season_review() -> Review:
    """Plan, landscape and diagnosis of deck-1."""
    with tempfile.TemporaryDirectory() as name:
        site = Site.read(season_folder() / "site.toml")
        history = History(Path(name) / "history")
        load_logs([season_folder() / "deck-1.csv"], history, site)
        return review(situation_of(history.at(), site, Brief.read(season_folder() / "brief.toml")))


@cache
def season_page() -> str:
    return season_review().page(command=COMMAND)


def documents(found: Review) -> dict[str, Any]:
    """The JSON documents, by name, that the paths on a page point into."""
    whole = {
        "plan": found.plan.as_dict(),
        "landscape": found.landscape.as_dict(),
        "diagnosis": found.diagnosis_document(),
    }
    return json.loads(json.dumps(whole))


def parse(page: str) -> Any:
    """Parse a page with an independent strict parser, which raises an error on invalid HTML."""
    parser = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False)
    return parser.parse(page)


def text_of(element: Any) -> str:
    return " ".join("".join(element.itertext()).split())


def lookup(whole: Any, path: str) -> Any:
    name, _, keys = path.partition(":")
    found = whole[name]
    for key in keys.split("."):
        found = found[int(key)] if isinstance(found, list) else found[key]
    return found


SCALE = {"percent": 100, "percent0": 100, "percent2": 100, "goal": 100, "chance": 100}


def check_numbers(shown: list[tuple[str, str, str, str]], whole: Any) -> set[str]:
    """Check every (path, value, kind, text) against the documents; return the paths checked.

    A text may differ from its value by half a unit of its last digit; a chance is rounded down.
    """
    assert shown
    for path, value, kind, text in shown:
        expected = lookup(whole, path)
        assert json.loads(value) == expected, path
        places = len(text.partition(".")[2])
        exact = expected * SCALE.get(kind, 1)
        if kind == "chance":
            assert 0.0 <= exact + 1e-9 - float(text) < 1.0, (path, text, expected)
            continue
        assert abs(float(text) - exact) <= 0.5 * 10.0**-places + 1e-9, (path, text, expected)
    return {path for path, *_ in shown}


def numbers_on(page: str) -> list[tuple[str, str, str, str]]:
    return [
        (d.get("data-from"), d.get("value"), d.get("data-kind"), text_of(d))
        for d in parse(page).iter("data")
    ]
