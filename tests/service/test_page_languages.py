"""The pages in Spanish and Portuguese: every text of every template, and figures."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from optimizer.plant.run_columns import DECK_STATES, EVEN
from optimizer.service.pages.assets import STATIC
from optimizer.service.pages.shared import rendering
from optimizer.service.pages.shared.translated import VALUES, exchanged, texts_of
from optimizer.text.texts import texts
from optimizer.text.words import Words
from tests.languages import ENGLISH_WORDS
from tests.presentation.test_languages import shown
from tests.service.test_batch_pages import HTML, issue_form, runs
from tests.service.test_service import client_of, options
from tests.serving import SECONDS

__all__ = ["options"]  # a fixture

LANGUAGES = ("es", "pt")
TEMPLATES = sorted((Path(rendering.__file__).parents[1] / "templates").glob("*.html"))
NAMES = re.compile(r"\ba(-\d+(\.\d+)?)?\b|\br\d+\b|highside|America/Bogota|UTC|CSV|PDF|HTML")
"""Names of the plant and of formats, which stay as they are."""
PLACES = re.compile(r"\{\d+\}")


@pytest.fixture
def client(request, options, monkeypatch):
    monkeypatch.setattr("optimizer.service.pages.shared.waiting.PATIENCE", SECONDS)
    with client_of(replace(options, language=request.param), **HTML) as made:
        made.post("/v1/runs", json=runs())
        yield made


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_text_of_every_template_is_told(language):
    known = texts(language)["pages"]
    asked = dict.fromkeys(VALUES)
    for template in TEMPLATES:
        asked |= dict.fromkeys(texts_of(template.read_text("utf-8")))
    assert set(known) == set(asked)
    for text, told in known.items():
        assert sorted(PLACES.findall(told)) == sorted(PLACES.findall(text)), text
        assert not ENGLISH_WORDS.search(re.sub(r"mass_\w+|turn|density_\w+", "", told)), told


TOLD = re.compile(r'\bsay\((?:[\w ]+< [\w ]+\? )?("[^"]*")(?: : ("[^"]*"))?')
"""A text of a script, or the two between which it chooses."""
STATES = (
    "to run",
    "running",
    "done",
    "failed",
    "skipped",
    "grade",
    "recovery",
    *(s for s in DECK_STATES if s != EVEN),
)
"""Words of the answers that scripts tell."""


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_text_of_every_script_is_told(language):
    sources = [path.read_text("utf-8") for path in STATIC.glob("*.js") if "d3" not in path.name]
    asked = {text.strip('"') for s in sources for each in TOLD.findall(s) for text in each if text}
    known = texts(language)["scripts"]
    assert set(known) == asked | set(STATES)
    for text, told in known.items():
        assert sorted(PLACES.findall(told)) == sorted(PLACES.findall(text)), text
        assert not ENGLISH_WORDS.search(told), told


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_template_can_be_loaded(language):
    for template in TEMPLATES:
        rendering.environment(Words(language)).get_template(template.name)


def test_a_text_is_exchanged_as_a_whole_and_machines_read_what_they_did():
    known = {"Close {1}": "Cerrar {1}", "rows": "filas", "row": "fila", "Low": "Mínimo"}
    source = (
        '<p title="Low">Close {{ n | level }}</p>{% if s == "to run" %}<input value='
        '"{{ n | level }}">{% endif %} {{ "row" if n == 1 else "rows" }}'
    )
    assert exchanged(source, known.__getitem__) == (
        '<p title="Mínimo">Cerrar {{ n | told_level }}</p>{% if s == "to run" %}<input value='
        '"{{ n | level }}">{% endif %} {{ "fila" if n == 1 else "filas" }}'
    )


@pytest.mark.parametrize("client", LANGUAGES, indirect=True)
def test_pages_of_a_plan_and_its_batch_have_no_word_of_english(client):
    plan = client.get("/?line=a&min_grade=97&trials=2").text
    client.post("/batches/issue", data=issue_form(plan))
    addresses = ("/?line=a&min_grade=97&trials=2", "/batches", "/batches?batch=a-1", "/runs",
                 "/lines", "/diagnosis", "/plant", "/upload", "/look?line=a", "/what-if?line=a",
                 "/jobs", "/changes", "/rejected")  # fmt: skip
    for address in addresses:
        answer = client.get(address)
        assert answer.status_code == 200, address
        for text in shown(answer.text):
            assert not ENGLISH_WORDS.search(NAMES.sub("", text)), (address, text)
