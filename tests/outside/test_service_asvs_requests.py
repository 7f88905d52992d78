"""The service against ASVS 5.0.0 on requests, answers and files: chapters 1, 3.2, 3.7, 4, 5 and 15.

Source: as of ``test_service_asvs``, levels 1 and 2. Further requirements of these chapters that
apply have their tests elsewhere: 1.2.1 and 1.3.3 in ``tests/service/test_hostile.py`` and
``test_page.py``, 1.2.10 in ``tests/text/test_formulas.py``, 1.3.12 in
``tests/service/test_odd_documents.py``, 1.5.1, 5.2.1 and 5.2.3 in ``tests/intake/test_bombs.py``
and ``tests/service/test_untrusted.py``, 2.2.1 and 2.2.2 in ``test_hostile.py``, 2.3.3 in
``tests/history/test_durability.py``, 2.4.1 in ``tests/service/test_turns.py`` and
``test_connections.py``, 5.3.2 in ``test_uploads.py``.
"""

from __future__ import annotations

import socket
from email.message import Message
from urllib.parse import urlsplit

import pytest

from optimizer.service.pages.history.columns import run_address
from optimizer.service.pages.shared.forms import address_back
from tests.outside.test_service_asvs import (
    HTML,
    PATHS,
    browser,
    many_guesses,
    service,
    trail,
)
from tests.service.test_service import bearer, row
from tests.serving import SECONDS, started

__all__ = ["browser", "many_guesses", "service"]  # fixtures

ELSEWHERE = "203.0.113.9"
"""An address for documentation (RFC 5737)."""


def test_3_2_1_a_file_of_values_is_nothing_that_a_browser_runs(service, browser):
    for path in ("/runs.csv", "/v1/sheet?line=deck-1&form=csv"):
        found = browser.get(path, headers=bearer(service.people["Ana"]))
        assert found.headers["x-content-type-options"] == "nosniff"
        assert found.headers["content-type"].partition(";")[0] == "text/csv"
        assert "default-src 'none'" in found.headers["content-security-policy"]


@pytest.mark.parametrize("back", ["//example.org/", "https://example.org/", "/\\example.org"])
def test_3_7_2_nobody_is_sent_to_another_host(service, browser, back):
    for address in (address_back({"again": back}, None), run_address(back, back)):
        assert not urlsplit(address.replace("\\", "/")).netloc, address
    done = browser.post(f"/sign-in?next={back}", data={"token": service.people["Ana"]})
    assert done.headers["location"] == "/"


@pytest.mark.parametrize("path", [*PATHS, "/openapi.json", "/metrics", "/runs.csv"])
def test_4_1_1_an_answer_states_its_kind_and_that_of_its_characters(service, browser, path):
    for wanted in (HTML, {}):
        found = browser.get(path, headers={**wanted, **bearer(service.people["Ana"])})
        stated = Message()
        stated["content-type"] = found.headers["content-type"]
        if stated.get_content_maintype() == "text":
            assert stated.get_content_charset() == "utf-8"
        found.content.decode("utf-8")
        if stated.get_content_subtype().endswith("json"):
            found.json()


def test_4_1_2_a_program_is_not_sent_on_to_https(service, browser):
    plain = {**bearer(service.people["Ana"]), "X-Forwarded-Proto": "http"}
    assert browser.get("http://testserver/v1/history", headers=plain).status_code == 200


def test_4_1_3_a_sender_cannot_state_another_address(service, browser):
    said = {"X-Forwarded-For": ELSEWHERE, "X-Real-IP": ELSEWHERE, "Forwarded": f"for={ELSEWHERE}"}
    assert browser.post("/v1/runs", json=[row(9)], headers=said).status_code == 401
    assert ELSEWHERE not in str(trail(service)[-1])


def test_5_2_2_a_file_is_what_it_is_said_to_be(service, browser):
    ana = bearer(service.people["Ana"])
    for kind, content in (
        ("application/vnd.apache.parquet", b"line,air\ndeck-1,3\n"),
        ("text/csv", b"PK\x03\x04" + bytes(60)),
        ("application/json", b"line,air\ndeck-1,3\n"),
        ("image/png", b"\x89PNG"),
    ):
        done = browser.post("/v1/runs", content=content, headers={**ana, "Content-Type": kind})
        assert 400 <= done.status_code < 500, kind


def test_5_4_1_and_5_4_2_the_name_of_a_file_is_ours_or_encoded(service, browser):
    ana = bearer(service.people["Ana"])
    found = browser.get("/v1/sheet", params={"line": "deck-1", "form": "csv"}, headers=ana)
    stated = Message()
    stated["content-disposition"] = found.headers["content-disposition"]
    assert stated.get_filename() == "trial-sheet.csv"


def test_15_3_3_and_15_3_7_fields_are_those_known_and_each_is_given_once(service, browser):
    ana = bearer(service.people["Ana"])
    for path, body in (("/v1/plans", '{"line": "deck-1", "role": "record"}'),
                       ("/v1/plans", '{"line": "deck-1", "line": "deck-2"}')):  # fmt: skip
        done = browser.post(path, content=body, headers={**ana, "Content-Type": "application/json"})
        assert done.status_code in (400, 422), body
    assert browser.get("/v1/history?line=a&line=b", headers=ana).status_code == 422


# -- V4.2 message structure, on a connection -------------------------------------------------------

BEGIN = b"POST /v1/plans HTTP/1.1\r\nHost: 127.0.0.1\r\n"
NEXT = b"GET /health HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n"
UNCLEAR = {
    "two lengths": b"Content-Length: 0\r\nContent-Length: 5\r\n\r\n",
    "another coding": b"Transfer-Encoding: xchunked\r\nContent-Length: 0\r\n\r\n",
    "chunks of no length": b"Transfer-Encoding: chunked\r\n\r\nzz\r\n\r\n",
    "a space before the colon": b"Content-Length : 0\r\n\r\n",
    "a length with a sign": b"Content-Length: +0\r\n\r\n",
}


@pytest.fixture(scope="module")
def port(tmp_path_factory):
    with started(tmp_path_factory.mktemp("messages")) as (_, found):
        yield found


def answers(port: int, sent: bytes) -> list[bytes]:
    """The status lines of all answers to what is sent on one connection."""
    with socket.create_connection(("127.0.0.1", port), SECONDS) as link:
        link.sendall(sent)
        found = b"".join(iter(lambda: link.recv(1 << 16), b""))
    return [part.partition(b"\r")[0] for part in found.split(b"HTTP/1.1 ")[1:]]


@pytest.mark.parametrize("named", UNCLEAR)
def test_4_2_1_a_message_of_unclear_length_is_refused_and_nothing_after_it_is_read(port, named):
    assert answers(port, BEGIN + UNCLEAR[named] + NEXT) == [b"400 Bad Request"]


def test_4_2_1_where_chunks_are_stated_their_length_holds(port):
    both = b"Content-Length: 500\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n"
    assert [each[:3] for each in answers(port, BEGIN + both + NEXT)] == [b"401", b"200"]
