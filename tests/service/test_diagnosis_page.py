"""The diagnosis in the browser and over HTTP says what the command says, figure by figure."""

from __future__ import annotations

import html
import json
import re

import pytest

from optimizer import Brief, History, Site
from optimizer.diagnostics.diagnosis import diagnose
from optimizer.service.exchange.configuration import Configuration
from tests.service.test_service import SITE, client_of, problem, row
from tests.serving import SECONDS

HTML = {"Accept": "text/html"}
LINE = "deck-1"


def history_rows() -> list[dict]:
    """Twenty-four runs of a line, one of which reads far from the others; two of another line."""
    found = []
    for k in range(24):
        air, tilt = 30 + (7 * k) % 13, 1.5 + 0.25 * ((5 * k) % 7)
        found.append(
            row(k, air=air, side_tilt=tilt, feed_rate=1.8 + 0.1 * (k % 5),
                grade=round(0.97 + 0.0006 * air - 0.002 * tilt, 4),
                recovery=round(0.95 - 0.004 * (air - 36) ** 2 / 4 - 0.01 * tilt, 4),
                started_at=f"2026-03-{1 + k % 24:02d}T06:30:00Z", grade_count=400)
        )  # fmt: skip
    found[7] |= {"grade": 0.90, "recovery": 0.70, "run_id": "odd one/7"}
    return [*found, row(50, line="b"), row(51, line="b", air=40)]


@pytest.fixture(scope="module")
def client(tmp_path_factory):
    folder = tmp_path_factory.mktemp("diagnosis")
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    options = Configuration(str(folder / "history"), str(folder / "site.toml"), rate=0, planners=0)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("optimizer.service.pages.shared.waiting.PATIENCE", SECONDS)
        patch.setattr("optimizer.model.surrogate.MEMBERS", ())
        with client_of(options, **HTML) as made:
            made.post("/v1/runs", json=history_rows())
            made.options = options
            yield made


def text_of(page: str, section: str = "") -> str:
    """The text of a page, or of one of its sections, without tags and with single spaces."""
    if section:
        (page,) = re.findall(rf'<section id="{section}">(.*?)</section>', page, re.S)
    page = re.sub("</?(a|b|span)( [^>]*)?>", "", page)  # these end no word
    return " ".join(html.unescape(re.sub("<[^>]*>", " ", page)).split())


def test_it_equals_the_answer_of_the_command(client, run):
    served = client.get("/v1/diagnosis", params={"line": LINE, "min_grade": "98%"}).content
    options = ["--history", client.options.history, "--site", client.options.site]
    code, printed, _ = run("diagnose", "--line", LINE, "--min-grade", "98%", "--json", *options)
    assert code == 0
    assert served.decode() == printed
    found = diagnose(History(client.options.history), Site(), Brief(line=LINE))
    assert found.as_dict()["doubtful"]


def test_the_page_says_every_figure_of_the_answer(client):
    found = client.get("/v1/diagnosis", params={"line": LINE, "min_grade": "98%"}).json()
    page = client.get("/diagnosis", params={"line": LINE, "min_grade": "98"}).text
    (line,) = found["lines"]
    assert (
        f"Basis: {line['runs']} runs, {line['measured']} of them measured, at "
        f"{line['set_points']} set-points; version {found['history_version']} of the history."
    ) in text_of(page)
    assert line["description"]["says"] in text_of(page, "favored")
    matters = text_of(page, "sensitivity")
    for effect in found["sensitivity"]:
        total = {q: effect["indices"][q]["total"] for q in ("grade", "recovery")}
        shares = [
            f"{100 * max(0, t['mean']):.0f} ({100 * max(0, t['low']):.0f} to {100 * t['high']:.0f})"
            for t in total.values()
        ]
        name, tried = effect["setting"].replace("_", " "), effect["tried"]
        assert (
            f"{name} {tried['low']:g} to {tried['high']:g} {effect['unit']} "
            f"{shares[0]} {shares[1]} {effect['in_words']}"
        ) in matters
    noise = text_of(page, "noise")
    for name, n in line["noise"].items():
        if name != "unit":
            assert f"{name.capitalize()}: {100 * n['reading_sd']:.2f} points" in noise
    held = text_of(page, "coverage")
    for name in ("grade", "recovery"):
        f = line["calibration"][name]
        assert f"held {100 * f['coverage']:.1f} % of the readings" in held
        assert f"it is {100 * f['mean_width']:.1f} points wide" in held
    drift = text_of(page, "drift")
    assert found["drift"]
    for d in found["drift"]:
        slope, error = 700 * d["per_day"], 700 * 1.645 * d["per_day_se"]
        assert f"{slope:+.2f} ±{error:.2f} points a week" in drift
    unknown = text_of(page, "unknown")
    assert f"informative about {100 * line['unexplored']['known_share']:.0f} %" in unknown
    for gap in line["unexplored"]["gaps"]:
        assert f"{gap['low']:g} to {gap['high']:g} {gap['unit']} was never tried" in unknown
    assert line["unexplored"]["gaps"]
    for option in line["sampling"]["options"]:
        assert f"with {option['sampling']}: ±{100 * option['half_width']:.1f} points" in unknown
    for warning in line["warnings"]:
        assert warning in unknown


def test_each_doubtful_run_leads_to_the_page_of_the_run(client):
    found = client.get("/v1/diagnosis", params={"line": LINE}).json()
    assert "odd one/7" in [d["run_id"] for d in found["doubtful"]]
    page = client.get("/diagnosis", params={"line": LINE}).text
    assert '<a href="/runs/odd%20one%2F7?line=deck-1">odd one/7</a>: ' in page
    assert page.count('<a href="/runs/') == len(found["doubtful"])
    told = text_of(page, "doubtful")
    assert all(f"{d['run_id']}: {d['reason']}." in told for d in found["doubtful"])


def test_without_a_line_the_page_asks_for_one_and_makes_nothing(client):
    jobs = client.app.state.parts.jobs
    before = jobs.jobs()
    page = client.get("/diagnosis").text
    assert "What the history says of a line" in page
    assert '<option value="b">b</option>' in page
    assert "Basis:" not in page
    assert jobs.jobs() == before


def test_too_few_runs_are_said(client):
    page = client.get("/diagnosis?line=b").text
    assert "Nothing can be diagnosed yet. b: 2 measured runs" in text_of(page)
    assert client.get("/v1/diagnosis?line=b").json()["skipped"][0]["line"] == "b"


@pytest.mark.parametrize(
    ("query", "field", "said"),
    [
        ({"min_grade": "0.98"}, "min_grade", "write per cent"),
        ({"m.moisture": "wet"}, "m.moisture", "is not a number"),
    ],
)
def test_a_fault_stands_beside_its_field_and_nothing_is_lost(client, query, field, said):
    page = client.get("/diagnosis", params={"line": "b", **query})
    assert page.status_code == 422
    (box,) = re.findall(f'<input name="{field}"[^>]*>', page.text)
    assert f'value="{query[field]}"' in box
    assert 'aria-invalid="true"' in box
    (told,) = re.findall('aria-describedby="([^"]*)"', box)
    (text,) = re.findall(rf'id="{told.split()[0]}">([^<]*)<', page.text)
    assert said in text
    assert '<option value="b" selected>' in page.text


def test_a_line_without_runs_is_refused_on_its_form(client):
    page = client.get("/diagnosis?line=nowhere&min_grade=98")
    assert page.status_code == 422
    assert 'role="alert"' in page.text
    assert "nowhere" in page.text
    assert 'name="min_grade" inputmode="decimal" value="98"' in page.text
    refused = client.get("/v1/diagnosis?line=nowhere")
    assert "nowhere" in problem(refused, 422, json.loads(refused.text)["code"])["detail"]
