"""The comparison of lines in the browser says what the command says, figure by figure."""

from __future__ import annotations

import html
import json
import re

import pytest

from optimizer.service.exchange.configuration import Configuration
from optimizer.text.figures import whole_percent
from optimizer.text.money import season_value
from optimizer.text.todays_material import property_text
from tests.service.test_diagnosis_page import text_of
from tests.service.test_page import fields
from tests.service.test_service import SITE, client_of, problem, row
from tests.serving import SECONDS

HTML = {"Accept": "text/html"}
FRACTIONS = "line,density_low [g/cm3],density_high [g/cm3],mass_product,mass_reject\n" + "".join(
    f"{line},{1.0 + 0.05 * k:.2f},{1.05 + 0.05 * k:.2f},{share},{100 - share}\n"
    for line, shares in (("a", (3, 12, 48, 86, 97)), ("b", (8, 25, 52, 70, 93)))
    for k, share in enumerate(shares)
)


def rows_of(line: str, shift: int) -> list[dict]:
    """Sixteen runs of a line; ``shift`` moves the air at which it recovers most."""
    found = []
    for k in range(16):
        air, tilt = 32 + (7 * k) % 11, 1.5 + 0.25 * ((5 * k) % 7)
        found.append(
            row(k, line=line, run_id=f"{line}{k}", air=air, side_tilt=tilt, moisture=11.0,
                feed_grade=0.93,
                grade=round(0.96 + 0.0008 * (air - 30) + 0.001 * tilt, 4),
                recovery=round(0.95 - 0.002 * (air - 36 - shift) ** 2 - 0.01 * tilt, 4),
                started_at=f"2026-03-{1 + k:02d}T06:30:00Z", grade_count=400)
        )  # fmt: skip
    return found


@pytest.fixture(scope="module")
def client(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lines")
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    (folder / "fractions.csv").write_text(FRACTIONS, encoding="utf-8")
    options = Configuration(str(folder / "history"), str(folder / "site.toml"), rate=0, planners=0)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("optimizer.service.pages.shared.waiting.PATIENCE", SECONDS)
        patch.setattr("optimizer.model.surrogate.MEMBERS", ())
        with client_of(options, **HTML) as made:
            rows = [*rows_of("a", 0), *rows_of("b", 3), row(90, line="c")]
            made.post("/v1/runs", json=rows)
            made.options, made.folder = options, folder
            yield made


def printed(client, run, *arguments: str) -> dict:
    """The answer of the command, as JSON."""
    where = ["--history", client.options.history, "--site", client.options.site]
    _, out, said = run("compare", "--json", *where, *arguments)
    assert out, said
    return json.loads(out)


def press(client, file: str | None = None, **typed):
    """Fill in the form as a browser without a script would, and press the button."""
    page = client.get("/lines").text
    (form,) = re.findall(r'<form class="today" method="post"[^>]*>(.*?)</form>', page, re.S)
    empty = {k: v for k, v in fields(form).items() if k not in ("lines", "anonymous", "file")}
    files = {"file": ("fractions.csv", file) if file is not None else ("", "")}
    return client.post("/lines", data={**empty, **typed}, files=files)


def shown(interval: dict) -> str:
    return "{:.1f} ({:.1f} to {:.1f})".format(*(100 * interval[k] for k in ("mean", "low", "high")))


def check_figures(page: str, found: dict) -> None:
    """Check every figure of the comparison that the page has to show."""
    basis = text_of(page, "basis")
    assert f"{len(found['lines'])} line" in basis
    assert f"a grade of {100 * found['basis']['min_grade']:.10g} %" in basis
    assert f"{100 * found['basis']['confidence']:.10g} % sure" in basis
    assert f"fed {found['basis']['feed_rate']:g} t/h" in basis
    for name, value in found["basis"]["material"].items():
        unit = found["material_units"].get(name, "")
        assert f"{name.replace('_', ' ')} {property_text(value, unit)}" in basis
    (table,) = re.findall(r'aria-label="Lines side by side">(.*?)</section>', page, re.S)
    told = [text_of(each) for each in re.findall("<tr>.*?</tr>", table, re.S)][1:]
    assert len(told) == len(found["lines"])
    text = text_of(page)
    for line, cells in zip(found["lines"], told, strict=True):
        now, better = line["current"], line["attainable"]
        reach = shown(better["recovery"]) if better["sure"] else "not sure"
        gap = "–" if line["gap"] is None else shown(line["gap"])
        rank = "–" if line["rank_probability"] is None else whole_percent(line["rank_probability"])
        start = (
            f"{line['rank']}. {line['line']} {shown(now['recovery'])} "
            f"{whole_percent(now['chance_of_grade'])} {reach} "
            f"{whole_percent(better['chance_of_grade'])} {gap} {rank} "
        )
        assert cells.startswith(start), (cells, start)
        for cause in line["causes"]:
            name = cause["setting"].replace("_", " ")
            assert f"{name} {cause['now']:.10g} → {cause['better']:.10g}" in cells
        grade, recovery = (shown(now["as_run"][name]) for name in ("grade", "recovery"))
        assert f"As run: grade {grade} %, recovery {recovery} %" in text
        for warning in line["warnings"]:
            assert warning in text
    for left in found["not_compared"]:
        assert f"{left['line']} is not compared: {left['reason']}" in text
    for warning in found["warnings"]:
        assert warning in text


def test_the_page_says_what_the_command_says(client, run):
    page = press(client, min_grade="96,5", feed_rate="2.0", confidence="80", **{"m.moisture": "11"})
    assert page.status_code == 200
    found = printed(client, run, "--min-grade", "96.5%", "--feed-rate", "2.0",
                    "--confidence", "80%", "--material", "moisture=11")  # fmt: skip
    assert [line["line"] for line in found["not_compared"]] == ["c"]
    assert any(line["causes"] for line in found["lines"])
    check_figures(page.text, found)


def test_prices_letters_and_rank_are_those_of_the_command(client, run):
    typed = {"min_grade": "96.5", "confidence": "80", "price": "3000", "reject_price": "200",
             "hours": "1000", "anonymous": "yes", "ranked_by": "gap"}  # fmt: skip
    page = press(client, **typed, lines=["a", "b"])
    options = "--price 3000 --reject-price 200 --hours 1000 --anonymous --rank-by gap --lines a,b"
    found = printed(client, run, "--min-grade=96.5%", "--confidence=80%", *options.split())
    check_figures(page.text, found)
    assert sorted(line["line"] for line in found["lines"]) == ["line A", "line B"]
    assert "Ranked by the gap" in page.text
    valued = [line for line in found["lines"] if "value_per_season" in line]
    assert valued
    for line in valued:
        value = line["value_per_season"]
        told = season_value(value, found)
        assert told in text_of(page.text)
    query = {"min_grade": 0.965, "confidence": 0.8, "price": 3000, "reject_price": 200,
             "hours": 1000, "anonymous": True, "rank_by": "gap", "lines": ["a", "b"]}  # fmt: skip
    assert client.get("/v1/comparison", params=query).json() == found
    jobs = client.app.state.parts.jobs.jobs()
    assert len({job["id"] for job in jobs}) == len(jobs)


def test_density_fractions_are_kept_for_the_address_of_the_answer(client, run):
    page = press(client, FRACTIONS, min_grade="96.5", lines=["a", "b"])
    assert page.status_code == 200
    file = str(client.folder / "fractions.csv")
    found = printed(client, run, "--min-grade", "96.5%", "--lines", "a,b", "--fractions", file)
    check_figures(page.text, found)
    split = text_of(page.text, "partition")
    for curve in found["partition"]["lines"]:
        cut, error = (
            "{mean:.4g} ({low:.4g} to {high:.4g})".format(**curve[key])
            for key in ("cut_density", "probable_error")
        )
        chance = whole_percent(curve["chance_sharpest"])
        assert f"{curve['line']} {cut} {error} {chance}" in split
    assert client.get(str(page.url)).text.count("Split by density") == 1
    (form,) = re.findall(r'<form class="today"[^>]*>(.*?)</form>', page.text, re.S)
    kept = fields(form)["fractions"]
    without = press(client, min_grade="96.5", fractions=kept, without="yes")
    assert "Split by density" not in without.text
    assert "fractions=" not in str(without.url)


@pytest.mark.parametrize(
    ("file", "said"),
    [
        ("", "empty"),
        ("line,density_low\na,1\n", "no column for"),
        (FRACTIONS.replace("a,1.10,1.15", "a,1.10,1.00"), "is not below density_high"),
        (FRACTIONS.replace("a,1.00", ",1.00"), "the line is missing"),
    ],
)
def test_a_faulty_file_of_fractions_is_refused_beside_its_field(client, file, said):
    page = press(client, file, min_grade="96.5", price="12")
    assert page.status_code == 422
    (fault,) = re.findall('<p class="fault" id="fault-fractions">(.*?)</p>', page.text, re.S)
    assert said in fault
    assert str(client.folder) not in page.text
    assert 'name="min_grade" inputmode="decimal" value="96.5"' in page.text


@pytest.mark.parametrize(
    ("typed", "field", "said"),
    [
        ({"min_grade": "0.985"}, "min_grade", "write per cent"),
        ({"feed_rate": "-2"}, "feed_rate", "above 0"),
        ({"feed_rate": "1,500"}, "feed_rate", "is not a number"),
        ({"price": "3000"}, "hours", "go together"),
        ({"hours": "1000"}, "price", "go together"),
        ({"m.moisture": "wet"}, "m.moisture", "is not a number"),
    ],
)
def test_a_fault_stands_beside_its_field_and_nothing_is_lost(client, typed, field, said):
    page = press(client, confidence="80", **typed)
    assert page.status_code == 422
    (box,) = re.findall(f'<input name="{field}"[^>]*>', page.text)
    assert 'aria-invalid="true"' in box
    told = re.findall('aria-describedby="([^"]*)"', box)[0].split()[0]
    (text,) = re.findall(rf'id="{told}">([^<]*)<', page.text)
    assert said in html.unescape(text)
    for name, value in {"confidence": "80", **typed}.items():
        assert f'name="{name}" inputmode="decimal" value="{value}"' in page.text


def test_fractions_that_are_not_kept_are_asked_for_again(client):
    for name in ("0" * 32, "../site"):
        page = client.get("/lines", params={"min_grade": "96.5", "fractions": name})
        assert page.status_code == 422
        assert "is not kept any more" in page.text


def test_an_unknown_line_is_refused_on_the_form(client):
    page = client.get("/lines?lines=nowhere&min_grade=96.5")
    assert page.status_code == 422
    assert 'role="alert"' in page.text
    assert "nowhere" in page.text


def test_without_a_press_the_page_compares_nothing(client):
    before = client.app.state.parts.jobs.jobs()
    page = client.get("/lines").text
    assert "Lines side by side" not in page
    assert client.app.state.parts.jobs.jobs() == before


def test_a_foreign_form_is_refused(client):
    sent = client.post("/lines", data={"form_token": "x"}, files={"file": ("", "")},
                       headers={"Accept": "*/*"})  # fmt: skip
    problem(sent, 403, "other-form")


def test_price_and_hours_go_together_over_http_too(client):
    problem(client.get("/v1/comparison?price=3"), 422, "price-without-hours")
    problem(client.get("/v1/comparison?rank_by=luck"), 422, "invalid-value")
