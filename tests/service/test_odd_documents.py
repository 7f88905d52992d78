"""Small documents that are made to cost much: each is answered with a refusal, after little work.

JSON and text of up to 64 KiB are parsed in the process of the service, so a document that took
minutes there would keep everybody waiting. Whether the work grows with the square of the size does
not show by the clock of a busy machine, so the texts here are so long that it would take hours.
"""

from __future__ import annotations

import io
import json
import signal

import pytest

from optimizer.history.history import History
from optimizer.intake.formats import delimited
from optimizer.intake.formats.delimited import open_delimited
from optimizer.intake.formats.layout import _PLAIN_CELL, aligned_as_tabs
from optimizer.intake.reading.columns import Headings
from optimizer.plant.shares import number_and_unit
from optimizer.plant.site import Site
from optimizer.service.recording.bodies import MOST_COLUMNS, MOST_LEVELS
from optimizer.service.recording.recorder import SMALL
from optimizer.text.headings import split_unit
from optimizer.text.names import composed
from tests.service.test_hostile import fault, served

__all__ = ["served"]  # a fixture

MANY = 8 << 20
"""Number of characters of a text: in linear time a second, with its square days."""
GIVEN_UP = 120.0
"""Seconds of processor time after which a test gives up."""
BLANKS = "1" + " " * MANY + "x"


@pytest.fixture
def given_up():
    """Ends a test that would take days."""

    def end(*_):
        raise AssertionError("the work does not grow with the size of the text alone")

    before = signal.signal(signal.SIGVTALRM, end)
    signal.setitimer(signal.ITIMER_VIRTUAL, GIVEN_UP)
    yield
    signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
    signal.signal(signal.SIGVTALRM, before)


READERS = {
    "heading of blanks": lambda: split_unit(BLANKS),
    "heading of brackets": lambda: split_unit("[(" * MANY),
    "heading of units": lambda: split_unit("[a] % " * (MANY // 6) + "x"),
    "columns aligned with blanks": lambda: aligned_as_tabs(BLANKS.encode()),
    "cell of blanks": lambda: _PLAIN_CELL[0].match(" " * MANY + "x"),
    "cell of a number and blanks": lambda: _PLAIN_CELL[1].match(BLANKS),
    "share of blanks": lambda: number_and_unit(BLANKS),
    "share of digits": lambda: number_and_unit("1" * MANY + "." + "1" * MANY + "\n\n"),
}


@pytest.mark.parametrize("reader", READERS)
def test_the_work_of_a_reader_grows_with_the_size_of_a_text_alone(given_up, reader):
    READERS[reader]()


def test_the_layout_of_a_long_line_is_found_in_a_time_that_grows_with_its_size(
    given_up, monkeypatch
):
    monkeypatch.setattr(delimited, "SAMPLE_BYTES", 2 << 20)
    cells = ("x" * 999 + ",") * 500
    text = f"line,{cells}air\ndeck-1,{cells}3\n"
    found = open_delimited(io.BytesIO(text.encode()), "deck.csv", Headings(Site(), None))
    assert (found.headings[0], len(found.headings), found.headings[-1]) == ("line", 502, "air")


def test_marks_on_a_letter_are_put_in_order_where_a_language_can_have_them():
    """Source: Unicode Standard Annex #15, section 13: stream-safe text has up to 30 marks in a row.
    Of two marks the one below the letter comes first, since its combining class is 220, and 230
    that of the grave accent (UnicodeData.txt)."""
    above, below = "\u0300", "\u0316"
    assert composed(f"x{above}{below}" * 9) == f"x{below}{above}" * 9
    assert composed("x" + above * 15 + below * 15) == "x" + below * 15 + above * 15
    many = "x" + (above + below) * (SMALL // 4)
    assert composed(many) == many


@pytest.fixture
def unchanged(served):
    client, history = served
    before = history.version
    yield client
    assert History(history.location).version == before


OBJECT, LIST = '{"line": %s}', "[%s]"
DEEP = (MOST_LEVELS + 1, 300, 500, 950, 5000)


def nested(form: str, levels: int) -> str:
    """A number in as many lists or objects in one another."""
    begin, end = form.split("%s")
    return begin * levels + "1" + end * levels


ROUTES = [
    ("POST", "/v1/plans", "%s"),
    ("POST", "/v1/plans", '{"material": {"moisture": %s}}'),
    ("POST", "/v1/plans", '{"pending": [%s]}'),
    ("POST", "/v1/batches", '{"goal": %s}'),
    ("POST", "/v1/runs", '[{"line": "deck-1", "air": %s}]'),
    ("PATCH", "/v1/runs/r1", '{"reason": "x", "air": %s}'),
    ("DELETE", "/v1/runs/r1", '{"reason": %s}'),
    ("POST", "/v1/batches/deck-1-1/trials/1/result", '{"settings": {"air": %s}}'),
    ("PATCH", "/v1/batches/deck-1-1", '{"closed": %s}'),
]


@pytest.mark.parametrize("form", [OBJECT, LIST])
@pytest.mark.parametrize(("method", "path", "around"), ROUTES)
def test_deeply_nested_documents_are_refused(unchanged, method, path, around, form):
    for levels in DEEP:
        body = around % nested(form, levels)
        answer = unchanged.request(method, path, content=body, headers=JSON)
        assert fault(answer) is None, levels
        assert answer.json()["code"] == "not-json"
        assert "in one another" in answer.text or "too deeply" in answer.text


def test_a_brief_in_a_query_is_nested_as_little(unchanged):
    answer = unchanged.get("/v1/report", params={"brief": nested(OBJECT, 500)})
    assert fault(answer) is None
    assert answer.json()["code"] == "not-json"


def test_a_range_of_many_ends_is_refused(unchanged):
    typed = {"line": "deck-1", "m.moisture": "1 to " * 2500 + "1"}
    assert fault(unchanged.get("/", params=typed)) is None


JSON = {"content-type": "application/json"}


def keys(count: int) -> str:
    return json.dumps([{f"k{k}": 1} for k in range(count)])


MUCH = {
    "many keys in a brief": ("/v1/plans", json.dumps({f"feed_rat{k}": 1 for k in range(3500)})),
    "many materials": ("/v1/plans", json.dumps({"material": {f"m{k}": 1 for k in range(4500)}})),
    "many limits": ("/v1/plans", json.dumps({"limits": {f"ai{k}": {} for k in range(4000)}})),
    "a long whole number": ("/v1/plans", '{"seed": %s}' % ("9" * (SMALL - 100))),
    "a long fraction": ("/v1/plans", '{"goal": {"min_grade": 1.%s}}' % ("9" * (SMALL - 100))),
    "a long exponent": ("/v1/plans", '{"goal": {"min_grade": 1e%s}}' % ("9" * (SMALL - 100))),
    "long escapes": ("/v1/plans", '{"line": "%s"}' % ("\\u0316\\u0300" * 5000)),
    "rows of ever other keys": ("/v1/runs", keys(4500)),
    "empty rows": ("/v1/runs", f"[{'{},' * 20000}{{}}]"),
    "a long text in a number": ("/v1/runs", json.dumps([{"line": "a", "air": "1 " * 30000}])),
    "a long time": ("/v1/runs", json.dumps([{"line": "a", "started_at": "1:" * 30000}])),
}


@pytest.mark.parametrize("named", MUCH)
def test_small_documents_that_hold_much_are_refused(unchanged, named):
    path, body = MUCH[named]
    assert len(body) <= SMALL
    answer = unchanged.post(path, content=body, headers=JSON)
    assert answer.status_code == 200 or fault(answer) is None, answer.text
    if answer.status_code == 200:
        assert (answer.json()["added"], answer.json()["rejected"]) == (0, 1)


def test_rows_have_so_many_different_keys_together(unchanged):
    answer = unchanged.post("/v1/runs", content=keys(MOST_COLUMNS + 1), headers=JSON)
    assert answer.status_code == 422
    assert f"more than {MOST_COLUMNS} different keys" in answer.json()["detail"]
