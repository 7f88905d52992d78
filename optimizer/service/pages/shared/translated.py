"""Templates in another language: the same templates, with their texts exchanged as they are loaded.

The templates of the pages are in English. A text is what stands between two tags or statements, or
in an attribute that is read out; ``{1}`` in it stands for its first expression. The section
``pages`` of a language's texts holds each text with its translation. Figures that a text shows are
written in the reader's manner; attributes, which machines read, keep theirs.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from typing import Any

from jinja2 import Environment
from jinja2.ext import Extension

from optimizer.text.money import season_value
from optimizer.text.todays_material import property_text
from optimizer.text.words import Words

TOKEN = re.compile(
    r"(\{#.*?#\}|\{%.*?%\}|</?[a-zA-Z!](?:\{\{.*?\}\}|\{%.*?%\}|[^>{]|\{)*?>)", re.DOTALL
)
"""What stands between texts: a comment, a statement or a tag."""
EXPRESSION = re.compile(r"\{\{-?(.*?)-?\}\}", re.DOTALL)
READ_OUT = re.compile(r'\b((?:aria-label|placeholder|title|alt)=")([^"]*)(")')
LITERAL = re.compile(r"\"([^\"]*)\"|'[^']*'")
SAID = re.compile(r"[A-Z][^=]*|[^=/]*[a-z\d] [^=/]*[a-z][^=/]*|[^=]*[a-z]: ?| [a-z][a-z ]* ")
"""A literal of an expression that is a text: it begins with a capital, or has several words."""
COMPARED = ("==", "!=", "in", "[", "get(")
"""What stands before a literal that is compared or looked up, and so is no text."""
VALUES = (
    "to run", "running", "done", "failed", "skipped", "open", "closed", "queued", "waiting",
    "any", "alone", "nothing", "not stated", "even", "boiling", "sluggish", "starved", "flooded",
    "grade", "recovery",
    "middlings_share", "middlings_grade", "corrected", "withdrawn", "reinstated",
    "Today", "Batches", "Look", "What if", "Runs", "Lines", "Diagnosis", "Plant",
    "plan", "batch", "report", "sheet", "comparison", "diagnosis", "expectation", "pictures",
    "trial sheet", "sharpness", "balance", "yes", "no", "This could not be done",
    "You are signed in",
)  # fmt: skip
"""Words of a closed set that pages show as they are (the filter ``told``)."""
CHOSEN = re.compile(r"(?<=else )\"([a-z]{2,})\"|\"([a-z]{2,})\"(?= if )")
"""A word that an expression chooses, such as ``"row" if count == 1 else "rows"``."""
FIGURES = (
    "percent", "exact_percent", "whole_percent", "worth", "points", "level", "sigmas", "format",
    "mass", "rate", "feed", "plain", "property_text", "season_value",
)  # fmt: skip
"""Filters that write figures; each has a twin for readers, ``told_percent`` and so on."""
SHOWN = re.compile(rf"\|\s*({'|'.join(FIGURES)})\b")
ATTRIBUTES = re.compile(r"\w=\"")
"""Attributes that a block of a template holds for another, which are no text."""
FORMATTED = re.compile(r"\|\s*format\(")
"""A figure that a statement formats, to be shown later."""
CLOCK = re.compile(r"(zone\.(?:shown|day_of)\((?:[^()]|\(\))*\))")
UNIT = re.compile(r"^\s*([\w.]*\bunit|[\w.]*units\.get\([^()]*\)|[\w.]*units\[[\w.]+\])\s*$")
"""An expression that is a unit alone."""
UNIT_OF_LABEL = re.compile(r"(\", \" ~ )([\w.]*\bunit)\b")
BESIDE_TEXT = re.compile(rf"\|\s*({'|'.join(FIGURES)})\)(?= ~ \")")
AFTER_TEXT = re.compile(rf"(?<=\" ~ )\(([\w.]+)\s*\|\s*({'|'.join(FIGURES)})\)")
"""A unit, and figures before and after a text to which an expression joins them."""
LETTERS = re.compile(r"[^\W\d_]{2}")


class Translated(Extension):
    """Exchanges the texts of a template; the environment's ``exchange`` translates one text."""

    def __init__(self, environment: Environment) -> None:
        super().__init__(environment)
        environment.extend(exchange=lambda text: text)

    def preprocess(self, source: str, name: str | None, filename: str | None = None) -> str:
        """The source of a template with its texts exchanged."""
        return exchanged(source, self.environment.exchange)  # type: ignore[attr-defined]


def exchanged(source: str, exchange: Callable[[str], str]) -> str:
    """The source of a template with every text exchanged.

    Args:
        source: the template in English.
        exchange: the translation of a text.
    """
    parts = TOKEN.split(source)
    for k, part in enumerate(parts):
        if k % 2 == 0:
            parts[k] = _text(part, exchange)
        elif part.startswith("{%"):
            parts[k] = FORMATTED.sub("| told_format(", _literals(part, exchange))
        elif not part.startswith("{#"):
            told = READ_OUT.sub(lambda m: m[1] + _text(m[2], exchange) + m[3], part)
            parts[k] = told
    return "".join(parts)


def texts_of(source: str) -> Iterator[str]:
    """Every text of a template, in order."""
    found: list[str] = []

    def note(text: str) -> str:
        found.append(text)
        return text

    exchanged(source, note)
    return iter(dict.fromkeys(found))


def _text(part: str, exchange: Callable[[str], str]) -> str:
    """A run of text and expressions, exchanged as a whole."""
    inside = [_shown(_literals(each, exchange)) for each in EXPRESSION.findall(part)]
    number = iter(range(1, len(inside) + 1))
    key = EXPRESSION.sub(lambda _: f"{{{next(number)}}}", part)
    whole = " ".join(key.split())
    if LETTERS.search(re.sub(r"\{\d+\}|&\w+;", "", whole)) and not ATTRIBUTES.search(whole):
        lead = key[: len(key) - len(key.lstrip())]
        tail = key[len(key.rstrip()) :]
        key = f"{lead}{exchange(whole)}{tail}"
    return re.sub(r"\{(\d+)\}", lambda m: f"{{{{{inside[int(m[1]) - 1]}}}}}", key)


def _shown(code: str) -> str:
    """An expression that a text shows, its figures, times and units told to readers."""
    code = CLOCK.sub(r"\1 | told_moment", SHOWN.sub(r"| told_\1", code))
    return UNIT.sub(r"(\1) | told_unit", code)


def _literals(code: str, exchange: Callable[[str], str]) -> str:
    """A statement or an expression with the texts in it exchanged."""

    def said(found: re.Match[str]) -> str:
        text = found[1]
        if text is None or text in VALUES or not (SAID.fullmatch(text) and LETTERS.search(text)):
            return found[0]
        if code[: found.start()].rstrip().endswith(COMPARED):
            return found[0]
        return f'"{exchange(text)}"'

    code = AFTER_TEXT.sub(r"(\1 | told_\2)", UNIT_OF_LABEL.sub(r"\1(\2 | told_unit)", code))
    code = BESIDE_TEXT.sub(r"| told_\1)", code)
    code = LITERAL.sub(said, code)
    return CHOSEN.sub(lambda m: f'"{exchange(m[1] or m[2])}"', code)


def filters_for(filters: Mapping[str, Any], words: Words) -> dict[str, Any]:
    """The filters of figures for readers, by their names in translated templates.

    Args:
        filters: the filters of the templates in English.
        words: how the reader is told things.
    """

    def twin(name: str) -> Callable[..., str]:
        return lambda *values, **more: words.local(str(filters[name](*values, **more)))

    return {
        **{f"told_{name}": twin(name) for name in FIGURES},
        "told_property_text": partial(property_text, words=words),
        "told_season_value": partial(season_value, words=words),
        "told_plain": lambda value: words.figure(value),
        "told_moment": words.date,
        "told_unit": words.unit,
    }
