"""The service against independent clients and published rules.

- Its own OpenAPI document, exercised by schemathesis (generated and damaged requests, and chains of
  requests along the links that the answers have; seed 7).
- The headers that the OWASP Secure Headers Project proposes (page "Best Practices", recommended
  values, read from memory: X-Content-Type-Options nosniff, X-Frame-Options deny,
  X-Permitted-Cross-Domain-Policies none, Referrer-Policy no-referrer, Cross-Origin-Opener-Policy
  same-origin, Cross-Origin-Embedder-Policy require-corp, Cross-Origin-Resource-Policy same-origin,
  Cache-Control no-store, a Content-Security-Policy and Permissions-Policy; no Server, no
  X-Powered-By; Strict-Transport-Security with a year under TLS).
- Two people in two browsers: Debian's Chromium, driven by Playwright.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
import urllib.parse
import urllib.request
from pathlib import Path

import pytest

from tests.programs import chromium, needs_chromium
from tests.serving import SECONDS, TOKEN, ask, started

OWASP = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "deny",
    "X-Permitted-Cross-Domain-Policies": "none",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Embedder-Policy": "require-corp",
    "Cross-Origin-Resource-Policy": "same-origin",
}


def row(k: int) -> dict:
    return {
        "run_id": f"r{k}", "line": "deck-1", "feed_rate": 2.0 + k % 3 / 10, "end_raise": 2.4,
        "side_tilt": 2.0, "eccentric_speed": 450, "air": 30 + k, "grade": 0.98 + k / 1000,
        "recovery": 0.95 - k / 100,
    }  # fmt: skip


@pytest.fixture(scope="module")
def port(tmp_path_factory):
    folder = tmp_path_factory.mktemp("service")
    with started(folder) as (_, port):
        ask(port, "/v1/runs", [row(k) for k in range(10)])
        yield port


@pytest.mark.parametrize("path", ["/", "/v1/history", "/health", "/none", "/runs", "/v1/runs"])
def test_headers_are_those_of_the_owasp_list(port, path):
    request = urllib.request.Request(f"http://127.0.0.1:{port}{path}")
    request.add_header("Authorization", f"Bearer {TOKEN}")
    try:
        answer = urllib.request.urlopen(request, timeout=SECONDS)
    except urllib.error.HTTPError as error:
        answer = error
    with answer:
        found = answer.headers
    assert {name: found[name] for name in OWASP} == OWASP
    assert "default-src 'none'" in found["Content-Security-Policy"]
    assert "frame-ancestors 'none'" in found["Content-Security-Policy"]
    assert "unsafe" not in found["Content-Security-Policy"]
    assert found["Permissions-Policy"]
    assert found["Server"] is None
    assert found["X-Powered-By"] is None


def described(port: int, folder: Path, paths: str, *options: str) -> str:
    """The output of schemathesis, which compares the service with its OpenAPI description."""
    command = [
        Path(sys.executable).with_name("schemathesis"), "run",
        f"http://127.0.0.1:{port}/openapi.json",
        "--header", f"Authorization: Bearer {TOKEN}",
        "--checks", "not_a_server_error,status_code_conformance,content_type_conformance,"
        "response_schema_conformance",
        "--include-path-regex", paths,
        "--seed", "7", "--request-timeout", str(SECONDS), *options,
    ]  # fmt: skip
    done = subprocess.run(
        command, cwd=folder, capture_output=True, text=True, check=False,
        env={**os.environ, "NO_COLOR": "1"},
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-6000:]
    return done.stdout


def test_the_service_obeys_its_description(port, tmp_path):
    paths = "^/(health|metrics|v1/(history|changes|runs|plans|jobs|results))"
    described(port, tmp_path, paths, "--phases", "examples,fuzzing", "--max-examples", "6")


def test_chains_of_requests_along_the_links_succeed(port, tmp_path):
    # Chains such as: a plan as a job, the state of the job, its result; a load, then a plan.
    # Only along links of the description, not along links that field names suggest.
    settings = "[phases.stateful.inference]\nalgorithms = []\n"
    (tmp_path / "schemathesis.toml").write_text(settings, encoding="utf-8")
    said = described(
        port, tmp_path, "^/v1/(runs|plans|jobs|results)",
        "--phases", "stateful", "--mode", "positive", "--max-examples", "16",
        "--header", "Prefer: respond-async",
    )  # fmt: skip
    counted = re.search(r"Scenarios: +(\d+)\s+API Links: +(\d+) covered / (\d+) selected", said)
    assert counted, said
    scenarios, covered, selected = map(int, counted.groups())
    assert scenarios >= 16
    # Which links a chain follows depends on the speed of the jobs; the next test follows all links.
    assert covered >= 1
    assert selected == 4


def call(port: int, method: str, path: str, query: dict, body=None) -> tuple[int, dict]:
    """The status of an answer, and what it says where it is JSON."""
    request = urllib.request.Request(
        f"http://127.0.0.1:{port}{path}?{urllib.parse.urlencode(query)}",
        json.dumps(body or {}).encode() if method == "post" else None,
        {"Authorization": f"Bearer {TOKEN}", "Content-Type": "application/json",
         "Prefer": "respond-async"},
        method=method.upper(),
    )  # fmt: skip
    with urllib.request.urlopen(request, timeout=SECONDS) as answer:
        said = answer.read()
        is_json = answer.headers.get_content_type() == "application/json"
        return answer.status, json.loads(said) if is_json else {}


def follow(port: int, description: dict, link: dict, body: dict) -> int:
    """The status of the request that a link of an answer describes."""
    *_, path, method = link["operationRef"].split("/")
    path = path.replace("~1", "/")
    parameters = description["paths"][path][method]["parameters"]
    where = {parameter["name"]: parameter["in"] for parameter in parameters}
    query = {}
    for name, expression in link["parameters"].items():
        value = body[expression.removeprefix("$response.body#/")]
        if where[name] == "path":
            path = path.replace(f"{{{name}}}", str(value))
        else:
            query[name] = value
    return call(port, method, path, query)[0]


def test_every_described_link_can_be_followed(port):
    description = json.loads(ask(port, "/openapi.json"))
    links = [
        (method, path, int(status), link)
        for path, methods in description["paths"].items()
        for method, operation in methods.items()
        for status, answer in operation["responses"].items()
        for link in answer.get("links", {}).values()
    ]
    jobs = []
    for k, (method, path, status, link) in enumerate(links):
        if path == "/v1/runs":
            answered, said = call(port, method, path, {}, [row(20)])
        elif path == "/v1/batches":
            answered, said = call(port, method, path, {})
        elif "{job}" not in path and "{batch}" not in path:
            # A different seed for each link: a stored result would be answered without a job.
            answered, said = call(port, method, path, {"seed": 70_000 + k})
            jobs.append(said["id"])
        else:
            continue
        assert answered == status, path
        assert follow(port, description, link, said) in (200, 202), path
    for job in jobs:
        until = time.monotonic() + SECONDS
        while (said := call(port, "get", f"/v1/jobs/{job}", {})[1])["state"] != "done":
            assert said["state"] in ("waiting", "running"), said
            assert time.monotonic() < until, said
            time.sleep(0.05)
        of_jobs = [link for _, path, _, link in links if "{job}" in path]
        assert [follow(port, description, link, said) for link in of_jobs] == [200, 200]
    assert (len(links), len(jobs)) == (19, 6)


@needs_chromium
def test_two_people_in_two_browsers(port):
    address = f"http://127.0.0.1:{port}/"
    before = json.loads(ask(port, "/v1/history"))["runs"]
    with chromium() as browser:
        said: list[str] = []

        def person(width: int, **more):
            context = browser.new_context(viewport={"width": width, "height": 900}, **more)
            page = context.new_page()
            page.set_default_timeout(1000 * SECONDS)
            page.on("pageerror", lambda error: said.append(str(error)))
            page.on("console", lambda m: said.append(m.text) if "Policy" in m.text else None)
            page.goto(address)
            page.fill("input[name=token]", TOKEN)
            page.click("button")
            page.fill("input[name=min_grade]", "98.2")
            page.fill("input[name=trials]", "2")
            page.click("text=Plan trials")
            page.wait_for_selector(".trials")
            return page

        engineer = person(1280)
        # The tablet at the deck runs without JavaScript, which the main path must allow.
        tablet = person(820, java_script_enabled=False)
        assert engineer.is_hidden("#live")
        tablet.click("#result summary")
        tablet.fill("#result input[name=grade]", "98.4")
        tablet.fill("#result input[name=recovery]", "95.5")
        tablet.click("#result button")
        tablet.wait_for_selector("#changed")
        assert "What the result changed" in tablet.inner_text("#changed")
        # The page of the engineer updates without any action.
        engineer.wait_for_selector("#live", state="visible")
        engineer.click("#live a")
        engineer.wait_for_selector(".trials")
        engineer.click("nav >> text=Runs")
        assert engineer.inner_text("h1 >> nth=0") == f"{before + 1} runs"
        # Large targets: 44 by 44 CSS pixels, WCAG 2.2 success criterion 2.5.5 (level AAA).
        targets = "button, input:not([type=hidden]), select, summary"
        for target in tablet.query_selector_all(targets):
            box = target.bounding_box()
            assert box is None or (box["height"] >= 44 and box["width"] >= 44), box
        for page in (engineer, tablet):
            width = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
            assert width <= 0
    assert not said
