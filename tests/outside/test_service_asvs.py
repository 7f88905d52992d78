"""The service against the OWASP Application Security Verification Standard (ASVS) 5.0.0.

Each test names the requirement that it checks. The texts were read in the standard's own list,
``5.0/docs_en/OWASP_Application_Security_Verification_Standard_5.0.0_en.csv`` of the repository
OWASP/ASVS at commit fe04986 (19 July 2026), levels 1 and 2. Here are those on sessions, cookies,
headers, tokens, access and logging that apply; the last comment lists those that are not met.

The secure headers are those of the OWASP Secure Headers Project, ``ci/headers_add.json`` and
``ci/headers_remove.json`` of its repository OWASP/www-project-secure-headers at commit a4a0900
(16 August 2026; values of 19 July 2026).
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import datetime, timedelta
from types import SimpleNamespace

import pytest
from starlette.testclient import TestClient

from optimizer import new_token, revoke_token, verify_audit
from optimizer.history.snapshot import Snapshot
from optimizer.service.admission import guard, sessions, token_changes
from optimizer.service.admission.access import Access
from optimizer.service.admission.current_tokens import CurrentTokens
from optimizer.service.admission.form_key import stored_form_key
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.exchange.log_lines import JsonLines
from optimizer.service.http.app import create_app
from optimizer.service.pages.shared.rendering import NAVIGATION
from tests.service.test_service import SITE, bearer, clock, row

__all__ = ["clock"]  # fixture

HTML = {"Accept": "text/html"}
PATHS = ("/", "/runs", "/v1/history", "/health", "/none", "/static/page.js", "/sign-in")


@pytest.fixture(scope="module", autouse=True)
def many_guesses():
    """Tests sign in more often than a person; that guesses are limited has a test of its own."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(guard, "SIGN_INS_A_MINUTE", 10_000)
        patch.setattr(guard, "REFUSALS_A_MINUTE", 10_000)
        yield


@pytest.fixture(scope="module")
def service(tmp_path_factory, many_guesses):
    """A service behind TLS with two people; its client, its folder and their tokens."""
    folder = tmp_path_factory.mktemp("asvs")
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    file = folder / "tokens.toml"
    people = {name: new_token(file, name, role).token
              for name, role in (("Ana", "record"), ("Ben", "read"))}  # fmt: skip
    options = Configuration(
        str(folder / "history"), str(folder / "site.toml"), secure=True, rate=0, planners=0
    )
    app = create_app(options, Access({}, b"k" * 32, CurrentTokens(file)))
    with TestClient(
        app, base_url="https://testserver", raise_server_exceptions=False, follow_redirects=False
    ) as client:
        client.post("/v1/runs", json=[row(k) for k in range(3)], headers=bearer(people["Ana"]))
        yield SimpleNamespace(
            client=client, folder=options.folder, file=file, people=people, options=options, app=app
        )


@pytest.fixture
def browser(service):
    """A browser without cookies."""
    service.client.cookies.clear()
    yield service.client
    service.client.cookies.clear()


def sign_in(client, token: str):
    client.headers.pop("authorization", None)
    done = client.post("/sign-in", data={"token": token})
    assert done.status_code == 303, done.text
    return done


def trail(service) -> list[dict]:
    lines = (service.folder / "audit.jsonl").read_text("utf-8").splitlines()
    return [json.loads(line) for line in lines]


def form_token(page: str) -> str:
    return re.search(r'name="form_token" value="([0-9a-f]+)"', page)[1]


# -- V3 web frontend: cookies --------------------------------------------------------------------


def test_3_3_1_and_3_3_3_cookies_are_secure_and_of_this_host_only(service, browser):
    name, _, rest = sign_in(browser, service.people["Ana"]).headers["set-cookie"].partition("=")
    assert name.startswith("__Host-")
    flags = rest.split("; ")[1:]
    assert {"Secure", "Path=/"} <= set(flags)
    assert not [flag for flag in flags if flag.startswith("Domain")]


def test_3_3_3_a_cookie_that_another_host_of_the_domain_set_does_not_count(service, browser):
    sign_in(browser, service.people["Ana"])
    (number,) = browser.cookies.values()
    browser.cookies.clear()
    browser.cookies.set("highside_session", number)
    assert browser.get("/runs", headers=HTML).status_code == 401


def test_3_3_2_cookies_go_to_this_site_only(service, browser):
    assert "SameSite=Strict" in sign_in(browser, service.people["Ana"]).headers["set-cookie"]


def test_3_3_4_scripts_cannot_read_the_session(service, browser):
    done = sign_in(browser, service.people["Ana"])
    assert "HttpOnly" in done.headers["set-cookie"].split("; ")
    (number,) = browser.cookies.values()
    assert number not in browser.get("/runs", headers=HTML).text


# -- V3 web frontend: headers --------------------------------------------------------------------


@pytest.mark.parametrize("path", PATHS)
def test_3_4_headers(service, browser, path):
    found = browser.get(path, headers={**HTML, **bearer(service.people["Ana"])}).headers
    # 3.4.1: at least a year, and all subdomains.
    age = re.fullmatch(r"max-age=(\d+); includeSubDomains", found["strict-transport-security"])
    assert int(age[1]) >= 365 * 24 * 3600
    # 3.4.2: no other origin may read an answer.
    assert "access-control-allow-origin" not in found
    # 3.4.3: object-src (here by default-src) and base-uri are none; no inline code by name.
    policy = {each.split()[0]: each.split()[1:] for each in
              found["content-security-policy"].split("; ")}  # fmt: skip
    assert policy.get("object-src", policy["default-src"]) == ["'none'"]
    assert policy["base-uri"] == ["'none'"]
    assert "unsafe" not in found["content-security-policy"]
    assert found["x-content-type-options"] == "nosniff"  # 3.4.4
    assert found["referrer-policy"] in ("no-referrer", "same-origin")  # 3.4.5
    assert policy["frame-ancestors"] == ["'none'"]  # 3.4.6


SECURE_HEADERS = {
    "Cross-Origin-Embedder-Policy": "require-corp",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "Strict-Transport-Security": "max-age=63072000; includeSubDomains",
    "X-Content-Type-Options": "nosniff",
    "X-DNS-Prefetch-Control": "off",
    "X-Frame-Options": "deny",
    "X-Permitted-Cross-Domain-Policies": "none",
}
REMOVED = ("Server", "X-Powered-By", "Powered-By", "Product", "SourceMap", "X-Runtime", "Via")


@pytest.mark.parametrize("path", ["/", "/v1/history", "/health", "/none"])
def test_secure_headers_project(service, browser, path):
    found = browser.get(path, headers={**HTML, **bearer(service.people["Ana"])}).headers
    assert {name: found.get(name) for name in SECURE_HEADERS} == SECURE_HEADERS
    # The history may be kept, by this person's browser alone, and is asked for again each time.
    assert found["Cache-Control"] in ("no-store", "private, no-cache")
    assert {"camera=()", "microphone=()", "geolocation=()", "payment=()", "usb=()"} <= set(
        found["Permissions-Policy"].split(", ")
    )
    assert not [name for name in REMOVED if name in found]


def test_secure_headers_project_signing_out_clears_the_browser(service, browser):
    sign_in(browser, service.people["Ana"])
    token = form_token(browser.get("/runs", headers=HTML).text)
    done = browser.post("/sign-out", data={"form_token": token})
    assert done.headers["clear-site-data"] == '"cache","cookies","storage"'


# -- V3 web frontend: requests of other sites ----------------------------------------------------

FOREIGN = [
    {"Sec-Fetch-Site": "cross-site"},
    {"Sec-Fetch-Site": "same-site"},
    {"Sec-Fetch-Site": "cross-site", "Origin": "https://testserver"},
    {"Origin": "https://evil.example"},
    {"Origin": "https://testserver.evil.example"},
    {"Origin": "https://[evil"},
    {"Origin": "null"},
]
OWN = [
    {},
    {"Sec-Fetch-Site": "same-origin", "Origin": "null"},
    {"Sec-Fetch-Site": "none"},
    {"Origin": "https://testserver"},
    {"Origin": "https://TESTSERVER"},
]


@pytest.mark.parametrize("headers", FOREIGN)
def test_3_5_1_a_page_of_another_site_signs_nobody_in(service, browser, headers):
    refused = browser.post(
        "/sign-in", data={"token": service.people["Ana"]}, headers={**HTML, **headers}
    )
    assert refused.status_code == 403
    assert not browser.cookies
    assert trail(service)[-1]["why"] == "other-site"


@pytest.mark.parametrize("headers", OWN)
def test_3_5_1_the_service_s_own_page_signs_in(service, browser, headers):
    done = browser.post("/sign-in", data={"token": service.people["Ana"]}, headers=headers)
    assert done.status_code == 303


def test_3_5_1_the_page_for_signing_in_lets_old_browsers_name_its_origin(service, browser):
    for path in ("/sign-in", "/"):
        assert browser.get(path, headers=HTML).headers["referrer-policy"] == "same-origin"


def test_3_5_1_a_form_without_the_token_of_its_page_is_refused(service, browser):
    sign_in(browser, service.people["Ana"])
    for given in ({}, {"form_token": ""}, {"form_token": "0" * 64}):
        assert browser.post("/record", data=given, headers=HTML).status_code == 403


def test_3_5_3_nothing_is_changed_by_a_get(service, browser):
    """Each route that the service describes and that changes something has another method."""
    safe = [
        (path, method)
        for path, methods in service.app.openapi()["paths"].items()
        for method in methods
        if method in ("get", "head")
        and re.search(r"/(cancel|record|start|skip|close|restore|sign-out|result)$", path)
    ]
    assert not safe
    before = browser.get("/v1/history", headers=bearer(service.people["Ana"])).json()["version"]
    for path in ("/sign-out", "/record", "/batches/issue", "/upload"):
        browser.get(path, headers=bearer(service.people["Ana"]))
    after = browser.get("/v1/history", headers=bearer(service.people["Ana"])).json()["version"]
    assert before == after


# -- V6 authentication ---------------------------------------------------------------------------


def test_6_2_6_and_6_2_7_the_token_is_masked_and_may_be_pasted(browser):
    (field,) = re.findall('<input[^>]*name="token"[^>]*>', browser.get("/sign-in").text)
    assert 'type="password"' in field
    assert 'autocomplete="current-password"' in field
    assert "onpaste" not in field


def test_6_3_1_guesses_are_limited(service, tmp_path, clock, monkeypatch):
    monkeypatch.setattr(guard, "SIGN_INS_A_MINUTE", 10)
    monkeypatch.setattr(guard, "REFUSALS_A_MINUTE", 60)
    app = create_app(
        replace(service.options, state=str(tmp_path)),
        Access({}, b"k" * 32, CurrentTokens(service.file)),
    )
    with TestClient(app, follow_redirects=False) as client:
        answers = [client.post("/sign-in", data={"token": f"guess-{k}"}) for k in range(30)]
        assert [a.status_code for a in answers] == [403] * 10 + [429] * 20
        assert int(answers[-1].headers["retry-after"]) >= 1
        # Tokens that are guessed in a header are limited, too.
        guessed = [client.get("/v1/history", headers=bearer(f"g{k}")) for k in range(80)]
        assert {a.status_code for a in guessed[guard.REFUSALS_A_MINUTE :]} == {429}


def test_6_3_2_there_is_no_default_account(monkeypatch, tmp_path):
    for variable in ("HIGHSIDE_TOKEN", "HIGHSIDE_READ_TOKEN"):
        monkeypatch.delenv(variable, raising=False)
    assert not Access.from_environment().known
    with pytest.raises(Exception, match="does not exist"):
        Access.from_environment(str(tmp_path / "tokens.toml"))


# -- V7 sessions ---------------------------------------------------------------------------------


def test_7_2_1_and_7_2_2_a_session_is_a_number_that_the_service_checks(service, browser):
    sign_in(browser, service.people["Ana"])
    (first,) = browser.cookies.values()
    assert service.people["Ana"] not in first
    browser.cookies.clear()
    sign_in(browser, service.people["Ana"])
    (second,) = browser.cookies.values()
    assert first != second
    for forged in (first[:-1] + ("A" if first[-1] != "A" else "B"), "", "A" * 43, "../../x"):
        browser.cookies.clear()
        browser.cookies.set("__Host-highside_session", forged)
        assert browser.get("/runs", headers=HTML).status_code == 401


def test_7_2_3_a_session_has_at_least_128_bits_of_a_secure_generator(service, browser, monkeypatch):
    asked = []
    drawn = sessions.secrets.token_urlsafe

    def watched(size: int) -> str:
        asked.append(8 * size)
        return drawn(size)

    # ``secrets`` is the standard library's generator for secrets.
    monkeypatch.setattr("optimizer.service.admission.sessions.secrets.token_urlsafe", watched)
    sign_in(browser, service.people["Ana"])
    assert max(asked) >= 128
    (number,) = browser.cookies.values()
    assert len(number) >= 128 / 6


def test_7_2_4_signing_in_again_ends_the_session_before(service, browser):
    sign_in(browser, service.people["Ana"])
    (first,) = browser.cookies.values()
    sign_in(browser, service.people["Ben"])
    assert browser.get("/runs", headers=HTML).status_code == 200
    browser.cookies.clear()
    browser.cookies.set("__Host-highside_session", first)
    assert browser.get("/runs", headers=HTML).status_code == 401


@pytest.fixture
def later(monkeypatch):
    """A clock of the sessions that a test moves forward."""
    real, shift = sessions.time.time, SimpleNamespace(seconds=0.0)
    moved = SimpleNamespace(time=lambda: real() + shift.seconds)
    monkeypatch.setattr("optimizer.service.admission.sessions.time", moved)
    return shift


def test_7_3_1_a_session_ends_after_four_hours_without_a_request(service, browser, later):
    sign_in(browser, service.people["Ana"])
    later.seconds = 4 * 3600 - 60
    assert browser.get("/runs", headers=HTML).status_code == 200
    later.seconds = 4 * 3600 + 60
    assert browser.get("/runs", headers=HTML).status_code == 401


def test_7_3_2_a_session_ends_after_twelve_hours(service, browser, later, monkeypatch):
    monkeypatch.setattr(sessions, "IDLE_SECONDS", 10**9)
    sign_in(browser, service.people["Ana"])
    later.seconds = 12 * 3600 - 60
    assert browser.get("/runs", headers=HTML).status_code == 200
    later.seconds = 12 * 3600 + 60
    assert browser.get("/runs", headers=HTML).status_code == 401


def test_7_4_1_signing_out_ends_the_session_in_the_service(service, browser):
    sign_in(browser, service.people["Ana"])
    (number,) = browser.cookies.values()
    token = form_token(browser.get("/runs", headers=HTML).text)
    browser.post("/sign-out", data={"form_token": token})
    browser.cookies.clear()
    browser.cookies.set("__Host-highside_session", number)
    assert browser.get("/runs", headers=HTML).status_code == 401


def test_7_4_2_and_7_4_5_revoking_a_token_ends_all_sessions_of_its_owner(service, browser):
    token = new_token(service.file, "Cem", "read").token
    numbers = []
    for _ in range(2):
        browser.cookies.clear()
        sign_in(browser, token)
        numbers += browser.cookies.values()
    revoke_token(service.file, "Cem")
    for number in numbers:
        browser.cookies.clear()
        browser.cookies.set("__Host-highside_session", number)
        assert browser.get("/runs", headers=HTML).status_code == 401


def test_7_4_4_every_page_has_a_button_for_signing_out(service, browser):
    sign_in(browser, service.people["Ana"])
    for _, address, _ in NAVIGATION:
        assert 'action="/sign-out"' in browser.get(address, headers=HTML).text, address


def test_7_6_2_no_page_signs_in_by_itself(service, browser):
    for path in PATHS:
        browser.get(path, headers=HTML)
    assert not [name for name in browser.cookies if "session" in name]


# -- V8 access -----------------------------------------------------------------------------------


def test_8_2_1_and_8_3_1_a_reader_can_call_no_function_that_records(service, browser):
    """Every described operation that is not safe, with the token of a reader."""
    may = {"/v1/plans", "/v1/jobs/{job}"}  # planning is reading; a job may be one's own
    for path, methods in service.app.openapi()["paths"].items():
        for method in methods:
            if method in ("get", "head") or path in may:
                continue
            address = re.sub(r"\{[a-z_]+\}", "1", path)
            refused = browser.request(
                method, address, json={"reason": "x"}, headers=bearer(service.people["Ben"])
            )
            assert refused.status_code == 403, (method, path, refused.text)


# -- V11 cryptography, V13 secrets ---------------------------------------------------------------


def test_11_4_1_and_11_5_1_tokens_are_random_and_kept_as_sha_256(service):
    assert 8 * token_changes.TOKEN_BYTES >= 128
    made = [new_token(service.file, f"p{k}", "read") for k in range(3)]
    assert len({each.token for each in made}) == 3
    assert all(len(each.token) >= 128 / 6 for each in made)
    assert all(re.fullmatch("[0-9a-f]{64}", each.entry.sha256) for each in made)


def test_13_3_2_only_the_owner_may_read_secrets(service, browser):
    sign_in(browser, service.people["Ana"])
    stored_form_key(service.folder)
    secret = [service.file, service.folder / "form-key", service.folder / "audit.jsonl",
              service.folder / "audit.count", *(service.folder / "sessions").iterdir()]  # fmt: skip
    assert {path.stat().st_mode & 0o777 for path in secret} == {0o600}


# -- V16 logging ---------------------------------------------------------------------------------


def test_16_2_1_and_16_2_2_an_entry_says_when_where_who_and_what_in_utc(service, browser):
    browser.get("/v1/history", headers=bearer("unknown"))
    for entry in trail(service):
        at = datetime.fromisoformat(entry["at"])
        assert at.utcoffset() == timedelta(0)
        assert {"did", "who", "from", "request"} <= entry.keys()


def test_16_2_4_every_line_of_log_and_trail_is_json(service, browser, caplog):
    with caplog.at_level("INFO", "highside.service"):
        browser.get("/v1/history", headers=bearer(service.people["Ana"]))
    lines = [JsonLines().format(record) for record in caplog.records]
    assert [line for line in lines if json.loads(line)["event"] == "request"]
    assert trail(service)


def test_16_2_5_no_token_or_session_is_logged(service, browser, caplog):
    with caplog.at_level("INFO", "highside.service"):
        sign_in(browser, service.people["Ana"])
        browser.post("/sign-in", data={"token": "a-wrong-token-of-mine"})
        browser.get(f"/v1/history?line={service.people['Ben']}", headers=bearer("another-wrong-1"))
        (number,) = browser.cookies.values()
    said = "".join(JsonLines().format(record) for record in caplog.records)
    said += (service.folder / "audit.jsonl").read_text("utf-8")
    secrets = [*service.people.values(), number, "a-wrong-token-of-mine", "another-wrong-1"]
    assert not [each for each in secrets if each in said]


def test_16_3_1_sign_ins_and_failed_ones_are_logged(service, browser):
    before = len(trail(service))
    sign_in(browser, service.people["Ana"])
    browser.cookies.clear()
    browser.post("/sign-in", data={"token": "wrong"})
    first, second = trail(service)[before:]
    assert (first["did"], first["who"], first["role"]) == ("sign-in", "Ana", "record")
    assert (second["did"], second["who"], second["why"]) == (
        "sign-in-failed", None, "unknown-token"
    )  # fmt: skip


def test_16_3_2_and_16_3_3_refused_requests_are_logged(service, browser):
    before = len(trail(service))
    browser.post("/v1/runs", json=[row(1)], headers=bearer(service.people["Ben"]))
    browser.post("/v1/runs", json=[row(1)], headers={"Sec-Fetch-Site": "cross-site"})
    browser.get("/v1/history", headers=bearer("unknown"))
    found = [(e["status"], e["who"], e["why"]) for e in trail(service)[before:]]
    assert found == [
        (403, "Ben", "read-only"), (403, None, "other-site"), (401, None, "token-needed")
    ]  # fmt: skip


def test_16_4_1_nothing_that_is_sent_makes_a_line_of_its_own(service, browser):
    before = len(trail(service))
    for path in ("/v1/%0A%7B%22did%22:%22record%22%7D", "/a%0D%0Ab%1B[2J", "/%E2%80%AE", "/%FF"):
        browser.get(path)
    content = (service.folder / "audit.jsonl").read_bytes()
    assert len(trail(service)) == before + 4
    assert content.isascii()
    assert not re.search(rb"[\x00-\x09\x0b-\x1f\x7f]", content)


def test_16_4_2_a_change_of_the_trail_is_found(service, tmp_path):
    assert verify_audit(service.folder).sound
    for name in ("audit.jsonl", "audit.count"):
        (tmp_path / name).write_bytes((service.folder / name).read_bytes())
    copy = tmp_path / "audit.jsonl"
    copy.write_bytes(copy.read_bytes().replace(b'"Ana"', b'"Eva"', 1))
    assert not verify_audit(tmp_path).sound


def test_16_5_1_and_16_5_3_a_fault_says_nothing_of_the_inside_and_changes_nothing(
    service, browser, monkeypatch
):
    monkeypatch.setattr(Snapshot, "summary", lambda *_, **__: 1 / 0)
    told = browser.get("/v1/history?line=deck-1", headers=bearer(service.people["Ana"]))
    assert told.status_code == 500
    assert not re.search("Traceback|ZeroDivision|site-packages|[.]py", told.text)
    monkeypatch.setattr(
        "optimizer.service.admission.sessions.Sessions.person", lambda *_: 1 / 0
    )  # a fault of the check itself lets nobody in
    assert browser.get("/runs", headers=HTML).status_code == 500


# Not met, and why: 6.3.3 (a second factor), 7.5.2 (people do not see their own sessions), 16.4.3
# (the trail is not sent to another system: copy it), 11.4.2 (a slow hash of passwords: tokens are
# random, not chosen).
