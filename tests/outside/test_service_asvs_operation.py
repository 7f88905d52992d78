"""The service against ASVS 5.0.0 on its operation and its data: chapters 13 and 14.

Source: as of ``test_service_asvs``, levels 1 and 2. Of chapter 12, 12.1.1, 12.1.2 and 12.3.2 are in
``tests/service/test_process.py``; the service itself has no clients' certificates and calls no
other service. Of chapter 13, 13.2.3 is 6.3.2 and 13.3.2 is in ``test_service_asvs``, 13.4.1 and
15.2.3 in ``tests/test_packages.py``; 14.3.1 is the test there of signing out. Documents that the
standard asks for (13.1.1, 14.1.1, 14.1.2, 15.1.1) are sections of ``DEVELOPERS.md``.
"""

from __future__ import annotations

import re
import socket
from pathlib import Path

import pytest

import optimizer.service.pages
from tests.outside.test_service_asvs import HTML, PATHS, browser, many_guesses, service, sign_in
from tests.service.test_service import bearer, row

__all__ = ["browser", "many_guesses", "service"]  # fixtures

STATIC = Path(optimizer.service.pages.__file__).parent / "static"
"""Scripts and styles of the pages."""
PAGES = ("/", "/lines", "/runs", "/versions", "/plant", "/upload", "/v1/history", "/runs.csv")


# -- V13 configuration -----------------------------------------------------------------------------


def test_13_2_4_and_13_2_5_no_request_makes_the_service_connect_to_anything(
    service, browser, monkeypatch
):
    asked = []
    for name in ("connect", "connect_ex"):
        monkeypatch.setattr(socket.socket, name, lambda link, to: asked.append(to))
    monkeypatch.setattr(socket, "getaddrinfo", lambda *where, **_: asked.append(where) or [])
    ana = bearer(service.people["Ana"])
    for path in PAGES:
        assert browser.get(path, headers={**HTML, **ana}).status_code == 200
    pointing = {**row(7), "note": "http://elsewhere.example/x", "material": "file:///etc/passwd"}
    assert browser.post("/v1/runs", json=[pointing], headers=ana).status_code == 200
    for query in ("?back=//elsewhere.example", "?location=s3://elsewhere/history"):
        browser.get(f"/runs{query}", headers={**HTML, **ana})
    assert asked == []
    # A connection would have been seen.
    with pytest.raises(OSError, match="getaddrinfo"):
        socket.create_connection(("elsewhere.example", 80))
    assert asked


def test_13_4_2_no_page_for_finding_faults_is_on(service, browser):
    assert not service.app.debug
    for path in ("/docs", "/redoc", "/debug", "/console"):
        assert browser.get(path, headers=bearer(service.people["Ana"])).status_code == 404


@pytest.mark.parametrize("path", ["/static", "/static/", "/static/%2e%2e/"])
def test_13_4_3_no_folder_is_listed(service, browser, path):
    found = browser.get(path, headers=bearer(service.people["Ana"]))
    assert found.status_code == 404
    assert "page.js" not in found.text


@pytest.mark.parametrize("path", PATHS)
def test_13_4_4_trace_is_refused(service, browser, path):
    sent = {**bearer(service.people["Ana"]), "X-Said": "said-by-the-sender"}
    found = browser.request("TRACE", path, headers=sent)
    assert found.status_code in (404, 405)
    assert "said-by-the-sender" not in found.text


@pytest.mark.parametrize("path", ["/openapi.json", "/metrics"])
def test_13_4_5_description_and_counters_are_for_people_with_a_token(service, browser, path):
    assert browser.get(path).status_code == 401
    assert browser.get(path, headers=bearer(service.people["Ben"])).status_code == 200


# -- V14 data protection ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name", ["token", "access_token", "authorization", "key", "HIGHSIDE_TOKEN"]
)
def test_14_2_1_a_token_in_an_address_admits_nobody_and_is_not_logged(
    service, browser, caplog, name
):
    token = service.people["Ana"]
    with caplog.at_level("DEBUG", "highside"):
        assert browser.get("/v1/history", params={name: token}).status_code == 401
        assert browser.post("/sign-in", params={name: token}).status_code != 303
    assert token not in caplog.text


@pytest.mark.parametrize("path", PAGES)
def test_14_2_2_and_14_3_2_no_cache_keeps_what_needs_a_token(service, browser, path):
    for headers in (bearer(service.people["Ana"]), {}):
        found = browser.get(path, headers={**HTML, **headers}).headers["cache-control"]
        assert found in ("no-store", "private, no-cache")


def test_14_2_3_pages_name_no_other_site(service, browser):
    sign_in(browser, service.people["Ana"])
    for path in PAGES[:6]:
        page = browser.get(path, headers=HTML).text
        assert not re.findall(r'(?:src|href|action)="(?:https?:)?//[^"]*"', page)


def test_14_3_3_the_browser_stores_what_was_typed_and_no_secret():
    # What is typed into a form is kept until it is stored, so that a night's readings outlive a
    # fault of the network; fields of passwords and hidden ones, such as the form's token, are not.
    storing = {
        path.name
        for path in STATIC.rglob("*.js")
        if re.search(r"localStorage|sessionStorage|indexedDB|caches\.", path.read_text("utf-8"))
    }
    assert storing == {"keep.js"}
    kept = (STATIC / "keep.js").read_text("utf-8")
    assert {"hidden", "password", "file"} <= set(
        re.findall(r'"(\w+)"', re.search(r"NOT_KEPT = \[(.*?)\]", kept)[1])
    )
