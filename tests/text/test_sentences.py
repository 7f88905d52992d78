"""A sentence of an answer is English text, and can be told to any reader."""

from __future__ import annotations

import json
import pickle
import re
from pathlib import Path

import pytest

from optimizer.text.sentences import LISTED, listed, retold, sentence
from optimizer.text.texts import texts
from optimizer.text.words import ENGLISH, Words

ROOT = Path(__file__).parents[2] / "optimizer"


def test_every_key_is_used_and_every_used_key_has_a_text():
    code = "\n".join(path.read_text("utf-8") for path in ROOT.rglob("*.py"))
    used = set(re.findall(r'sentence\(\s*"(\w+)"', code))
    known = set(texts()["sentences"])
    assert used <= known
    assert len(used) > 80
    # Other keys are chosen before a sentence is made, or begin or end as the code says.
    named = set(re.findall(r'"(\w+)"', code))
    begun = tuple(filter(None, re.findall(r'sentence\(\s*f"(\w*)\{', code)))
    ended = tuple(set(re.findall(r'\}(_\w+)"', code)))
    left = {key for key in known - used - named if not key.startswith(begun)}
    assert not {key for key in left if not key.endswith(ended)}


def test_it_is_its_english_text_wherever_texts_go():
    said = sentence("rises_by", quantity=sentence("the_grade"), mean=0.42, low=0.2, high=0.6)
    english = "grade at the settings to run now rises by 0.4 points a week (0.2 to 0.6)"
    assert said == english
    assert json.loads(json.dumps([said])) == [english]
    again = pickle.loads(pickle.dumps(said))
    assert again == english
    assert again.as_dict() == said.as_dict()


def test_a_document_tells_its_sentences_to_any_reader():
    change = sentence("rises_by", quantity=sentence("the_grade"), mean=0.42, low=0.2, high=1234.5)
    said = sentence("drifts", changes=[change])
    document = json.loads(json.dumps(listed({"says": said, "more": [said, "as typed"], "n": 1.5})))
    assert len(document[LISTED]) == 1
    told = retold(document, Words("es"))
    assert told["says"] == (
        "La mesa deriva: el grado con los ajustes para correr ahora sube 0,4 puntos por semana "
        "(0,2 a 1234,5)."
    )
    assert told["more"] == [told["says"], "as typed"]
    assert told["n"] == 1.5
    assert retold(document, ENGLISH) == document


@pytest.mark.parametrize(
    ("language", "one", "many"),
    [("es", "agregó 1 corrida.", "agregó 2 corridas."), ("pt", "1 corrida.", "2 corridas.")],
)
def test_a_count_chooses_between_one_and_many(language, one, many):
    document = listed({"a": [sentence("runs_added", version=3, count=n) for n in (1, 2)]})
    told = retold(document, Words(language))["a"]
    assert told[0].endswith(one)
    assert told[1].endswith(many)


def test_a_document_of_an_older_program_keeps_its_sentences():
    old = {"why": "Likely better: 1.2 points more recovery, grade 93 % sure."}
    assert retold(old, Words("pt")) == old


def test_settings_are_called_as_the_reader_calls_them():
    said = sentence("moved_together", one="side_tilt", other="air", correlation=0.971)
    assert said.startswith("side_tilt and air always moved together (correlation 0.97)")
    told = retold(listed({"w": said}), Words("pt"))["w"]
    assert told.startswith("inclinação lateral e ar sempre se moveram juntos (correlação 0,97)")
