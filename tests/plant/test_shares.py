"""98.5 % and 0.985 are equal wherever a share is read: options, briefs, HTTP and page.

The site of these tests has its feed grade in per cent, which is the form that ``init`` writes.
"""

from __future__ import annotations

import json

import numpy as np
import pytest

from optimizer import Brief, History, Site
from optimizer.errors import InputError
from optimizer.intake.settling.load import load_table
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.service.exchange.configuration import Configuration
from tests.service.test_service import client_of

SITE = '[material.feed_grade]\nunit = "%"\nlow = 50\nhigh = 100\n'
BRIEF = """
[goal]
min_grade = "97%"
confidence = "90 %"
[material]
feed_grade = "95.5%"
[trials]
count = 1
[limits.air]
low = 30
high = 60
"""


def rows(line: str) -> list[dict]:
    rng = np.random.default_rng(3)
    settings = GRAVITY_TABLE.low + rng.uniform(0.3, 0.6, (12, 5)) * GRAVITY_TABLE.span
    values = GRAVITY_TABLE.values(GRAVITY_TABLE.nearest_index(settings)).tolist()
    return [
        {"line": line, **dict(zip(GRAVITY_TABLE.names, value, strict=True)),
         "grade": 0.985 - k / 1000, "recovery": 0.85 + k / 100, "feed_grade": 93 + k / 4}
        for k, value in enumerate(values)
    ]  # fmt: skip


@pytest.fixture
def mill(tmp_path, monkeypatch):
    """A folder with a site, a brief and the runs of two lines; models are small to save time."""
    monkeypatch.setattr("optimizer.model.surrogate.MEMBERS", ())
    monkeypatch.setattr("optimizer.planning.limits.POOL", 64)
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    (tmp_path / "brief.toml").write_text(BRIEF, encoding="utf-8")
    history = History(tmp_path / "history")
    load_table([*rows("a"), *rows("b")], history, Site.read(tmp_path / "site.toml"))
    return tmp_path


SHARES = ("--min-grade", "97%", "--material", "feed_grade=95.5%")
SETTINGS = {"feed-rate": 2, "end-raise": 2, "side-tilt": 2, "eccentric-speed": 450, "air": 44}
READINGS = {"line": "a", "grade": "97.9%", "recovery": "91%"}
RESULT = ("record", *(word for k, v in {**READINGS, **SETTINGS}.items() for word in (f"--{k}", v)))


@pytest.mark.parametrize(
    ("command", "where"),
    [
        (("suggest", "--line", "a", "--trials", 1, *SHARES), ("material",)),
        (("suggest", "--line", "a", "--brief", "brief.toml"), ("material",)),
        (("report", "--line", "a", "--trials", 1, *SHARES), ("plan", "material")),
        (("compare", *SHARES), ("basis", "material")),
        (("diagnose", "--line", "a", *SHARES), None),
        ((*RESULT, *SHARES), None),
    ],
)
def test_every_command_accepts_a_share_in_per_cent(run, mill, command, where):
    code, out, err = run(*command, "--json")
    assert code == 0, err
    found = json.loads(out)
    for key in where or ():
        found = found[key]
    assert where is None or found["feed_grade"] == 95.5  # in the site's unit, not 0.955 or 9550
    if command[0] == "record":
        stored = History(mill / "history").at().runs(lines=["a"])
        assert 0.955 in stored["feed_grade"].to_pylist()
        assert json.loads(out)["after"]["goal"]["min_grade"] == 0.97


def test_the_feed_grade_is_shown_in_the_site_s_unit(run, mill):
    code, out, _ = run("compare", "--min-grade", 0.97)
    assert code == 0
    assert "feed grade 94.375" in out


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("98.5", "98.5 % is 0.985"),
        ("101%", "less than 1"),
        ("0", "greater than 0"),
        ("good", "valid number"),
        ("98.5 kg", "valid number"),
    ],
)
def test_values_that_are_no_shares_are_refused(run, mill, written, said):
    code, _, err = run("suggest", "--min-grade", written)
    assert code == 2
    assert said in err
    with pytest.raises(InputError, match=r"goal\.min_grade"):
        Brief.from_dict({"goal": {"min_grade": written}})


@pytest.mark.parametrize("written", ["95.5 kg", "wet", "1,200", "950%"])
def test_values_that_are_no_feed_grades_are_refused(run, mill, written):
    code, _, err = run("suggest", "--line", "a", "--material", f"feed_grade={written}")
    assert code == 2
    assert "[material] feed_grade" in err


def test_samples_are_planned_for_shares_in_per_cent(run):
    asked = ("balance", "--plan", "--json", "--difference")
    found = [
        json.loads(run(*asked, *words)[1])
        for words in (("0.5%", "--purity", "98.5%"), ("0.005", "--purity", "0.985"))
    ]
    assert found[0] == found[1]
    code, _, err = run(*asked, "half", "--purity", "98.5%")
    assert (code, "'half' is not a share" in err) == (2, True)


# ------------------------------------------------------------------ over HTTP


@pytest.fixture
def client(mill):
    options = Configuration(str(mill / "history"), str(mill / "site.toml"), planners=0, rate=0.0)
    with client_of(options) as made:
        yield made


def test_bodies_queries_and_fields_accept_a_share_in_per_cent(client):
    limits = {"air": {"low": 30, "high": 60}}
    brief = {"line": "a", "trials": {"count": 1}, "limits": limits}
    plans = [
        client.post("/v1/plans", json={**brief, "goal": {"min_grade": g}, "material": m}).json()
        for g, m in (("97%", {"feed_grade": "95.5%"}), (0.97, {"feed_grade": 95.5}))
    ]
    assert plans[0] == plans[1]
    assert plans[0]["goal"]["min_grade"] == 0.97
    for grade in ("97%", "0.97"):
        query = {"line": "a", "trials": 1, "min_grade": grade, "material": "feed_grade=95.5%"}
        sheet = client.get("/v1/sheet", params={**query, "form": "html"})
        assert sheet.status_code == 200, sheet.text
        assert "feed grade 95.5" in sheet.text
    refused = client.get("/v1/report", params={"line": "a", "min_grade": "98.5"})
    assert (refused.status_code, "98.5 % is 0.985" in refused.text) == (422, True)
    page = client.get("/", params={"line": "a", "trials": 1, "min_grade": "97%",
                                   "m.feed_grade": "95,5%"})  # fmt: skip
    assert page.status_code == 200, page.text
    assert "grade at least 97 %" in page.text
    compared = client.get("/v1/comparison", params={"min_grade": "97%"})
    assert compared.json()["basis"]["min_grade"] == 0.97
    assert compared.json()["basis"]["material"]["feed_grade"] == pytest.approx(94.375)


def test_the_description_says_that_a_share_may_be_in_per_cent(client):
    found = client.get("/openapi.json").json()
    asked = found["components"]["schemas"]["Goal"]["properties"]["min_grade"]
    assert {"number", "string"} <= {kind.get("type") for kind in _kinds(asked)}
    query = found["paths"]["/v1/report"]["get"]["parameters"]
    schema = next(p["schema"] for p in query if p["name"] == "min_grade")
    assert {"number", "string"} <= {kind.get("type") for kind in _kinds(schema)}


def _kinds(schema: dict) -> list[dict]:
    return [k for each in schema.get("anyOf", [schema]) for k in each.get("anyOf", [each])]
